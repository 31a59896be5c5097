"""What each shape leaves and costs, judged from outside: `python tests/bench/terrain_table.py [WORD ...]`.

For the examples and every real job at hand (only those whose name holds a WORD, if any is given), for the job as it
came and every shape: travels, lifted, predicted strikes (of these on travels under 1 mm), Z stroke, turns of the Z
axis, climb within the first millimetre after a bead, added path, seconds added by the package's own account. Then the
sums, and how terrain stands against the best that can be had. The judge is tests/evaluator: its own reader, its own
0.1 mm ground, none of the package's code; its numbers are printed below the table, and `--told` gives the rules other
curl numbers than it has. `--front` prints terrain's front over clearance and caution, `--short` only the sums, as the
README shows them.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import fields
from pathlib import Path

from judged import (
    NEUTRAL,
    Judged,
    Numbers,
    Setting,
    find_jobs,
    judge_job,
    least_stroke,
    left_by_reason,
    needed_stroke,
    shorter_than,
    total,
)

HEADINGS = ("travels", "lifted", "strikes", "short", "stroke mm", "Z turns", "early mm", "path mm", "time s")
FIXED = ("square", "triangle", "sawtooth", "trapezoid")


def main() -> None:
    """Rewrite, judge, print."""
    asked = _parse()
    numbers = Numbers(**{f.name: getattr(asked, f.name) for f in fields(Numbers)})
    base: dict[str, object] = {"min_travel_mm": asked.min_travel_mm, "unretracted": "lift"}
    terrain = {"shape": "terrain", "clearance_mm": numbers.clearance_mm} | base
    if asked.front:
        settings = [Setting("square", {"shape": "square", "height_mm": 0.6} | base)]
        settings += [Setting(f"{c:.2f} {k:.2f}", terrain | {"clearance_mm": c, "caution": k})
                     for c in asked.clearances for k in asked.cautions]
    else:
        settings = [Setting("flat", {"shape": "flat"} | base)]
        settings += [Setting(f"{shape} 0.6", {"shape": shape, "height_mm": 0.6} | base) for shape in FIXED]
        settings.append(Setting("terrain", terrain if asked.caution is None else terrain | {"caution": asked.caution}))
    told = dict(zip(("onset", "gain", "cap_mm", "decay"), asked.told, strict=True)) if asked.told else None
    judged = []
    with tempfile.TemporaryDirectory() as folder:
        for name, path in find_jobs(Path(folder), asked.words).items():
            found = judge_job(path, settings, numbers, told)
            if isinstance(found, str):
                print(f"{name}: {found}\n")
                continue
            judged.append(found)
            if not asked.short:
                _print_table(name, [found])
    _print_table("all together", judged)
    for setting in settings:
        if setting.lift["shape"] == "terrain":
            _print_standing(setting.name, judged, "square" if asked.front else "square 0.6", asked.min_travel_mm)
    print(f"judged by tests/evaluator with: {numbers.sentence()}; rules: {base}, curl {told or 'as the judge has it'}; "
          f"named neutral: {NEUTRAL}")


def _print_table(name: str, judged: list[Judged]) -> None:
    print(f"### {name}\n\n| way | " + " | ".join(HEADINGS) + " |\n|---|" + "---:|" * len(HEADINGS))
    for way in judged[0].verdict.rows:
        row = total([job.verdict.rows[way] for job in judged])
        short = sum(shorter_than(job.verdict, job.verdict.rows[way]) for job in judged)
        seconds = [_seconds(job, way) for job in judged]
        time = "" if None in seconds else f"{sum(s for s in seconds if s is not None):.0f}"
        print(f"| {way} | {row.travels} | {row.lifted} | {row.strikes} | {short} | {row.stroke:.0f} | {row.reversals} "
              f"| {row.early:.0f} | {row.added_path:.0f} | {time} |")
    print()


def _seconds(job: Judged, way: str) -> float | None:
    """Seconds that a rewrite adds to the job's time by the package's own time model, if it says."""
    return job.results[way].measures.get("added_s") if way in job.results else None


def _print_standing(way: str, judged: list[Judged], square: str, min_travel: float) -> None:
    """The shares that matter: strikes left, stroke against the least, against square, early climb, needless changes."""
    verdicts = [job.verdict for job in judged]
    ours, none, squares = ([v.rows[name] for v in verdicts] for name in (way, "no lift", square))
    left, before = sum(row.strikes for row in ours), sum(row.strikes for row in none)
    short = sum(shorter_than(v, row) for v, row in zip(verdicts, ours, strict=True))
    short_before = sum(shorter_than(v, row) for v, row in zip(verdicts, none, strict=True))
    least = sum(least_stroke(v, row) for v, row in zip(verdicts, ours, strict=True))
    used = sum(needed_stroke(v, row) for v, row in zip(verdicts, ours, strict=True))
    shares = (_share(row.strikes, was.strikes) for row, was in zip(ours, none, strict=True))
    worst, job = max(zip(shares, (job.job for job in judged), strict=True))
    own = sum(row.stroke for row in none)  # dips of the jobs themselves, which nothing may change
    added, square_added = (sum(row.stroke for row in rows) - own for rows in (ours, squares))
    needless = sum(row.changed_without_need for row in ours)
    print(
        f"{way}: strikes left {_percent(left, before)} of those without lifts "
        f"({_percent(left - short, before - short_before)} on travels of 1 mm and more); stroke where it is needed "
        f"{_share(used, least):.2f} times the least; all stroke {_percent(added, square_added)} of square; early climb "
        f"{_percent(sum(row.early for row in ours), sum(row.early for row in squares))} of square; worst job {job} "
        f"{100 * worst:.1f} %; changed where neither obstacle nor own lift {needless}"
    )
    print(f"  strikes left, by reason: {_sums(left_by_reason(j, way, square, min_travel) for j in judged)}")
    print(f"  travels by the package's own account: {_sums(j.results[way].travels for j in judged)}")


def _sums(counts: Iterable[Mapping[str, int]]) -> str:
    together: Counter[str] = Counter()
    for count in counts:
        together.update(count)
    return ", ".join(f"{reason} {n}" for reason, n in sorted(together.items()))


def _share(part: float, whole: float) -> float:
    return part / whole if whole else 0.0


def _percent(part: float, whole: float) -> str:
    return f"{100 * _share(part, whole):.1f} %"


def _parse() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("words", nargs="*")
    parser.add_argument("--front", action="store_true")
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--min-travel-mm", type=float, default=0.0)
    parser.add_argument("--caution", type=float)
    parser.add_argument("--told", type=float, nargs=4, metavar=("ONSET", "GAIN", "CAP_MM", "DECAY"),
                        help="what the rules say of the material, where the judge is to think otherwise")
    parser.add_argument("--clearances", type=float, nargs="+", default=[0.05, 0.1, 0.15, 0.2, 0.3])
    parser.add_argument("--cautions", type=float, nargs="+", default=[0.0, 0.25, 0.5, 0.75, 1.0])
    for field in fields(Numbers):
        flag = "--" + field.name.replace("_", "-")
        if isinstance(field.default, bool):
            parser.add_argument(flag, action="store_true")
        else:
            parser.add_argument(flag, type=float, default=field.default)
    return parser.parse_args()


if __name__ == "__main__":
    main()
