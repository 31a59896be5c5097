"""`liftwright compare`: one job in every shape as a table, and which shape the rule would take. Writes no file.

A job that would be held is refused as `rewrite` refuses it (4); one that is left as it is for another reason is fine
and has no table.
"""

import argparse
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from liftwright.command_inputs import open_job, read_inputs
from liftwright.command_outcome import choice, choice_rows, fact_list, refuse_if_held
from liftwright.command_progress import Progress
from liftwright.command_tables import pairs, plain, table
from liftwright.comparison import Comparison, Row
from liftwright.comparison import compare as compare_shapes

HEADS = (
    *("shape", "lifted", "added, s", "added, %", "strikes", "Z stroke, mm", "Z reversals", "Z starts", "early, mm"),
    *("air, s", "unretracted, s", "tallest, mm"),
)


def compare(arguments: argparse.Namespace) -> int:
    """Print the table."""
    job = Path(arguments.job)
    inputs = read_inputs(arguments, job)
    progress = Progress()
    with open_job(job) as source:
        try:
            found = compare_shapes(source, inputs.rules, inputs.given, inputs.comment_keys, progress)
        finally:
            progress.close()
    if arguments.json:
        print(json.dumps(_document(found), indent=1))
    if found.settled is not None:
        refuse_if_held(job, found.settled)
    if not arguments.json:
        print("\n\n".join([f"{plain(job)}: every shape tried, no file was written", *_parts(found)]))
    return 0


def _parts(found: Comparison) -> list[str]:
    chosen = pairs(list(choice_rows(found.decision)))
    if not found.rows:
        return [part for part in (chosen, f"the job stays as it is: {found.why}") if part]
    return [
        chosen,
        shapes_table(found.rows),
        f"lifts of fixed height are {found.height_mm:g} mm; strikes are foretold, not observed",
        *(f"warning: {warning}" for warning in found.warnings),
        plain(found.why),
    ]


def shapes_table(rows: tuple[Row, ...]) -> str:
    """The rows under their heads, rounded for people."""
    return table(HEADS, [_cells(row) for row in rows])


def _cells(row: Row) -> list[object]:
    return [
        row.shape, row.lifted, round(row.added_s, 1), round(row.added_percent, 2), row.strikes,
        round(row.z_stroke_mm, 1), row.z_reversals, row.z_starts, round(row.early_climb_mm, 1), round(row.air_s, 1),
        round(row.unretracted_s, 1), round(row.tallest_lift_mm, 2),
    ]  # fmt: skip


def _document(found: Comparison) -> dict[str, Any]:
    return {
        "takes": found.takes,
        "why": found.why,
        "height_mm": found.height_mm,
        "rows": [asdict(row) for row in found.rows],
        "choice": choice(found.decision) if found.decision else None,
        "facts": fact_list(found.facts or {}),
        "warnings": list(found.warnings),
    }
