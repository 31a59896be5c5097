"""The kernel that walks a window of rows through two lanes: the job as it came, and the job as it will leave.

The lanes share every row until one is replaced; they are one again when both heads stand still at the same place, which
every retraction sees to. Only between the two does the second lane cost anything. Plain arrays in and out, bundled by
what they are; `motion.py` makes and checks them.

Cuts between windows change nothing: what is not final stays in the lane. A lane is settled when the head stands still,
or when its queue is full, which depends on the moves alone.
"""

from math import atan2, cos, hypot, pi, sin, sqrt
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from liftwright.job.columns import (
    BEAD,
    DWELL,
    FW_PRIME,
    FW_RETRACT,
    LIMIT,
    PRIME,
    RETRACT,
    TOOL,
    TRAVEL,
    WALL,
    WIPE,
)
from liftwright.plan.lane import (
    N_QUEUE,
    N_STATE,
    Q_T,
    SHORTEST,
    T_LIVE,
    T_X,
    T_Y,
    T_Z,
    alone_seconds,
    extruder_seconds,
    push_move,
    settle,
)
from liftwright.plan.limits import (
    L_AE,
    L_ARC_LONG,
    L_ARC_SHORT,
    L_ARC_TURN,
    L_FW_BACK,
    L_FW_FORTH,
    L_FW_MM,
    L_RETRACT,
)

BEFORE, AFTER = 0, 1  # the lanes
# Columns of the sums: seconds in all, of travels, of travels above both their ends, of unretracted travels; mm of Z
# both ways, how often Z begins to move, how often it turns round.
TOTAL, TRAVELLING, AIR, UNRETRACTED, STROKE, STARTS, REVERSALS, N_SUMS = range(8)
# Slots of the flow: moves queued in each lane, whether the lanes are one, row of the limits that hold, first slot of
# the seconds table, whether Z moves and which way it last went in each lane, whether a START row was seen.
F_N, F_SAME, F_LIMIT, F_BASE, F_MOVING, F_WAY, F_STARTED, N_FLOW = 0, 2, 3, 4, 5, 7, 9, 10

IS_TRAVEL, IS_AIR, IS_UNRETRACTED = 1, 2, 4
EVEN = 1e-6  # mm; heights nearer than this are the same


class Rows(NamedTuple):
    """A window of the job: columns of the table of moves (feed in mm/s), and the table of its arcs."""

    kind: NDArray[np.uint8]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    de: NDArray[np.float64]
    feed: NDArray[np.float64]
    value: NDArray[np.float64]
    arc: NDArray[np.int32]
    arcs: NDArray[np.float64]


class Notes(NamedTuple):
    """What to book a row under: its slot of the seconds table (-1 none), layer (-1 none), and for rows of a travel the
    higher of the travel's ends (inf elsewhere) and whether it goes unretracted."""

    slot: NDArray[np.int64]
    layer: NDArray[np.int64]
    ceiling: NDArray[np.float64]
    unretracted: NDArray[np.bool_]


class Limiting(NamedTuple):
    """Every set of limits met so far (sets × L_*), and from which row of the window which set holds."""

    sets: NDArray[np.float64]
    row: NDArray[np.int64]
    chosen: NDArray[np.int64]


class Edits(NamedTuple):
    """The replaced rows in order, and for each the moves `at[k]:at[k + 1]` that take its place (arc -1: straight)."""

    row: NDArray[np.int64]
    at: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    feed: NDArray[np.float64]
    arc: NDArray[np.int32]


class Lanes(NamedTuple):
    """Both lanes: queues (2 × Q_* × moves), tags (2 × (slot, layer, marks) × moves), states (2 × T_*), flow (F_*)."""

    queue: NDArray[np.float64]
    tags: NDArray[np.int64]
    state: NDArray[np.float64]
    flow: NDArray[np.int64]


class Books(NamedTuple):
    """Where results are summed: 2 × N_SUMS, 2 × layers, 2 × slots (s)."""

    sums: NDArray[np.float64]
    layers: NDArray[np.float64]
    slots: NDArray[np.float64]


def new_lanes(capacity: int) -> Lanes:
    """Two empty lanes that hold at most `capacity` moves each."""
    lanes = Lanes(
        np.zeros((2, N_QUEUE, capacity)),
        np.zeros((2, 3, capacity), dtype=np.int64),
        np.zeros((2, N_STATE)),
        np.zeros(N_FLOW, dtype=np.int64),
    )
    lanes.flow[F_SAME] = 1
    return lanes


