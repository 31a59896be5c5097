"""Jobs as text to seconds, through the product's reader and clocks; and the limits that hold at each row."""

import io
import re

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import LIMIT
from liftwright.job.moves import CHUNK, MoveReader
from liftwright.plan.limit_commands import after_command
from liftwright.plan.limits import SQUARE_CORNER, Limits, limits_from
from liftwright.plan.motion import QUEUE, Clock
from reference.readers import rows_of
from reference.slow_reader import Row

# The limits of motion/README.md, with the slower of its two Z axes.
REFERENCE = {
    "speed": 300.0, "accel": 3000.0, "speed_e": 80.0, "accel_e": 3000.0, "speed_z": 5.0, "accel_z": 100.0,
    "square_corner": 5.0, "extruder_corner": 1.0, "minimum_cruise": 0.0,
}  # fmt: skip


def reference_limits(**changes: float) -> Limits:
    return limits_from({**REFERENCE, **changes}, SQUARE_CORNER)


def timed(
    job: bytes, limits: Limits, queue: int = QUEUE, chunk: int = CHUNK
) -> tuple[Clock, NDArray[np.float64], list[Row]]:
    """The clock after the job, the seconds of each row, and the rows (without those that say nothing of motion)."""
    clock = Clock(limits, queue)
    seconds, rows, kinds = [], [], []
    for window in MoveReader(io.BytesIO(job), chunk=chunk).windows():
        rows += rows_of(window.moves)
        kinds.append(window.moves.kind[1:].copy())
        seconds.append(clock.add(window.moves, window.buf).seconds[0])
    seconds.append(clock.finish().seconds[0])
    return clock, np.concatenate(seconds)[np.concatenate(kinds) <= LIMIT], rows


def moving_seconds(job: str, limits: Limits) -> list[float]:
    """Seconds of the rows that take any."""
    return [float(each) for each in timed(job.encode(), limits)[1] if each]


def limits_of_rows(job: bytes, rows: list[Row], limits: Limits) -> list[Limits]:
    """The limits that hold at each row, with each limit command of the job read anew."""
    lines = re.split(rb"\r\n|\r|\n", job)
    out = []
    for row in rows:
        if row.kind == "LIMIT":
            limits = after_command(limits, lines[row.line - 1])
        out.append(limits)
    return out
