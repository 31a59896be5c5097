"""A blunt lifter for the tests of cost: every straight move of a travel rises to its middle and comes down again.

Gives the replaced rows as the cost clock takes them, and the rewritten bytes, so that both can be timed and compared.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from liftwright.job.columns import TRAVEL
from liftwright.job.moves import CHUNK, MoveReader, Moves
from liftwright.plan.cost import CostClock
from liftwright.plan.limits import Limits
from liftwright.plan.motion import QUEUE, Timed
from liftwright.plan.travels import FREE, TravelFinder, Travels
from liftwright.plan.walk import Edits

HEIGHT = 0.4


@dataclass
class Lifted:
    """The clock after the job, the travels it called final in order (2 × travels), and the rewritten job."""

    clock: CostClock
    travels: np.ndarray
    job: bytes


def lift_all(job: bytes, limits: Limits, queue: int = QUEUE, chunk: int = CHUNK, begin_line: int = 0) -> Lifted:
    clock, finder, done, out = CostClock(limits, begin_line, queue), TravelFinder(0), [], []
    for window in MoveReader(io.BytesIO(job), chunk=chunk).windows():
        travels = finder.find(window.moves)
        points = list(triangle_points(window.moves, travels))
        done.append(clock.add(window.moves, window.buf, travels, edits_of(points)))
        out.append(_text(window.buf[: window.size].tobytes(), window.moves, points))
    done.append(clock.finish())
    assert [each.first for each in done] == list(np.cumsum([0, *(each.seconds.shape[1] for each in done[:-1])]))
    return Lifted(clock, joined(done), b"".join(out))


def joined(done: list[Timed]) -> np.ndarray:
    return np.concatenate([each.seconds for each in done], axis=1)


Point = tuple[int, list[tuple[float, float, float, float]]]


def triangle_points(moves: Moves, travels: Travels) -> Iterator[Point]:
    """Each replaced row with its new moves (x, y, z, feed)."""
    feed = moves.feed
    for k in np.flatnonzero(travels.reason == FREE):
        for i in range(travels.first[k], travels.last[k]):
            if moves.kind[i] == TRAVEL:
                x, y, z = (float(column[i]) for column in (moves.x, moves.y, moves.z))
                middle = ((moves.x[i - 1] + x) / 2, (moves.y[i - 1] + y) / 2, max(moves.z[i - 1], z) + HEIGHT)
                yield i, [(*map(float, middle), float(feed[i])), (x, y, z, float(feed[i]))]


def edits_of(points: list[Point]) -> Edits:
    flat = np.array([move for _, new in points for move in new]).reshape(-1, 4)
    return Edits(
        np.array([row for row, _ in points], np.int64),
        np.cumsum([0, *(len(new) for _, new in points)]),
        *(np.ascontiguousarray(flat[:, k]) for k in range(4)),
        np.full(len(flat), -1, np.int32),
    )


def _text(source: bytes, moves: Moves, points: list[Point]) -> bytes:
    """Absolute jobs in mm only; numbers in full, so that the rewritten job moves exactly as the edits say."""
    out, at = [], 0
    for row, new in points:
        out.append(source[at : moves.start[row]])
        out.append("\n".join(f"G1 X{x:.17f} Y{y:.17f} Z{z:.17f} F{feed * 60:.17f}" for x, y, z, feed in new).encode())
        at = moves.end[row]
    return b"".join([*out, source[at:]])