@njit(cache=True, nogil=True)
def walk(rows: Rows, notes: Notes, limiting: Limiting, edits: Edits, lanes: Lanes, books: Books) -> None:
    """Walk the rows of one window (row 0 holds the carried position) and book the seconds of all that became final."""
    flow = lanes.flow
    if flow[F_STARTED] == 0:
        for lane in range(2):
            _stand_at(lanes.state[lane], rows.x[0], rows.y[0], rows.z[0])
        flow[F_STARTED] = 1
    edit, change = 0, 0
    for i in range(1, len(rows.kind)):
        kind = rows.kind[i]
        if kind == LIMIT:
            while change < len(limiting.row) and limiting.row[change] <= i:
                flow[F_LIMIT] = limiting.chosen[change]
                change += 1
            continue
        lim = limiting.sets[flow[F_LIMIT]]
        if edit < len(edits.row) and edits.row[edit] == i:
            _part(lanes)
            _row(BEFORE, BEFORE, rows, i, notes, lim, lanes, books)
            for j in range(edits.at[edit], edits.at[edit + 1]):
                _go(
                    AFTER, AFTER, edits.x[j], edits.y[j], edits.z[j], 0.0, edits.feed[j],
                    edits.arc[j], rows.arcs, i, notes, lim, lanes, books,
                )  # fmt: skip
            edit += 1
        elif flow[F_SAME] == 1:
            _row(BEFORE, AFTER, rows, i, notes, lim, lanes, books)
        else:
            _row(BEFORE, BEFORE, rows, i, notes, lim, lanes, books)
            _row(AFTER, AFTER, rows, i, notes, lim, lanes, books)
            flow[F_SAME] = _are_one(lanes)


@njit(cache=True, nogil=True)
def close(lanes: Lanes, books: Books) -> None:
    """The job ends: the head stands still and everything is final."""
    if lanes.flow[F_SAME] == 1:
        _stand_still(BEFORE, AFTER, lanes, books)
    else:
        _stand_still(BEFORE, BEFORE, lanes, books)
        _stand_still(AFTER, AFTER, lanes, books)


@njit(cache=True, nogil=True)
def _stand_at(state: np.ndarray, x: float, y: float, z: float) -> None:
    state[T_X], state[T_Y], state[T_Z] = x, y, z


@njit(cache=True, nogil=True)
def _part(lanes: Lanes) -> None:
    """The lanes go separate ways from here: give the second what the first has queued for both."""
    if lanes.flow[F_SAME] == 0:
        return
    n = lanes.flow[F_N]
    lanes.queue[AFTER, :, :n] = lanes.queue[BEFORE, :, :n]
    lanes.tags[AFTER, :, :n] = lanes.tags[BEFORE, :, :n]
    lanes.state[AFTER] = lanes.state[BEFORE]
    lanes.flow[F_N + AFTER] = n
    lanes.flow[F_SAME] = 0


@njit(cache=True, nogil=True)
def _are_one(lanes: Lanes) -> int:
    """1 where both heads stand still at the same place with nothing queued, else 0."""
    a, b = lanes.state[BEFORE], lanes.state[AFTER]
    still = a[T_LIVE] == 0.0 and b[T_LIVE] == 0.0
    return 1 if still and a[T_X] == b[T_X] and a[T_Y] == b[T_Y] and a[T_Z] == b[T_Z] else 0


@njit(cache=True, nogil=True)
def _row(
    lane: int, last: int, rows: Rows, i: int, notes: Notes, lim: np.ndarray, lanes: Lanes, books: Books
) -> None:  # fmt: skip
    """One row of the job in one lane, booked for the lanes from `lane` to `last`."""
    kind = rows.kind[i]
    if kind in (BEAD, TRAVEL, WIPE, RETRACT, PRIME):
        _go(
            lane, last, rows.x[i], rows.y[i], rows.z[i], rows.de[i], rows.feed[i],
            rows.arc[i], rows.arcs, i, notes, lim, lanes, books,
        )  # fmt: skip
    elif kind in (DWELL, WALL, TOOL, FW_RETRACT, FW_PRIME):
        _stand_still(lane, last, lanes, books)
        _stand_at(lanes.state[lane], rows.x[i], rows.y[i], rows.z[i])
        seconds = 0.0
        if kind == DWELL:
            seconds = rows.value[i]
        elif kind == FW_RETRACT:
            seconds = alone_seconds(lim[L_FW_MM], lim[L_FW_BACK], min(lim[L_RETRACT], lim[L_AE]))
        elif kind == FW_PRIME:
            seconds = alone_seconds(lim[L_FW_MM], lim[L_FW_FORTH], min(lim[L_RETRACT], lim[L_AE]))
        _book(lane, last, seconds, notes.slot[i], notes.layer[i], 0, lanes.flow[F_BASE], books)


@njit(cache=True, nogil=True)
def _go(
    lane: int, last: int, x: float, y: float, z: float, de: float, feed: float, arc: int, arcs: np.ndarray,
    i: int, notes: Notes, lim: np.ndarray, lanes: Lanes, books: Books,
) -> None:  # fmt: skip
    """Move to a point: along an arc in chords, straight, or with the extruder alone."""
    state = lanes.state[lane]
    x0, y0, z0 = state[T_X], state[T_Y], state[T_Z]
    marks = 0
    if notes.ceiling[i] < np.inf:
        marks = IS_TRAVEL
        if max(z0, z) > notes.ceiling[i] + EVEN:
            marks += IS_AIR
        if notes.unretracted[i]:
            marks += IS_UNRETRACTED
    for each in range(lane, last + 1):
        _count_z(each, z - z0, lanes.flow, books.sums)
    if arc >= 0:
        cx, cy, sweep = arcs[0, arc], arcs[1, arc], arcs[2, arc]
        chords = chords_of(hypot(x0 - cx, y0 - cy), sweep, z - z0, lim)
        radius, angle = hypot(x0 - cx, y0 - cy), atan2(y0 - cy, x0 - cx)
        for k in range(1, chords):
            part = k / chords
            at = angle + sweep * part
            _straight(
                lane, last, cx + radius * cos(at), cy + radius * sin(at), z0 + (z - z0) * part, de / chords, feed,
                marks, i, notes, lim, lanes, books,
            )  # fmt: skip
        de /= chords
    _straight(lane, last, x, y, z, de, feed, marks, i, notes, lim, lanes, books)


