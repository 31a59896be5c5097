"""Judge rewrites of a job: `python -m evaluator JOB REWRITTEN... [--clearance-mm 0.2 ...] [--worst 10]`.

Run it in tests/. Each REWRITTEN may be NAME=FILE. Prints one table row for the job without any lift, as
it came and for each rewrite; `--worst N` lists the N deepest strikes left in each rewrite, `--strikes
FILE` writes every strike of every row as lines of JSON. Exit 1 if a rewrite prints other beads.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np

from .judge import BeadsDiffer, Row, Verdict, judge
from .numbers import Numbers

HEADINGS = ("way", "travels", "lifted", "strikes", "short", "stroke", "reversals", "early", "path+", "changed",
            "needless")
SHORT_MM = 1.0


def main(arguments: list[str]) -> int:
    asked = _parse(arguments)
    numbers = Numbers(**{f.name: getattr(asked, f.name) for f in fields(Numbers)})
    rewrites = {}
    for word in asked.rewritten:
        name, _, file = word.rpartition("=")
        rewrites[name or Path(file).stem] = Path(file).read_bytes()
    try:
        verdict = judge(asked.job.read_bytes(), rewrites, numbers)
    except BeadsDiffer as wrong:
        print(wrong, file=sys.stderr)
        return 1
    print(table(verdict))
    print(f"travels that need a lift {int(verdict.needed.sum())}, least stroke that clears them "
          f"{verdict.least_stroke.sum():.1f} mm, terrain started anew {verdict.ground.restarts[0]} times")
    print(f"numbers: {numbers.sentence()}")
    for row in verdict.rows.values():
        if asked.worst and row.name not in ("no lift", "as it came"):
            print(f"deepest strikes left, {row.name}:")
            for strike in strikes(verdict, row)[: asked.worst]:
                print("  ", json.dumps(strike))
    if asked.strikes:
        with asked.strikes.open("w") as out:
            for row in verdict.rows.values():
                for strike in strikes(verdict, row):
                    out.write(json.dumps(strike) + "\n")
    return 0


def table(verdict: Verdict) -> str:
    """Fixed-width text: one line a row of the verdict; strikes on ways under 1 mm stand beside as `short`."""
    length = verdict.ways["no lift"].length()
    lines = ["{:<24}{:>8}{:>8}{:>8}{:>7}{:>9}{:>10}{:>8}{:>9}{:>8}{:>9}".format(*HEADINGS)]
    for row in verdict.rows.values():
        short = int((row.struck & (length < SHORT_MM)).sum())
        lines.append(f"{row.name:<24}{row.travels:>8}{row.lifted:>8}{row.strikes:>8}{short:>7}{row.stroke:>9.1f}"
                     f"{row.reversals:>10}{row.early:>8.1f}{row.added_path:>9.1f}{row.changed:>8}"
                     f"{row.changed_without_need:>9}")
    return "\n".join(lines)


def strikes(verdict: Verdict, row: Row) -> list[dict[str, object]]:
    """Every strike of a row, deepest first: line of the rewrite, XY length, where along it, overlap, ends."""
    ways = verdict.ways[row.name]
    length = ways.length()
    out: list[dict[str, object]] = []
    for gap in np.flatnonzero(row.struck)[np.argsort(-row.depth[row.struck], kind="stable")]:
        first, last = ways.ends[ways.at[gap]], ways.ends[ways.at[gap + 1] - 1]
        out.append({"way": row.name, "gap": int(gap), "line": int(row.line[gap]),
                    "length": round(float(length[gap]), 3), "at": round(float(row.where[gap]), 3),
                    "overlap": round(float(row.depth[gap]), 3),
                    "peak": round(float(verdict.peak[gap]), 3), "from": first[:3].round(3).tolist(),
                    "to": last[3:].round(3).tolist()})
    return out


def _parse(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m evaluator", description=__doc__)
    parser.add_argument("job", type=Path)
    parser.add_argument("rewritten", nargs="*", metavar="[NAME=]REWRITTEN")
    parser.add_argument("--worst", type=int, default=0)
    parser.add_argument("--strikes", type=Path)
    for field in fields(Numbers):
        flag = "--" + field.name.replace("_", "-")
        if isinstance(field.default, bool):
            parser.add_argument(flag, action="store_true")
        else:
            parser.add_argument(flag, type=float, default=field.default)
    return parser.parse_args(arguments)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
