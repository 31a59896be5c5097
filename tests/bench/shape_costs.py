"""What lifts of each shape cost: `python tests/bench/shape_costs.py [--short] [WORD ...]`.

The table of `liftwright compare` for the examples, by the rules we ship, and for every real job at hand, by a terrain
rule on a lead-screw printer (Z 5 mm/s, 100 mm/s²); only jobs whose name holds a WORD, if any is given. Last the sum of
each lot; `--short` prints the sum of the examples alone, as the README shows it.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).parent)]

from bench_rules import rule_set  # noqa: E402

from liftwright.command_compare import shapes_table  # noqa: E402
from liftwright.comparison import Comparison, Row, compare  # noqa: E402
from liftwright.job.facts import Fact  # noqa: E402
from liftwright.rules.load import load_rules  # noqa: E402
from liftwright.rules.schema import RuleSet  # noqa: E402

REAL_JOBS = ROOT.parent / "shared" / "jobs"
LEAD_SCREW = {"z_speed_mm_s": 5.0, "z_accel_mm_s2": 100.0}


def main() -> None:
    """Compare, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("words", nargs="*")
    parser.add_argument("--short", action="store_true")
    asked = parser.parse_args()
    shipped = load_rules({path.name: path.read_bytes() for path in sorted((ROOT / "rules").glob("*.yaml"))})
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run((sys.executable, ROOT / "examples" / "make_jobs.py", folder), check=True)
        _print_lot("the examples", _chosen(Path(folder), asked.words), shipped, (), short=asked.short)
    if not asked.short:
        lead_screw = rule_set({"shape": "terrain"}, printer=LEAD_SCREW)
        given = (Fact("printer", "bench", "this benchmark"),)
        _print_lot("real jobs on a lead screw", _chosen(REAL_JOBS, asked.words), lead_screw, given, short=False)


def _chosen(folder: Path, words: list[str]) -> list[Path]:
    paths = sorted(folder.rglob("*.gcode"))
    return [path for path in paths if not words or any(word in path.name for word in words)]


def _print_lot(name: str, paths: list[Path], rules: RuleSet, given: tuple[Fact, ...], *, short: bool) -> None:
    lot: list[tuple[Row, ...]] = []
    for path in paths:
        with path.open("rb") as job:
            found = compare(job, rules, given)
        if found.rows:
            lot.append(found.rows)
        if not short:
            print(f"{path.stem}\n{_text(found)}\n")
    if lot:
        print(f"{len(lot)} jobs, {name}, together:\n{shapes_table(_together(lot))}")


def _text(found: Comparison) -> str:
    return f"{shapes_table(found.rows)}\n{found.why}" if found.rows else found.why


def _together(lot: list[tuple[Row, ...]]) -> tuple[Row, ...]:
    """The sums, shape by shape; the share of the time all of them take, the tallest lift of any."""
    came = sum(rows[0].seconds for rows in lot)
    return tuple(_sum(list(same), came) for same in zip(*lot, strict=True))


def _sum(same: list[Row], came: float) -> Row:
    names = ("lifted", "seconds", "added_s", "strikes", "z_stroke_mm", "z_reversals", "z_starts", "early_climb_mm",
             "air_s", "unretracted_s")  # fmt: skip
    sums = {name: sum(getattr(row, name) for row in same) for name in names}
    percent = 100.0 * sums["added_s"] / came if came else 0.0
    return replace(same[0], **sums, added_percent=percent, tallest_lift_mm=max(row.tallest_lift_mm for row in same))


if __name__ == "__main__":
    main()