@njit(cache=True, nogil=True)
def chords_of(radius: float, sweep: float, dz: float, lim: np.ndarray) -> int:
    """How many chords an arc is moved in: floor(length / longest chord), at least one (Klipper, gcode_arcs.py); with
    axis limits the chord is a share of the circle, within bounds (Marlin, Configuration_adv.h; the mix is ours)."""
    length = hypot(radius * sweep, dz)
    chord = min(max(2.0 * pi * radius / lim[L_ARC_TURN], lim[L_ARC_SHORT]), lim[L_ARC_LONG])
    return max(int(length / chord), 1)


@njit(cache=True, nogil=True)
def _straight(
    lane: int, last: int, x: float, y: float, z: float, de: float, feed: float, marks: int,
    i: int, notes: Notes, lim: np.ndarray, lanes: Lanes, books: Books,
) -> None:  # fmt: skip
    state = lanes.state[lane]
    dx, dy, dz = x - state[T_X], y - state[T_Y], z - state[T_Z]
    d = sqrt(dx * dx + dy * dy + dz * dz)
    if d < SHORTEST:
        if de != 0.0:
            _stand_still(lane, last, lanes, books)
            seconds = extruder_seconds(de, feed, lim)
            _book(lane, last, seconds, notes.slot[i], notes.layer[i], 0, lanes.flow[F_BASE], books)
        return
    queue, tags = lanes.queue[lane], lanes.tags[lane]
    n = lanes.flow[F_N + lane]
    if n == queue.shape[1]:
        n = _make_room(lane, last, lanes, books)
    push_move(queue, n, state, lim, dx, dy, dz, d, de, feed)
    tags[0, n], tags[1, n], tags[2, n] = notes.slot[i], notes.layer[i], marks
    lanes.flow[F_N + lane] = n + 1
    _stand_at(state, x, y, z)


@njit(cache=True, nogil=True)
def _count_z(lane: int, dz: float, flow: np.ndarray, sums: np.ndarray) -> None:
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


@njit(cache=True, nogil=True)
def _stand_still(lane: int, last: int, lanes: Lanes, books: Books) -> None:
    """The head comes to rest: every move of the lane is final."""
    n = lanes.flow[F_N + lane]
    if n > 0:
        settle(lanes.queue[lane], n, True)
        _book_moves(lane, last, n, lanes, books)
    lanes.flow[F_N + lane] = 0
    lanes.state[lane, T_LIVE] = 0.0
    for each in range(lane, last + 1):
        lanes.flow[F_MOVING + each] = 0


@njit(cache=True, nogil=True)
def _make_room(lane: int, last: int, lanes: Lanes, books: Books) -> int:
    """A full lane: book what is final and move the rest to the front; returns the moves left.

    Where not one move is final (a whole queue that is one acceleration) the head is taken to stand still.
    """
    queue, tags = lanes.queue[lane], lanes.tags[lane]
    n = lanes.flow[F_N + lane]
    final = settle(queue, n, False)
    if final == 0:
        _stand_still(lane, last, lanes, books)
        return 0
    _book_moves(lane, last, final, lanes, books)
    for k in range(final, n):
        queue[:, k - final] = queue[:, k]
        tags[:, k - final] = tags[:, k]
    left: int = n - final
    return left


@njit(cache=True, nogil=True)
def _book_moves(lane: int, last: int, n: int, lanes: Lanes, books: Books) -> None:
    queue, tags = lanes.queue[lane], lanes.tags[lane]
    base = lanes.flow[F_BASE]
    for k in range(n):
        _book(lane, last, queue[Q_T, k], tags[0, k], tags[1, k], tags[2, k], base, books)


@njit(cache=True, nogil=True)
def _book(lane: int, last: int, seconds: float, slot: int, layer: int, marks: int, base: int, books: Books) -> None:
    """Add seconds to all they belong to, in the lanes from `lane` to `last`."""
    for each in range(lane, last + 1):
        sums = books.sums[each]
        sums[TOTAL] += seconds
        if marks & IS_TRAVEL:
            sums[TRAVELLING] += seconds
            if marks & IS_AIR:
                sums[AIR] += seconds
            if marks & IS_UNRETRACTED:
                sums[UNRETRACTED] += seconds
        if layer >= 0:
            books.layers[each, layer] += seconds
        if slot >= 0:
            books.slots[each, slot - base] += seconds
