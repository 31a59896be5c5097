"""The first pass over a job: where the print begins, how far its beads reach, and what it says of itself.

1. The print begins at the first bead behind which no homing, probing or unknown command follows within its layer, so
   that prime lines and start code are no part of it. A command between two layers is within neither, unless hardly
   anything was laid before it.
2. Bounds and counts hold for the beads of the print alone.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import (
    A_CX,
    A_CY,
    A_SWEEP,
    BEAD,
    FW_RETRACT,
    PRIME,
    RETRACT,
    S_AMBIGUOUS,
    S_NOZZLE_TEMP,
    S_SPEED_FACTOR,
    TRAVEL,
    W_E,
    W_ODD,
    WALL,
    WALL_HOMING,
    WALL_UNKNOWN,
    WIPE,
)
from liftwright.job.moves import CHUNK, MoveReader, Window
from liftwright.kernels import inlined, kernel

LAYER_STEP_MM = 0.02
PRIME_BEADS = 10  # a prime line is a handful of beads (common practice, no source)
# Filament per way that a nozzle can lay: 0.02 to 2 mm² of bead, far beyond both ends of what is printed.
THINNEST_MM2, THICKEST_MM2 = 0.02, 2.0

# Beyond these an arc's ends lie on different circles (LinuxCNC, "Center Format Arcs"): in any case, or more than so
# much and so large a share of the radius.
UNEVEN_MM, EVEN_MM, EVEN_SHARE = 0.5, 0.005, 0.001
NEARLY = 1.0 - 1e-12  # squares tell which points are the farthest; a little below, so that none is missed

# Slots of the survey's state.
Q_X_LO, Q_X_HI, Q_Y_LO, Q_Y_HI, Q_Z_HI, Q_FAR = range(6)
Q_FILAMENT, Q_WAY, Q_RISING, Q_PLAUSIBLE, Q_TOLD, Q_BEGIN_Z, Q_Z = range(6, 13)
Q_BEGIN_LINE, Q_SETTLED, Q_BEADS, Q_LAYERS, Q_RETRACTIONS, Q_LAST_LINE, Q_DOUBT, Q_UNEVEN, Q_UNEVEN_LINE = range(9)


@dataclass(frozen=True, slots=True)
class Survey:
    """What the first pass saw. Lengths in mm; `bounds` = x lo, x hi, y lo, y hi of the print's beads, `reach` their
    greatest distance from X0 Y0.

    begin_line: line of the bead with which the print begins. plausible: share of the way with E words on which the
    filament fits. ambiguous: E words whose meaning depends on the firmware. notes: (key, value, line) of wanted
    comments. uneven_arcs: arcs whose two ends lie at different distances from their centre, and the line of the first.
    unknown: names of commands that were taken as walls. state: the reader's counters at the end (slots of
    `columns`). speed_factor: largest M220 above 1; firmware multiplies all feeds by it.
    """

    size: int
    beads: int
    begin_line: int
    last_line: int
    bounds: tuple[float, float, float, float]
    reach: float
    z_top: float
    layers: int
    rising: float
    retractions: int
    filament: float
    way: float
    plausible: float
    ambiguous: int
    ends_in_newline: bool
    ends_in_bead: bool
    ends_in_motion: bool
    notes: tuple[tuple[str, str, int], ...]
    uneven_arcs: int
    uneven_line: int
    unknown: tuple[str, ...]
    state: NDArray[np.int64]
    nozzle_temperature: float
    speed_factor: float


def survey(
    source: BinaryIO,
    *,
    g90_sets_extrusion: bool,
    keys: NDArray[np.uint64],
    neutral: NDArray[np.uint64],
    filament_area: float,
    tick: Callable[[int], None],
    chunk: int = CHUNK,
    along: Callable[[Window], None] | None = None,
) -> Survey:
    """Read the whole job once, handing each window to `along` as well; raises what `MoveReader` raises."""
    reader = MoveReader(
        source, g90_sets_extrusion=g90_sets_extrusion, keys=keys, neutral=neutral, chunk=chunk,
        spare=along is not None,
    )  # fmt: skip
    floats, ints = np.zeros(13), np.zeros(9, np.int64)
    _begin_again(floats, ints)
    last_kind = -1
    for window in reader.windows():
        moves = window.moves
        _survey(
            moves.kind, moves.code, moves.words, moves.line, moves.x, moves.y, moves.z, moves.de, moves.arc, moves.arcs,
            filament_area,
            floats, ints,
        )  # fmt: skip
        last_kind = int(moves.kind[-1])
        if along is not None:
            along(window)
        tick(reader.size)
    beads = int(ints[Q_BEADS])
    return Survey(
        size=reader.size,
        beads=beads,
        begin_line=int(ints[Q_BEGIN_LINE]),
        last_line=int(ints[Q_LAST_LINE]),
        bounds=(float(floats[Q_X_LO]), float(floats[Q_X_HI]), float(floats[Q_Y_LO]), float(floats[Q_Y_HI])),
        reach=float(floats[Q_FAR]),
        z_top=float(floats[Q_Z_HI]),
        layers=int(ints[Q_LAYERS]),
        rising=float(floats[Q_RISING]) / max(beads, 1),
        retractions=int(ints[Q_RETRACTIONS]),
        filament=float(floats[Q_FILAMENT]),
        way=float(floats[Q_WAY]),
        plausible=float(floats[Q_PLAUSIBLE]) / max(float(floats[Q_TOLD]), 1e-9),
        ambiguous=int(reader.state_int[S_AMBIGUOUS]),
        ends_in_newline=reader.ends_in_newline,
        ends_in_bead=last_kind == BEAD,
        ends_in_motion=last_kind in (BEAD, WIPE, TRAVEL, RETRACT, PRIME),
        notes=tuple(reader.notes),
        uneven_arcs=int(ints[Q_UNEVEN]),
        uneven_line=int(ints[Q_UNEVEN_LINE]),
        unknown=tuple(reader.unknown),
        state=reader.state_int.copy(),
        nozzle_temperature=float(reader.state_float[S_NOZZLE_TEMP]),
        speed_factor=max(1.0, float(reader.state_float[S_SPEED_FACTOR])),
    )


@kernel
def _begin_again(floats: np.ndarray, ints: np.ndarray) -> None:
    floats[Q_X_LO] = floats[Q_Y_LO] = 1e12
    floats[Q_X_HI] = floats[Q_Y_HI] = floats[Q_Z_HI] = -1e12
    floats[Q_FAR] = floats[Q_FILAMENT] = floats[Q_WAY] = floats[Q_RISING] = floats[Q_PLAUSIBLE] = floats[Q_TOLD] = 0.0
    ints[Q_BEGIN_LINE] = ints[Q_BEADS] = ints[Q_LAYERS] = 0


@kernel
def _reach(x: float, y: float, floats: np.ndarray) -> None:
    floats[Q_X_LO] = min(floats[Q_X_LO], x)
    floats[Q_X_HI] = max(floats[Q_X_HI], x)
    floats[Q_Y_LO] = min(floats[Q_Y_LO], y)
    floats[Q_Y_HI] = max(floats[Q_Y_HI], y)
    floats[Q_FAR] = max(floats[Q_FAR], math.hypot(x, y))


@kernel
def _reach_arc(x: float, y: float, cx: float, cy: float, sweep: float, floats: np.ndarray) -> None:
    """The outermost points of the circle, four along the axes and one away from X0 Y0, where the arc passes them."""
    radius = math.hypot(x - cx, y - cy)
    begin = math.atan2(y - cy, x - cx)
    for quarter in range(5):
        angle = quarter * math.pi / 2 if quarter < 4 else math.atan2(cy, cx)
        turn = (angle - begin) % (2 * math.pi)
        if sweep < 0:
            turn = (begin - angle) % (2 * math.pi)
        if turn <= abs(sweep):
            _reach(cx + radius * math.cos(angle), cy + radius * math.sin(angle), floats)


@kernel
def _compare_ends(
    from_x: float, from_y: float, x: float, y: float, cx: float, cy: float, line: int, ints: np.ndarray
) -> None:
    """Count the arc if its ends lie at different distances from its centre (tolerance of LinuxCNC, G2 G3)."""
    before, after = math.hypot(from_x - cx, from_y - cy), math.hypot(x - cx, y - cy)
    off = abs(before - after)
    if off > UNEVEN_MM or (off > EVEN_MM and off > EVEN_SHARE * after):
        ints[Q_UNEVEN] += 1
        if ints[Q_UNEVEN_LINE] == 0:
            ints[Q_UNEVEN_LINE] = line


@inlined
def _lay(
    r: int, kind: np.ndarray, words: np.ndarray, line: np.ndarray, x: np.ndarray, y: np.ndarray, z: np.ndarray,
    de: np.ndarray, arc: np.ndarray, arcs: np.ndarray, filament_area: float, floats: np.ndarray, ints: np.ndarray,
) -> int:  # fmt: skip
    """Count the run of beads that begins at row `r`; returns the row behind it. Sums stay out of memory meanwhile.

    A bead on a line that firmwares obey differently doesn't tell that the print has begun: its height isn't certain.
    """
    _reach(x[r - 1], y[r - 1], floats)
    begin, layers, layer_z, z_hi = r, ints[Q_LAYERS], floats[Q_Z], floats[Q_Z_HI]
    x_lo, x_hi, y_lo, y_hi = floats[Q_X_LO], floats[Q_X_HI], floats[Q_Y_LO], floats[Q_Y_HI]
    far = floats[Q_FAR] * floats[Q_FAR] * NEARLY
    filament, way_sum, told = floats[Q_FILAMENT], floats[Q_WAY], floats[Q_TOLD]
    plausible, rising = floats[Q_PLAUSIBLE], floats[Q_RISING]
    while r < len(kind) and kind[r] == BEAD:
        px, py, pz = x[r], y[r], z[r]
        if pz > floats[Q_BEGIN_Z] + LAYER_STEP_MM and not words[r] & W_ODD:
            ints[Q_SETTLED] = 1
        if pz > layer_z + LAYER_STEP_MM:
            layers += 1
        if abs(pz - layer_z) > LAYER_STEP_MM:
            layer_z = pz
        dx, dy = px - x[r - 1], py - y[r - 1]
        way = math.sqrt(dx * dx + dy * dy)
        a = arc[r]
        if a >= 0:
            cx, cy, sweep = arcs[A_CX, a], arcs[A_CY, a], arcs[A_SWEEP, a]
            way = abs(sweep) * math.hypot(px - cx, py - cy)
            _reach_arc(x[r - 1], y[r - 1], cx, cy, sweep, floats)
            _compare_ends(x[r - 1], y[r - 1], px, py, cx, cy, line[r], ints)
        x_lo, x_hi, y_lo, y_hi = min(x_lo, px), max(x_hi, px), min(y_lo, py), max(y_hi, py)
        if px * px + py * py > far:
            _reach(px, py, floats)
            far = floats[Q_FAR] * floats[Q_FAR] * NEARLY
        z_hi = max(z_hi, pz)
        filament += de[r]
        way_sum += way
        told += way
        if THINNEST_MM2 * way <= filament_area * de[r] <= THICKEST_MM2 * way:
            plausible += way
        if pz != z[r - 1]:
            rising += 1.0
        r += 1
    floats[Q_X_LO], floats[Q_X_HI] = min(floats[Q_X_LO], x_lo), max(floats[Q_X_HI], x_hi)
    floats[Q_Y_LO], floats[Q_Y_HI] = min(floats[Q_Y_LO], y_lo), max(floats[Q_Y_HI], y_hi)
    floats[Q_FILAMENT], floats[Q_WAY], floats[Q_TOLD] = filament, way_sum, told
    floats[Q_PLAUSIBLE], floats[Q_RISING], floats[Q_Z_HI], floats[Q_Z] = plausible, rising, z_hi, layer_z
    ints[Q_LAYERS] = layers
    ints[Q_BEADS] += r - begin
    return r


@kernel
def _survey(
    kind: np.ndarray, code: np.ndarray, words: np.ndarray, line: np.ndarray, x: np.ndarray, y: np.ndarray,
    z: np.ndarray, de: np.ndarray, arc: np.ndarray, arcs: np.ndarray, filament_area: float, floats: np.ndarray,
    ints: np.ndarray,
) -> None:  # fmt: skip
    r = 1
    while r < len(kind):
        k = kind[r]
        if k == BEAD:
            if ints[Q_DOUBT] == 1 and ints[Q_SETTLED] == 0:
                same_layer = z[r] <= floats[Q_BEGIN_Z] + LAYER_STEP_MM
                if same_layer or ints[Q_BEADS] < PRIME_BEADS:
                    _begin_again(floats, ints)
            ints[Q_DOUBT] = 0
            if ints[Q_BEGIN_LINE] == 0:
                ints[Q_BEGIN_LINE] = line[r]
                floats[Q_BEGIN_Z] = floats[Q_Z] = z[r]
                ints[Q_LAYERS] = 1
            r = _lay(r, kind, words, line, x, y, z, de, arc, arcs, filament_area, floats, ints)
            ints[Q_LAST_LINE] = line[r - 1]
            continue
        if k == WALL:
            if code[r] == WALL_UNKNOWN or code[r] == WALL_HOMING:
                ints[Q_DOUBT] = 1
        elif k == RETRACT or k == FW_RETRACT:
            ints[Q_RETRACTIONS] += 1
        elif k == WIPE or k == TRAVEL:
            a = arc[r]
            if a >= 0:
                _compare_ends(x[r - 1], y[r - 1], x[r], y[r], arcs[A_CX, a], arcs[A_CY, a], line[r], ints)
        if (k == WIPE or k == TRAVEL) and words[r] & W_E:
            # Relative amounts that are read as sums stand still or run backward about as often as forward.
            floats[Q_TOLD] += math.hypot(x[r] - x[r - 1], y[r] - y[r - 1])
        r += 1
