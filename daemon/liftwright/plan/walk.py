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
from numpy.typing import NDArray

from liftwright.job.columns import (
    BEAD,
    DWELL,
    FW_PRIME,
    FW_RETRACT,
    LIMIT,
    PRIME,
    R_SCALE,
    RETRACT,
    TOOL,
    TRAVEL,
    WALL,
    WIPE,
)
from liftwright.kernels import inlined, kernel
from liftwright.plan.booking import (
    AFTER,
    BEFORE,
    F_BASE,
    F_SAME,
    F_SMOOTH,
    F_STARTED,
    G_LAYER,
    G_MARKS,
    G_SLOT,
    N_FLOW,
    N_TAGS,
    book,
    count_z,
    make_room,
    marks_of,
    stand_still,
)
from liftwright.plan.lane import (
    N_QUEUE,
    N_STATE,
    SHORTEST,
    T_LIVE,
    T_X,
    T_Y,
    T_Z,
    alone_seconds,
    extruder_seconds,
    push_move,
)
from liftwright.plan.limits import (
    L_AE,
    L_ARC_LONG,
    L_ARC_SHORT,
    L_ARC_TURN,
    L_CRUISE,
    L_FW_BACK,
    L_FW_FORTH,
    L_FW_MM,
    L_RETRACT,
)

MOST_CHORDS = 2048.0  # twice what the largest circle on a bed of 300 mm needs; an arc of a faulty job can't hold us up


class Rows(NamedTuple):
    """A window of the job: columns of the table of moves, and its tables of frames and arcs."""

    kind: NDArray[np.uint8]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    de: NDArray[np.float64]
    f: NDArray[np.float64]
    frame: NDArray[np.int32]
    frames: NDArray[np.float64]
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
    """Sets of limits (sets × L_*), the one that holds at first, and from which row of the window which set holds."""

    sets: NDArray[np.float64]
    first: int
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
        np.zeros((2, N_TAGS, capacity), dtype=np.int64),
        np.zeros((2, N_STATE)),
        np.zeros(N_FLOW, dtype=np.int64),
    )
    lanes.flow[F_SAME] = 1
    return lanes


@kernel
def walk(
    kinds: np.ndarray, xs: np.ndarray, ys: np.ndarray, zs: np.ndarray, des: np.ndarray, fs: np.ndarray,
    frame: np.ndarray, frames: np.ndarray, value: np.ndarray, arc_of: np.ndarray, arcs: np.ndarray,
    slot: np.ndarray, layer: np.ndarray, ceiling: np.ndarray, unretracted: np.ndarray,
    sets: np.ndarray, chosen: int, change_row: np.ndarray, change_to: np.ndarray,
    edit_row: np.ndarray, edit_at: np.ndarray, edit_x: np.ndarray, edit_y: np.ndarray, edit_z: np.ndarray,
    edit_feed: np.ndarray, edit_arc: np.ndarray,
    queue: np.ndarray, tags: np.ndarray, state: np.ndarray, flow: np.ndarray,
    sums: np.ndarray, layers: np.ndarray, slots: np.ndarray,
) -> None:  # fmt: skip
    """Walk the rows of one window (row 0 holds the carried position) and book the seconds of all that became final.

    The arguments are those of Rows, Notes, Limiting, Edits, Lanes and Books in order: handing numba a tuple of arrays
    leaks a few bytes a call, and copies all of it at each call of a helper.
    """
    if flow[F_STARTED] == 0:
        for lane in range(2):
            state[lane, T_X], state[lane, T_Y], state[lane, T_Z] = xs[0], ys[0], zs[0]
        flow[F_STARTED] = 1
    edit, change = 0, 0
    for i in range(1, len(kinds)):
        kind = kinds[i]
        moves = kind in (BEAD, TRAVEL, WIPE, RETRACT, PRIME)
        halts = kind in (DWELL, WALL, TOOL, FW_RETRACT, FW_PRIME)
        if kind == LIMIT and change < len(change_row) and change_row[change] == i:
            chosen = change_to[change]
            change += 1
        edited = edit < len(edit_row) and edit_row[edit] == i
        if not (moves or halts):
            continue
        lim = sets[chosen]
        if edited and flow[F_SAME] == 1:
            _part(queue, tags, state, flow)
        for lane in range(2 - flow[F_SAME]):
            last = lane + flow[F_SAME]  # what lane 0 does alone counts for both while they are one
            if halts:
                stand_still(lane, last, queue, tags, state, flow, sums, layers, slots)
                state[lane, T_X], state[lane, T_Y], state[lane, T_Z] = xs[i], ys[i], zs[i]
                seconds = _halt_seconds(kind, value[i], lim)
                book(lane, last, seconds, slot[i], layer[i], 0, flow[F_BASE], sums, layers, slots)
                continue
            if edited and lane == AFTER:
                for k in range(edit_at[edit], edit_at[edit + 1]):
                    _drive(
                        lane, last, edit_x[k], edit_y[k], edit_z[k], 0.0, edit_feed[k], edit_arc[k], arcs,
                        slot[i], layer[i], ceiling[i], unretracted[i], lim,
                        queue, tags, state, flow, sums, layers, slots,
                    )  # fmt: skip
                continue
            feed = fs[i] * (frames[R_SCALE, frame[i]] / 60.0)
            _drive(
                lane, last, xs[i], ys[i], zs[i], des[i], feed, arc_of[i], arcs,
                slot[i], layer[i], ceiling[i], unretracted[i], lim,
                queue, tags, state, flow, sums, layers, slots,
            )  # fmt: skip
        if edited:
            edit += 1
        if flow[F_SAME] == 0:
            flow[F_SAME] = _are_one(state)


