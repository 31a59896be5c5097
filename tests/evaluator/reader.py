"""Job bytes in, one table of straight pieces of motion out, in absolute millimetres.

Rules of this reader:
1. A line counts only if its first word is G, M or T with a number; anything else moves nothing here.
2. Relative extrusion holds under M83, and under G91 whatever M82 said; G90 ends the latter only,
   unless `g90_sets_extrusion` says that this machine's G90 sets the extruder mode too.
3. Homing puts the homed axes at zero and tells the reader of the ground that a new print may begin.
4. Arcs become chords of at most 0.3 mm and ten degrees; extruded length is shared out evenly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

BEAD, WIPE, TRAVEL, PULL, PUSH = 1, 2, 3, 4, 5
CHORD_MM = 0.3
CHORD_RAD = math.radians(10.0)
E_NOISE = 1e-9  # differences of equal decimal texts are exactly zero; this only guards sums


@dataclass(frozen=True, slots=True)
class Pieces:
    """Columns, one row a straight piece: kind, line (1-based), ends, filament pushed, full-turn mark."""

    kind: np.ndarray
    line: np.ndarray
    ends: np.ndarray  # n × 6: x0 y0 z0 x1 y1 z1
    pushed: np.ndarray
    turn: np.ndarray  # 1 where the piece belongs to an arc that ends where it began


def read(data: bytes, *, filament_mm: float = 1.75, g90_sets_extrusion: bool = False) -> Pieces:
    """The motion of a whole job. Never fails: bytes that are no commands yield no rows."""
    raw = np.frombuffer(data, dtype=np.uint8)
    area = math.pi * filament_mm**2 / 4
    empty = (np.empty(0, np.uint8), np.empty(0, np.int64), np.empty((0, 6)), np.empty(0), np.empty(0, np.uint8))
    rows = _scan(raw, area, g90_sets_extrusion, False, *empty)
    columns = (np.empty(rows, np.uint8), np.empty(rows, np.int64), np.empty((rows, 6)), np.empty(rows),
               np.empty(rows, np.uint8))
    _scan(raw, area, g90_sets_extrusion, True, *columns)
    return Pieces(*columns)


@njit(cache=True)
def _number(raw, at, end):
    """(value, position after it); the position does not move if no number stands there."""
    i = at
    while i < end and (raw[i] == 32 or raw[i] == 9):
        i += 1
    sign = 1.0
    if i < end and (raw[i] == 43 or raw[i] == 45):
        if raw[i] == 45:
            sign = -1.0
        i += 1
    digits = 0
    mantissa = 0.0
    decimals = 0
    dot = False
    while i < end:
        c = raw[i]
        if 48 <= c <= 57:
            if digits < 17:
                mantissa = mantissa * 10.0 + (c - 48)
                if dot:
                    decimals += 1
            elif not dot:
                mantissa *= 10.0
            digits += 1
        elif c == 46 and not dot:
            dot = True
        else:
            break
        i += 1
    if digits == 0:
        return 0.0, at
    return sign * mantissa / 10.0**decimals, i


@njit(cache=True)
def _words(raw, at, end, value, has, codes):
    """Fill value/has (by letter) and the list of G numbers; returns (first letter or 0, count of G)."""
    has[:] = False
    first = 0
    n_codes = 0
    i = at
    while i < end:
        c = raw[i]
        if c == 59 or c == 42:  # ; and *
            break
        if c == 40:
            while i < end and raw[i] != 41:
                i += 1
            i += 1
            continue
        if 97 <= c <= 122:
            c -= 32
        if c < 65 or c > 90:
            if first == 0 and c > 32 and c < 128 and c != 47:
                return 0, 0
            i += 1
            continue
        number, after = _number(raw, i + 1, end)
        numbered = after > i + 1
        if first == 0:
            if not numbered or (c != 71 and c != 77 and c != 84 and c != 78):
                return 0, 0
            if c != 78:  # a line number is passed over
                first = c
        if c == 71 and numbered and n_codes < 8:
            codes[n_codes] = number
            n_codes += 1
        elif first != 0:
            value[c - 65] = number
            has[c - 65] = True
            if c == 77 and number != 82 and number != 83 and number != 200:
                break  # the rest of such a line may be text
        i = max(after, i + 1)
    return first, n_codes


@njit(cache=True)
def _arc(x, y, nx, ny, value, has, unit, clockwise):
    """(cx, cy, sweep, ok) of an arc from (x, y) to (nx, ny)."""
    if has[8] or has[9]:
        cx = x + (value[8] * unit if has[8] else 0.0)
        cy = y + (value[9] * unit if has[9] else 0.0)
    elif has[17]:
        radius = value[17] * unit
        dx, dy = nx - x, ny - y
        d = math.sqrt(dx * dx + dy * dy)
        if d == 0.0:
            return x, y, 0.0, False
        rise = math.sqrt(max(0.0, radius * radius - d * d / 4))
        side = -1.0 if clockwise != (radius < 0) else 1.0
        cx = (x + nx) / 2 - side * rise * dy / d
        cy = (y + ny) / 2 + side * rise * dx / d
    else:
        return x, y, 0.0, False
    a0 = math.atan2(y - cy, x - cx)
    a1 = math.atan2(ny - cy, nx - cx)
    sweep = a1 - a0
    if clockwise:
        if sweep >= -5e-7:
            sweep -= 2 * math.pi
    elif sweep <= 5e-7:
        sweep += 2 * math.pi
    return cx, cy, sweep, True


@njit(cache=True)
def _scan(raw, area, g90_sets_e, keep, kind, line_no, ends, pushed, turn):
    """One pass; counts rows, and fills the columns when `keep`."""
    value = np.zeros(26)
    has = np.zeros(26, np.bool_)
    codes = np.zeros(8)
    pos = np.zeros(4)  # X Y Z E as the machine stands
    off = np.zeros(4)  # position = word + offset
    axis = np.array([23, 24, 25, 4])
    relative = False
    e_relative = False
    unit = 1.0
    volumetric = False
    n = 0
    line = 0
    at = 0
    size = raw.size
    while at < size:
        end = at
        while end < size and raw[end] != 10 and raw[end] != 13:
            end += 1
        line += 1
        first, n_codes = _words(raw, at, end, value, has, codes)
        if end + 1 < size and raw[end] == 13 and raw[end + 1] == 10:
            end += 1
        at = end + 1
        if first == 0:
            continue
        if has[12]:
            if value[12] == 82 or value[12] == 83:
                e_relative = value[12] == 83
            elif value[12] == 200 and has[3]:
                volumetric = value[3] > 0
            continue
        motion = -1
        shift = False
        for k in range(n_codes):
            code = codes[k]
            if code == 90 or code == 91:
                relative = code == 91
                if g90_sets_e:
                    e_relative = relative
            elif code == 20:
                unit = 25.4
            elif code == 21:
                unit = 1.0
            elif code == 92:
                shift = True
            elif code == 28:
                some = has[23] or has[24] or has[25]
                for a in range(3):
                    if has[axis[a]] or not some:
                        pos[a] = 0.0
                        off[a] = 0.0
                motion = -2
            elif code == 0 or code == 1 or code == 2 or code == 3:
                if motion == -1:
                    motion = int(code)
            elif code == 10 or code == 11:
                plain = not (has[15] or has[11] or has[17] or has[18])
                if plain:
                    if keep:
                        kind[n] = PULL if code == 10 else PUSH
                        line_no[n] = line
                        ends[n, 0:3] = pos[0:3]
                        ends[n, 3:6] = pos[0:3]
                        pushed[n] = 0.0
                        turn[n] = 0
                    n += 1
                motion = -2
            else:
                motion = -2
        if shift:
            for a in range(4):
                if has[axis[a]]:
                    off[a] = pos[a] - value[axis[a]] * unit
            continue
        if motion < 0:
            continue
        new = pos.copy()
        for a in range(4):
            if has[axis[a]]:
                step = value[axis[a]] * unit
                if relative or (a == 3 and e_relative):
                    new[a] = pos[a] + step
                else:
                    new[a] = step + off[a]
        de = new[3] - pos[3]
        if has[4] and (relative or e_relative):
            de = value[4] * unit
        if volumetric:
            de /= area
        if abs(de) < E_NOISE:
            de = 0.0
        pieces = 1
        cx, cy, sweep, is_arc = 0.0, 0.0, 0.0, False
        if motion >= 2:
            cx, cy, sweep, is_arc = _arc(pos[0], pos[1], new[0], new[1], value, has, unit, motion == 2)
            if is_arc:
                radius = math.hypot(pos[0] - cx, pos[1] - cy)
                pieces = int(max(1.0, math.ceil(abs(sweep) * radius / CHORD_MM), math.ceil(abs(sweep) / CHORD_RAD)))
        moved_xy = is_arc or new[0] != pos[0] or new[1] != pos[1]
        if moved_xy:
            what = BEAD if de > 0 else (WIPE if de < 0 else TRAVEL)
        elif de != 0:
            what = PUSH if de > 0 else PULL
        elif new[2] != pos[2]:
            what = TRAVEL
        else:
            pos[:] = new
            continue
        if keep:
            full = is_arc and math.hypot(new[0] - pos[0], new[1] - pos[1]) < 1e-6
            px, py, pz = pos[0], pos[1], pos[2]
            a0 = math.atan2(pos[1] - cy, pos[0] - cx)
            r0 = math.hypot(pos[0] - cx, pos[1] - cy)
            for k in range(pieces):
                share = (k + 1) / pieces
                if k == pieces - 1:
                    qx, qy, qz = new[0], new[1], new[2]
                else:
                    qx = cx + r0 * math.cos(a0 + sweep * share)
                    qy = cy + r0 * math.sin(a0 + sweep * share)
                    qz = pos[2] + (new[2] - pos[2]) * share
                kind[n + k] = what
                line_no[n + k] = line
                ends[n + k, 0], ends[n + k, 1], ends[n + k, 2] = px, py, pz
                ends[n + k, 3], ends[n + k, 4], ends[n + k, 5] = qx, qy, qz
                pushed[n + k] = de / pieces
                turn[n + k] = 1 if full else 0
                px, py, pz = qx, qy, qz
        n += pieces
        pos[:] = new
    return n
