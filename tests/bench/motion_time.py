"""Time of the motion planner: `python tests/bench/motion_time.py [JOB ...] [--megabytes 20]`.

Reads each job (or one made up) into memory, then times the clocks alone, warm, best of five by processor time:
nanoseconds a row for one sequence, and for both sides of a rewrite in which every move of a free travel rises to its
middle and comes down again.
"""

from __future__ import annotations

import argparse
import io
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from big_job import write_job

from liftwright.job.moves import MoveReader, Moves
from liftwright.plan.cost import CostClock
from liftwright.plan.limits import MODELS, limits_from
from liftwright.plan.motion import Clock
from liftwright.plan.travels import TravelFinder, Travels
from liftwright.plan.walk import Edits
from reference.triangles import edits_of, triangle_points

Windows = list[tuple[Moves, np.ndarray, Travels, Edits]]


def main() -> None:
    """Time every job under each model of cornering and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("jobs", type=Path, nargs="*")
    parser.add_argument("--megabytes", type=float, default=20.0)
    asked = parser.parse_args()
    for job in asked.jobs:
        _report(job.name, job.read_bytes())
    if not asked.jobs:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "job.gcode"
            write_job(path, int(asked.megabytes * 1e6))
            _report(f"made up, {asked.megabytes:g} MB", path.read_bytes())


def _report(name: str, job: bytes) -> None:
    windows = _read(job)
    rows = sum(len(moves) - 1 for moves, _, _, _ in windows)
    replaced = sum(len(edits.row) for _, _, _, edits in windows)
    print(f"{name}: {rows} rows, {replaced} of them replaced")
    for model in MODELS:
        one = _best(lambda model=model: _one(windows, model)) / rows  # type: ignore[misc]
        both = _best(lambda model=model: _both(windows, model)) / rows  # type: ignore[misc]
        print(f"  {model}: {1e9 * one:.0f} ns a row for one sequence, {1e9 * both:.0f} ns for before and after")


def _read(job: bytes) -> Windows:
    """All windows, copied: the reader overwrites its own."""
    finder, out = TravelFinder(0), []
    for window in MoveReader(io.BytesIO(job)).windows():
        moves, travels = _copied(window.moves), _copied(finder.find(window.moves))
        edits = edits_of(list(triangle_points(moves, travels)))
        out.append((moves, window.buf[: window.size].copy(), travels, edits))
    return out


def _copied(table: Any) -> Any:
    return replace(table, **{each.name: getattr(table, each.name).copy() for each in fields(table)})


def _one(windows: Windows, model: str) -> None:
    clock = Clock(limits_from({}, model))
    for moves, text, _, _ in windows:
        clock.add(moves, text)
    clock.finish()


def _both(windows: Windows, model: str) -> None:
    clock = CostClock(limits_from({}, model))
    for moves, text, travels, edits in windows:
        clock.add(moves, text, travels, edits)
    clock.finish()


def _best(run: Callable[[], None]) -> float:
    times = []
    for _ in range(6):
        began = time.process_time()
        run()
        times.append(time.process_time() - began)
    return min(times[1:])


if __name__ == "__main__":
    main()