@kernel
def close(
    queue: np.ndarray, tags: np.ndarray, state: np.ndarray, flow: np.ndarray,
    sums: np.ndarray, layers: np.ndarray, slots: np.ndarray,
) -> None:  # fmt: skip
    """The job ends: the head stands still and everything is final. The arguments are those of Lanes and Books."""
    same = flow[F_SAME]
    for lane in range(2 - same):
        stand_still(lane, lane + same, queue, tags, state, flow, sums, layers, slots)


@inlined
def _drive(
    lane: int, last: int, x: float, y: float, z: float, de: float, feed: float, arc: int, arcs: np.ndarray,
    slot: int, layer: int, ceiling: float, unretracted: bool, lim: np.ndarray,
    queue: np.ndarray, tags: np.ndarray, state: np.ndarray, flow: np.ndarray,
    sums: np.ndarray, layers: np.ndarray, slots: np.ndarray,
) -> None:  # fmt: skip
    """Move a lane's head to a point: straight, along an arc in chords, or with the extruder alone."""
    x0, y0, z0 = state[lane, T_X], state[lane, T_Y], state[lane, T_Z]
    marks = marks_of(max(z0, z), ceiling, unretracted)
    for each in range(lane, last + 1):
        count_z(each, z - z0, flow, sums)
    chords, angle, radius = 1, 0.0, 0.0
    if arc >= 0:
        radius = hypot(x0 - arcs[0, arc], y0 - arcs[1, arc])
        angle = atan2(y0 - arcs[1, arc], x0 - arcs[0, arc])
        chords = chords_of(radius, arcs[2, arc], z - z0, lim)
    for chord in range(1, chords + 1):
        xk, yk, zk = x, y, z
        if chord < chords:
            share = chord / chords
            at = angle + arcs[2, arc] * share
            xk, yk = arcs[0, arc] + radius * cos(at), arcs[1, arc] + radius * sin(at)
            zk = z0 + (z - z0) * share
        dx, dy, dz = xk - state[lane, T_X], yk - state[lane, T_Y], zk - state[lane, T_Z]
        d = sqrt(dx * dx + dy * dy + dz * dz)
        if d < SHORTEST:
            if de != 0.0:
                stand_still(lane, last, queue, tags, state, flow, sums, layers, slots)
                seconds = extruder_seconds(de / chords, feed, lim)
                book(lane, last, seconds, slot, layer, 0, flow[F_BASE], sums, layers, slots)
            continue
        if flow[lane] == queue.shape[2]:
            make_room(lane, last, queue, tags, state, flow, sums, layers, slots)
        n = flow[lane]
        push_move(queue[lane], n, state[lane], lim, dx, dy, dz, d, de / chords, feed)
        tags[lane, G_SLOT, n], tags[lane, G_LAYER, n], tags[lane, G_MARKS, n] = slot, layer, marks
        state[lane, T_X], state[lane, T_Y], state[lane, T_Z] = xk, yk, zk
        flow[lane] = n + 1
        if lim[L_CRUISE] > 0.0:
            flow[F_SMOOTH] = 1


@kernel
def chords_of(radius: float, sweep: float, dz: float, lim: np.ndarray) -> int:
    """How many chords an arc is moved in: floor(length / longest chord), at least one (Klipper, gcode_arcs.py); with
    axis limits the chord is a share of the circle, within bounds (Marlin, Configuration_adv.h; the mix is ours)."""
    length = hypot(radius * sweep, dz)
    chord = min(max(2.0 * pi * radius / lim[L_ARC_TURN], lim[L_ARC_SHORT]), lim[L_ARC_LONG])
    return int(max(1.0, min(length / chord, MOST_CHORDS)))


@kernel
def _halt_seconds(kind: int, dwell: float, lim: np.ndarray) -> float:
    """Seconds of a row that stops the head: a dwell, or a retraction or prime the firmware makes on its own."""
    if kind == DWELL:
        return dwell
    if kind == FW_RETRACT or kind == FW_PRIME:
        v = lim[L_FW_BACK] if kind == FW_RETRACT else lim[L_FW_FORTH]
        return alone_seconds(lim[L_FW_MM], v, min(lim[L_RETRACT], lim[L_AE]))
    return 0.0


@kernel
def _part(queue: np.ndarray, tags: np.ndarray, state: np.ndarray, flow: np.ndarray) -> None:
    """The lanes go separate ways from here: give the second what the first has queued for both."""
    n = flow[BEFORE]
    for row in range(N_QUEUE):
        for k in range(n):
            queue[AFTER, row, k] = queue[BEFORE, row, k]
    for row in range(N_TAGS):
        for k in range(n):
            tags[AFTER, row, k] = tags[BEFORE, row, k]
    for k in range(N_STATE):
        state[AFTER, k] = state[BEFORE, k]
    flow[AFTER] = n
    flow[F_SAME] = 0


@kernel
def _are_one(state: np.ndarray) -> int:
    """1 where both heads stand still at the same place with nothing queued, else 0."""
    if state[BEFORE, T_LIVE] != 0.0 or state[AFTER, T_LIVE] != 0.0:
        return 0
    for axis in (T_X, T_Y, T_Z):
        if state[BEFORE, axis] != state[AFTER, axis]:
            return 0
    return 1
