"""Booking: kernels that sum the seconds of settled moves, and what Z does, under all that they belong to.

Sums are made for a range of lanes, `lane` to `last`: while both sides of a rewrite are one, the first lane's seconds
count for both. Bundles of the arrays are described in `walk.py`.
"""

import numpy as np

from liftwright.kernels import inlined, kernel
from liftwright.plan.lane import N_QUEUE, Q_T, SHORTEST, T_LIVE, settle, settle_smoothed

BEFORE, AFTER = 0, 1  # the lanes
# Columns of the sums: seconds in all, of travels, of travels above both their ends, of unretracted travels; mm of Z
# both ways, how often Z begins to move, how often it turns round.
TOTAL, TRAVELLING, AIR, UNRETRACTED, STROKE, STARTS, REVERSALS, N_SUMS = range(8)
# Slots of the flow: moves queued in each lane, whether the lanes are one, first slot of the seconds table, whether Z
# moves and which way it last went in each lane, whether a START row was seen, whether a cruise ratio ever held.
F_N, F_SAME, F_BASE, F_MOVING, F_WAY, F_STARTED, F_SMOOTH, N_FLOW = 0, 2, 3, 4, 6, 8, 9, 10

IS_TRAVEL, IS_AIR, IS_UNRETRACTED = 1, 2, 4
# Rows of the tags: where a move is booked.
G_SLOT, G_LAYER, G_MARKS, N_TAGS = range(4)
EVEN = 1e-6  # mm; heights nearer than this are the same


@inlined
def marks_of(top: float, ceiling: float, unretracted: bool) -> int:
    """What a move counts as besides its time; ceiling is the higher end of its travel, inf for no travel."""
    if ceiling == np.inf:
        return 0
    marks = IS_TRAVEL
    if top > ceiling + EVEN:
        marks += IS_AIR
    if unretracted:
        marks += IS_UNRETRACTED
    return marks


@inlined
def count_z(lane: int, dz: float, flow: np.ndarray, sums: np.ndarray) -> None:
    """Stroke, starts and reversals of Z: it starts where it stood still before, it turns where its way does."""
    if abs(dz) < SHORTEST:
        flow[F_MOVING + lane] = 0
        return
    way = 1 if dz > 0.0 else -1
    sums[lane, STROKE] += abs(dz)
    if flow[F_MOVING + lane] == 0:
        sums[lane, STARTS] += 1.0
    if flow[F_WAY + lane] == -way:
        sums[lane, REVERSALS] += 1.0
    flow[F_MOVING + lane] = 1
    flow[F_WAY + lane] = way


@kernel
def stand_still(
    lane: int, last: int, queue: np.ndarray, tags: np.ndarray, state: np.ndarray, flow: np.ndarray,
    sums: np.ndarray, layers: np.ndarray, slots: np.ndarray,
) -> None:  # fmt: skip
    """The head comes to rest: every move of the lane is final."""
    n = flow[lane]
    if n > 0:
        _settle(queue[lane], n, True, flow)
        _book_moves(lane, last, n, queue, tags, flow, sums, layers, slots)
    flow[lane] = 0
    state[lane, T_LIVE] = 0.0
    for each in range(lane, last + 1):
        flow[F_MOVING + each] = 0


@kernel
def _settle(queue: np.ndarray, n: int, closed: bool, flow: np.ndarray) -> int:
    if flow[F_SMOOTH] == 1:
        return settle_smoothed(queue, n, closed)
    return settle(queue, n, closed)


@kernel
def make_room(
    lane: int, last: int, queue: np.ndarray, tags: np.ndarray, state: np.ndarray, flow: np.ndarray,
    sums: np.ndarray, layers: np.ndarray, slots: np.ndarray,
) -> None:  # fmt: skip
    """A full lane: book what is final and move the rest to the front.

    Where not one move is final (a whole queue that is one acceleration) the head is taken to stand still.
    """
    n = flow[lane]
    final = _settle(queue[lane], n, False, flow)
    if final == 0:
        stand_still(lane, last, queue, tags, state, flow, sums, layers, slots)
        return
    _book_moves(lane, last, final, queue, tags, flow, sums, layers, slots)
    for row in range(N_QUEUE):
        for k in range(final, n):
            queue[lane, row, k - final] = queue[lane, row, k]
    for row in range(N_TAGS):
        for k in range(final, n):
            tags[lane, row, k - final] = tags[lane, row, k]
    flow[lane] = n - final


@kernel
def _book_moves(
    lane: int, last: int, n: int, queue: np.ndarray, tags: np.ndarray, flow: np.ndarray,
    sums: np.ndarray, layers: np.ndarray, slots: np.ndarray,
) -> None:  # fmt: skip
    base = flow[F_BASE]
    for k in range(n):
        book(
            lane, last, queue[lane, Q_T, k], tags[lane, G_SLOT, k], tags[lane, G_LAYER, k], tags[lane, G_MARKS, k],
            base, sums, layers, slots,
        )  # fmt: skip


@inlined
def book(
    lane: int, last: int, seconds: float, slot: int, layer: int, marks: int, base: int,
    sums: np.ndarray, layers: np.ndarray, slots: np.ndarray,
) -> None:  # fmt: skip
    """Add seconds to all they belong to, in the lanes from `lane` to `last`."""
    for each in range(lane, last + 1):
        sums[each, TOTAL] += seconds
        if marks & IS_TRAVEL:
            sums[each, TRAVELLING] += seconds
            if marks & IS_AIR:
                sums[each, AIR] += seconds
            if marks & IS_UNRETRACTED:
                sums[each, UNRETRACTED] += seconds
        if layer >= 0:
            layers[each, layer] += seconds
        if slot >= 0:
            slots[each, slot - base] += seconds
