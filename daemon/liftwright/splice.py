"""Lifts to bytes: the lines of rewritten travels are replaced, every other byte is copied.

1. Only motion lines of a rewritten travel are touched. A line that moves in XY becomes one line for each vertex of the
   profile on its way and one for its end; a line that moves in Z alone goes, since the profile holds its height.
2. Every emitted motion line states X, Y and Z in the positioning mode in force; in G91 the increments add up exactly.
3. The comment of a replaced line stays, on a line of its own before what replaces it.
4. Where Z would be asked for more speed than its limit, the feed of that piece is lowered; the modal feed that the job
   had behind the travel is restored before anything uses it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.digits import PLACES, UNIT, lowered_feed, rounded, rounded_up, to_units, write_units
from liftwright.job.columns import (
    BEAD,
    FEED,
    FW_PRIME,
    FW_RETRACT,
    PRIME,
    R_ABSOLUTE,
    R_SCALE,
    R_X,
    R_Y,
    R_Z,
    RETRACT,
    TOOL,
    TRAVEL,
    W_F,
    WIPE,
)
from liftwright.job.moves import Window
from liftwright.kernels import kernel
from liftwright.plan.lifts import Lifts
from liftwright.plan.travels import FREE, Travels

LINE_BYTES = 200  # no emitted motion line is longer
SAME_PLACE_MM = 1e-6
SAME_FEED = 1e-7  # mm/min; feeds are written to a billionth, of an inch at most
MARK = b" ;lw "
STEPS = np.array([UNIT // 10**places for places in range(PLACES + 1)], dtype=np.int64)

# Slots of the pen: where the emitted job stands, in bed coordinates, and its modal feed in mm/min: the number that the
# job writes means another speed behind G20 or G21.
P_X, P_Y, P_Z, P_FEED = range(4)


@dataclass(frozen=True, slots=True)
class Spliced:
    """The window's new bytes, and the moves that took the place of rows: `row`s in order, moves at[k]:at[k + 1] each.

    x, y, z in mm (bed coordinates), feed in mm/s. A row without moves was taken away.
    lines_added: lines put in less lines taken out.
    """

    text: memoryview
    row: NDArray[np.int64]
    at: NDArray[np.int64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    z: NDArray[np.float64]
    feed: NDArray[np.float64]
    lines_added: int


@dataclass(frozen=True, slots=True)
class SpliceTerms:
    """places: decimals of inserted words. z_speed: limit in mm/s. note: the word of the shape, b"" for no comment."""

    places: int
    z_speed: float
    note: bytes


class Splicer:
    """Applies the lifts of one window after the other; the buffer it returns is overwritten by the next call."""

    def __init__(self, terms: SpliceTerms) -> None:
        self._terms = terms
        self._note = np.frombuffer((MARK + terms.note + b" +") if terms.note else b"", np.uint8)
        self._out = np.empty(0, np.uint8)
        self._rows = np.empty((2, 0), np.int64)
        self._moves = np.empty((4, 0))

    def apply(self, window: Window, travels: Travels, lifts: Lifts) -> Spliced:
        """The window with its lifts in place; the arrays are overwritten by the next call."""
        moves = window.moves
        lifted = lifts.reason == FREE
        rows = int((travels.last - travels.first)[lifted].sum())
        room = window.size + LINE_BYTES * (rows + int(lifts.at[-1]) + 2 * int(lifted.sum())) + LINE_BYTES
        if len(self._out) < room:
            self._out = np.empty(room, np.uint8)
        if self._rows.shape[1] <= rows:
            self._rows = np.empty((2, 2 * rows + 1), np.int64)
        if self._moves.shape[1] < rows + int(lifts.at[-1]):
            self._moves = np.empty((4, 2 * (rows + int(lifts.at[-1]))))
        used = np.zeros(3, np.int64)
        n = _splice(
            window.buf, window.size, self._terms.places, self._terms.z_speed, self._note, moves.kind, moves.code,
            moves.words, moves.frame, moves.start, moves.end, moves.x, moves.y, moves.z, moves.f, moves.frames,
            travels.first, travels.last, travels.z0, travels.z1, lifts.reason, lifts.at, lifts.s, lifts.z, np.empty(4),
            self._out, self._rows, self._moves, used,
        )  # fmt: skip
        replaced, pieces, apart = (int(n) for n in used)
        self._rows[1, replaced] = pieces
        text = memoryview(self._out)[:n]  # type: ignore[arg-type]
        x, y, z, feed = self._moves[:, :pieces]
        row, at = self._rows[0, :replaced], self._rows[1, : replaced + 1]
        return Spliced(text, row, at, x, y, z, feed, pieces + apart - replaced)


@kernel
def _copy(buf: np.ndarray, begin: int, end: int, out: np.ndarray, at: int) -> int:
    for k in range(end - begin):
        out[np.uint64(at + k)] = buf[np.uint64(begin + k)]
    return at + max(0, end - begin)


@kernel
def _copy_line_end(buf: np.ndarray, end: int, out: np.ndarray, at: int) -> int:
    """The line end that stands at `end`: CR, LF or both."""
    out[at] = buf[end]
    at += 1
    if buf[end] == 13 and buf[end + 1] == 10:
        out[at] = 10
        at += 1
    return at


@kernel
def _keep_comment(buf: np.ndarray, begin: int, end: int, out: np.ndarray, at: int) -> int:
    """The comment of a replaced line, on a line of its own."""
    for k in range(begin, end):
        if buf[k] == 59 or buf[k] == 40:
            return _copy_line_end(buf, end, out, _copy(buf, k, end, out, at))
    return at


@kernel
def _axis(
    letter: int, target: float, rise: bool, shift: float, axis: int, scale: float, absolute: bool, step: int,
    places: int, pen: np.ndarray, out: np.ndarray, at: int,
) -> int:  # fmt: skip
    """One word; `step` 1 for a place that must be met exactly, else the grain of inserted numbers."""
    logical = (target - shift) / scale
    if step == 1:
        units = to_units(logical)
    else:
        units = rounded_up(logical, step) if rise else rounded(logical, step)
    shown = units if absolute else units - to_units((pen[axis] - shift) / scale)
    pen[axis] = units / 1e9 * scale + shift
    out[at] = 32
    out[at + 1] = letter
    return write_units(shown, places, out, at + 2)


@kernel
def _piece(
    buf: np.ndarray, g: int, x: float, y: float, z: float, exact: bool, exact_z: bool, feed: float, places: int,
    z_speed: float, code: np.ndarray, frame: np.ndarray, end: np.ndarray, frames: np.ndarray, note: np.ndarray,
    rise: float,
    pen: np.ndarray, out: np.ndarray, at: int, moves: np.ndarray, used: np.ndarray,
) -> int:  # fmt: skip
    """One emitted line to (x, y, z) in place of row g's; `feed` as the job writes it for this row."""
    r = frame[g]
    scale = frames[R_SCALE, r]
    absolute = frames[R_ABSOLUTE, r] == 1.0
    grain = max(places, 4) if scale != 1.0 else places
    step = STEPS[grain]
    x_before, y_before, z_before = pen[P_X], pen[P_Y], pen[P_Z]
    out[at] = 71
    out[at + 1] = 48 + code[g]
    at += 2
    at = _axis(88, x, False, frames[R_X, r], P_X, scale, absolute, 1 if exact else step, grain, pen, out, at)
    at = _axis(89, y, False, frames[R_Y, r], P_Y, scale, absolute, 1 if exact else step, grain, pen, out, at)
    at = _axis(90, z, True, frames[R_Z, r], P_Z, scale, absolute, 1 if exact_z else step, grain, pen, out, at)
    climb = abs(pen[P_Z] - z_before)
    way = math.hypot(pen[P_X] - x_before, pen[P_Y] - y_before)
    wanted = feed
    if climb > SAME_PLACE_MM:
        # Z's share of the speed along a sloped move is climb / path (feed counts along the path).
        limit = z_speed * math.hypot(way, climb) / climb
        if feed * scale / 60.0 > limit:
            wanted = lowered_feed(limit, scale)
    if abs(wanted * scale - pen[P_FEED]) > SAME_FEED:
        out[at] = 32
        out[at + 1] = 70
        at = write_units(to_units(wanted), 0, out, at + 2)
        pen[P_FEED] = wanted * scale
    m = used[1]
    moves[0, m] = pen[P_X]
    moves[1, m] = pen[P_Y]
    moves[2, m] = pen[P_Z]
    moves[3, m] = wanted * scale / 60.0
    used[1] = m + 1
    if rise >= 0.0 and len(note) > 0:
        at = _copy(note, 0, len(note), out, at)
        at = write_units(rounded_up(rise, UNIT // 100), 2, out, at)
    return _copy_line_end(buf, end[g], out, at)


@kernel
def _restore_feed(
    buf: np.ndarray, line: int, kind: np.ndarray, words: np.ndarray, end: np.ndarray, f: np.ndarray, scale: float,
    pen: np.ndarray, out: np.ndarray, at: int,
) -> int:  # fmt: skip
    """A bare feed line behind the replaced row `line`, unless the feed is right or the next motion brings its own."""
    wanted = f[line]
    if abs(pen[P_FEED] - wanted * scale) <= SAME_FEED:
        return at
    for q in range(line + 1, len(kind)):
        k = kind[q]
        if k == BEAD or k == WIPE or k == TRAVEL or k == FEED or k == RETRACT or k == PRIME:
            if words[q] & W_F:
                return at
            break
        if k == FW_RETRACT or k == FW_PRIME or k == TOOL:
            break  # firmware moves by itself here; it must find the feed that the job left it
    out[at] = 71
    out[at + 1] = 49
    out[at + 2] = 32
    out[at + 3] = 70
    at = write_units(to_units(wanted), 0, out, at + 4)
    return _copy_line_end(buf, end[line], out, at)


@kernel
def _splice(
    buf: np.ndarray, size: int, places: int, z_speed: float, note: np.ndarray, kind: np.ndarray, code: np.ndarray,
    words: np.ndarray, frame: np.ndarray, start: np.ndarray, end: np.ndarray, x: np.ndarray, y: np.ndarray,
    z: np.ndarray, f: np.ndarray, frames: np.ndarray, first: np.ndarray, last: np.ndarray, z0: np.ndarray,
    z1: np.ndarray, reason: np.ndarray, vat: np.ndarray, vs: np.ndarray, vz: np.ndarray, pen: np.ndarray,
    out: np.ndarray,
    rows: np.ndarray, moves: np.ndarray, used: np.ndarray,
) -> int:  # fmt: skip
    """Fill `out` with the window's bytes, lifts in place, and the tables of `Spliced`; returns how many bytes."""
    copied = 0
    at = 0
    for i in range(len(first)):
        if reason[i] != FREE or vat[i + 1] == vat[i]:
            continue
        a, b = first[i], last[i]
        p, stop = vat[i] + 1, vat[i + 1]
        pen[P_X] = x[a - 1]
        pen[P_Y] = y[a - 1]
        pen[P_Z] = z[a - 1]
        pen[P_FEED] = f[a - 1] * frames[R_SCALE, frame[a - 1]]
        rise = -max(z0[i], z1[i])
        for k in range(vat[i], stop):
            rise = max(rise, vz[k] - max(z0[i], z1[i]))
        rise = max(rise, 0.0)
        final = a
        edited = -1
        for g in range(a, b):
            if kind[g] == TRAVEL:
                edited = g
                if x[g] != x[g - 1] or y[g] != y[g - 1]:
                    final = g
        s = 0.0
        for g in range(a, b):
            if kind[g] == FEED:
                pen[P_FEED] = f[g] * frames[R_SCALE, frame[g]]
            if kind[g] != TRAVEL:
                continue
            at = _copy(buf, copied, start[g], out, at)
            copied = end[g] + 1
            if buf[end[g]] == 13 and copied < size and buf[copied] == 10:
                copied += 1
            before = at
            at = _keep_comment(buf, start[g], end[g], out, at)
            used[2] += at > before
            rows[0, used[0]] = g
            rows[1, used[0]] = used[1]
            used[0] += 1
            way = math.hypot(x[g] - x[g - 1], y[g] - y[g - 1])
            if way > 0.0:
                s_end = s + way
                arrived = False
                while p < stop and (vs[p] < s_end - SAME_PLACE_MM or g == final or vs[p] <= s_end + SAME_PLACE_MM):
                    here = vs[p] <= s + SAME_PLACE_MM
                    there = not here and vs[p] >= s_end - SAME_PLACE_MM
                    share = 0.0 if here else (1.0 if there else (vs[p] - s) / way)
                    px = x[g] if there else x[g - 1] + share * (x[g] - x[g - 1])
                    py = y[g] if there else y[g - 1] + share * (y[g] - y[g - 1])
                    exact_z = p == stop - 1 or vz[p] == z0[i] or vz[p] == z1[i]
                    at = _piece(
                        buf, g, px, py, vz[p], here or there, exact_z, f[g], places, z_speed, code, frame, end, frames,
                        note, rise, pen, out, at, moves, used,
                    )  # fmt: skip
                    rise = -1.0
                    arrived = there
                    p += 1
                if not arrived and p < stop:
                    share = (s_end - vs[p - 1]) / (vs[p] - vs[p - 1])
                    height = vz[p - 1] + share * (vz[p] - vz[p - 1])
                    level = vz[p - 1] == vz[p] and (height == z0[i] or height == z1[i])
                    at = _piece(
                        buf, g, x[g], y[g], height, True, level, f[g], places, z_speed, code, frame, end, frames, note,
                        rise, pen, out, at, moves, used,
                    )  # fmt: skip
                    rise = -1.0
                s = s_end
            if g == edited:
                before = at
                at = _restore_feed(buf, g, kind, words, end, f, frames[R_SCALE, frame[g]], pen, out, at)
                used[2] += at > before
    return _copy(buf, copied, size, out, at)
