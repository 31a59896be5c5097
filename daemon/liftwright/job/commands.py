"""Commands that are no motion: modes, shifts, tools, labels, heaters; the ones that aren't known are walls.

1. G92 shifts only the axes it names; bare G92 means different things to
   different firmwares and is counted. Rows hold bed coordinates (shifts undone).
2. A command that isn't known to leave the nozzle where it is, is a wall: the position is unknown until X, Y and Z have
   been seen in absolute positioning.
"""

import math

import numpy as np

from liftwright.job.columns import (
    BEFORE_TOOL,
    F_VALUE,
    LABEL,
    LIMIT,
    MAX_UNKNOWN,
    MODE,
    NOTE,
    S_ABSOLUTE,
    S_BARE_G92,
    S_BEADS,
    S_E,
    S_E_BOTH,
    S_E_LAST,
    S_E_PENDING,
    S_FEED,
    S_FW_LIFT,
    S_HEATERS,
    S_KNOWN,
    S_LABEL,
    S_LINE,
    S_LOST,
    S_M82_SEEN,
    S_MODE_LINE,
    S_NOZZLE_TEMP,
    S_OPTIONAL,
    S_OX,
    S_SCALE,
    S_SPEED_FACTOR,
    S_TEMPLATE,
    S_UNKNOWN,
    S_VOLUME,
    S_X,
    W_ODD,
    WALL_UNKNOWN,
)
from liftwright.job.rows import add_frame, add_row, settle_e, wall
from liftwright.job.words import (
    BRACE,
    BRACKET,
    FNV_OFFSET,
    FNV_PRIME,
    PAREN,
    PAREN_END,
    SEMICOLON,
    command_name,
    is_line_end,
    line_end,
    read_number,
    skip_blanks,
    upper,
)
from liftwright.kernels import kernel

# Commands that leave the nozzle where it is (firmware documents): temperatures, fans, messages, reports, timers,
# accelerations and tuning. M117, M118 and M486 A carry text and are told apart below.
NEUTRAL_M = np.array(
    [104, 105, 106, 107, 108, 109, 110, 111, 114, 115, 117, 118, 119, 140, 141, 155, 190, 191, 73, 75, 76, 77, 78, 150,
     300, 302, 355, 400, 413, 503, 572, 593, 900, 220, 221, 201, 203, 204, 205, 207, 208, 209, 486], dtype=np.int64
)  # fmt: skip
LIMIT_M = np.array([201, 203, 204, 205, 220, 221], dtype=np.int64)
PAUSE_M = np.array([0, 1, 2, 25, 30, 125, 226, 600, 601], dtype=np.int64)
BED_BIT = 1 << 62
ANY_NOZZLE_BIT = 1 << 61
HOMING_G = np.array([28, 29, 30, 31, 32, 33, 34, 35, 38, 80, 81, 132], dtype=np.int64)


def name_hash(name: str) -> np.uint64:
    """The hash that `command_name` gives for this name (FNV-1a, 64 bits)."""
    h = 14695981039346656037
    for c in name.upper().encode():
        h = ((h ^ c) * 1099511628211) & 0xFFFFFFFFFFFFFFFF
    return np.uint64(h)


H_VELOCITY_LIMIT = name_hash("SET_VELOCITY_LIMIT")
H_OBJECT_DEFINE = name_hash("EXCLUDE_OBJECT_DEFINE")
H_OBJECT_START = name_hash("EXCLUDE_OBJECT_START")
H_OBJECT_END = name_hash("EXCLUDE_OBJECT_END")


@kernel
def among(value: int, values: np.ndarray) -> bool:
    for other in values:  # noqa: SIM110  (kernels know no generators)
        if value == other:
            return True
    return False


@kernel
def _tail(buf: np.ndarray, i: int, si: np.ndarray) -> tuple[int, bool]:
    """Skip what is left of a command line that needs no reading: (its end, whether a second command stands there)."""
    second = False
    quoted = False
    while True:
        c = buf[i]
        if is_line_end(c):
            return i, second
        if c == 34:
            quoted = not quoted
        if not quoted:
            if c == SEMICOLON:
                return line_end(buf, i), second
            if c == BRACE:
                si[S_TEMPLATE] = si[S_TEMPLATE] or si[S_LINE]
            if (c == 71 or c == 77 or c == 103 or c == 109) and 48 <= buf[i + 1] <= 57:
                second = True
        i += 1


@kernel
def set_position(buf: np.ndarray, i: int, sf: np.ndarray, si: np.ndarray, frames: np.ndarray) -> tuple[int, bool]:
    """G92: (where its words end, whether an axis was shifted, or would be in the middle of a lift). Unnamed axes keep
    their value."""
    named = False
    shifted = height = False
    while True:
        i = skip_blanks(buf, i)
        c = upper(buf[i])
        if is_line_end(c) or c < 65 or c > 90:
            break
        k = skip_blanks(buf, i + 1)
        value, _, after = read_number(buf, k)
        if after < 0:
            if c == 88 or c == 89 or c == 90 or c == 69:
                si[S_BARE_G92] = si[S_BARE_G92] or si[S_LINE]
                value, after = 0.0, k
            else:
                break
        if c == 69:
            sf[S_E] = value
            sf[S_E_PENDING] = 0.0
            named = True
        elif 88 <= c <= 90:
            slot = c - 88
            named = True
            height = height or c == 90
            # Rounded before it is compared: 0.653 inches again is no shift, though the product has noise.
            shift = np.rint((sf[S_X + slot] - value * sf[S_SCALE]) * 1e9) / 1e9
            if not si[S_KNOWN] & (1 << slot):
                # Nobody knows where the axis is. Before the print that only moves the origin; later it is lost.
                shift = 0.0
                si[S_KNOWN] &= ~(1 << (slot + BEFORE_TOOL))
                sf[S_X + slot] = value * sf[S_SCALE]
                if si[S_BEADS] > 0:
                    si[S_LOST] |= 1 << slot
            if shift != sf[S_OX + slot]:
                sf[S_OX + slot] = shift
                shifted = True
        elif c == 71 or c == 77:
            break
        i = after
    if not named:
        si[S_BARE_G92] = si[S_BARE_G92] or si[S_LINE]
    if shifted:
        add_frame(sf, si, frames)
    return i, shifted or height


@kernel
def words_of(buf: np.ndarray, i: int) -> tuple[float, float, float, float, float, int]:
    """S, P, L, D and T of a command (NaN where missing), and the end of the words that could be read."""
    s = p = l = d = t = np.nan  # noqa: E741
    while True:
        i = skip_blanks(buf, i)
        c = upper(buf[i])
        if c < 65 or c > 90:
            break
        k = skip_blanks(buf, i + 1)
        value, _, after = read_number(buf, k)
        if after < 0:
            break
        if c == 83:
            s = value
        elif c == 80:
            p = value
        elif c == 76:
            l = value  # noqa: E741
        elif c == 68:
            d = value
        elif c == 84:
            t = value
        i = after
    return s, p, l, d, t, i


@kernel
def is_over(buf: np.ndarray, i: int) -> bool:
    """Is nothing but comments left of the line at `i`, where its words end? Else firmwares may obey it or not."""
    i = skip_blanks(buf, i)
    while buf[i] == PAREN:
        while not is_line_end(buf[i]) and buf[i] != PAREN_END:
            i += 1
        if buf[i] == PAREN_END:
            i = skip_blanks(buf, i + 1)
    return bool(is_line_end(buf[i]) or buf[i] == SEMICOLON)


@kernel
def mode_change(sf: np.ndarray, si: np.ndarray, number: int, frames: np.ndarray) -> None:
    if number == 90 or number == 91:
        si[S_ABSOLUTE] = number == 90
        si[S_E_LAST] = number == 90
    elif number == 20 or number == 21:
        # NISTIR 6556 §2.1.2.10: the position stays where it is, only its numbers change.
        scale = 25.4 if number == 20 else 1.0
        settle_e(sf)
        sf[S_E] = np.rint(sf[S_E] * sf[S_SCALE] / scale * 1e9) / 1e9
        sf[S_FEED] *= sf[S_SCALE] / scale
        sf[S_SCALE] = scale
    add_frame(sf, si, frames)


@kernel
def m_command(
    buf: np.ndarray, i: int, number: int, start: int, sf: np.ndarray, si: np.ndarray, fc: np.ndarray, ic: np.ndarray,
    jc: np.ndarray, bc: np.ndarray,
) -> int:  # fmt: skip
    """One M command that is known; returns where reading goes on: a line end, or the next command of the line."""
    if number == 82 or number == 83:
        si[S_E_LAST] = si[S_E_BOTH] = number == 82
        si[S_MODE_LINE] = si[S_LINE]
        si[S_M82_SEEN] = 1
        add_row(MODE, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
        return i
    if number == 117 or number == 118:
        return line_end(buf, i)
    if number == 486:
        k = skip_blanks(buf, i)
        if upper(buf[k]) == 65:
            add_row(LABEL, 2, W_ODD, start, sf, si, fc, ic, jc, bc)
            return line_end(buf, i)
        s, _, _, _, _, _ = words_of(buf, i)
        if not np.isnan(s):
            si[S_LABEL] = int(s) if -1 <= s < 1e6 else -1
            add_row(LABEL, 1, W_ODD, start, sf, si, fc, ic, jc, bc)
        return line_end(buf, i)
    s, _, _, d, t, rest = words_of(buf, i)
    if number == 140 or number == 190:
        if not np.isnan(s):
            si[S_HEATERS] = si[S_HEATERS] | BED_BIT if s > 0 else si[S_HEATERS] & ~BED_BIT
    elif number == 104 or number == 109:
        nozzle_bit = 1 << (int(t) % 60) if t >= 0 else ANY_NOZZLE_BIT
        if s > 0:
            si[S_HEATERS] |= nozzle_bit
            sf[S_NOZZLE_TEMP] = max(sf[S_NOZZLE_TEMP], s)
        elif s == 0:
            # With a tool number it ends what stood without one; without, all nozzles: a job that switches off is whole.
            si[S_HEATERS] &= ~(nozzle_bit | ANY_NOZZLE_BIT) if t >= 0 else BED_BIT
    end, second = _tail(buf, i, si)
    if second or ((number == 207 or number == 220) and not is_over(buf, rest)):
        wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
        return end
    if number == 200:
        sf[S_VOLUME] = math.pi * d * d / 4 if d > 0 else 0.0
    elif number == 207:
        k = i
        while k < end:
            if upper(buf[k]) == 90:
                value, _, after = read_number(buf, skip_blanks(buf, k + 1))
                if after >= 0 and value > 0.01:
                    si[S_FW_LIFT] = 1
            k += 1
    elif among(number, LIMIT_M):
        r = add_row(LIMIT, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
        fc[F_VALUE, r] = number
        if number == 220 and s > 0:
            sf[S_SPEED_FACTOR] = max(sf[S_SPEED_FACTOR], s / 100.0)
    elif number == 106 or number == 107 or number == 73:
        r = add_row(NOTE, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
        fc[F_VALUE, r] = number
    return end


@kernel
def _object_id(buf: np.ndarray, i: int, end: int) -> int:
    """A label number for the NAME= of an object command; numbers of M486 are small, so these begin at a million."""
    while i + 5 < end and not (
        upper(buf[i]) == 78 and upper(buf[i + 1]) == 65 and upper(buf[i + 2]) == 77 and buf[i + 4] == 61
    ):
        i += 1
    h = FNV_OFFSET
    for k in range(min(i + 5, end), end):
        if buf[k] == 32 or buf[k] == SEMICOLON:
            break
        h = (h ^ np.uint64(buf[k])) * FNV_PRIME
    return 1_000_000 + int(h & np.uint64(0x3FFFFFFF))


@kernel
def _begins_block(buf: np.ndarray, i: int) -> bool:
    """`if`, `while` or an O-word with a name behind its number: lines follow that may run once, often or never."""
    c = upper(buf[i])
    if c == 79:
        k = i + 1
        while 48 <= buf[k] <= 57:
            k += 1
        return bool(k > i + 1 and 65 <= upper(buf[skip_blanks(buf, k)]) <= 90)
    if c == 73 and upper(buf[i + 1]) == 70:
        k = i + 2
    elif (
        c == 87 and upper(buf[i + 1]) == 72 and upper(buf[i + 2]) == 73 and upper(buf[i + 3]) == 76
        and upper(buf[i + 4]) == 69
    ):  # fmt: skip
        k = i + 5
    else:
        return False
    return bool(buf[k] == 32 or buf[k] == 9 or buf[k] == BRACE or buf[k] == PAREN)


@kernel
def unknown_command(
    buf: np.ndarray, i: int, start: int, neutral: np.ndarray, unknown: np.ndarray, sf: np.ndarray, si: np.ndarray,
    fc: np.ndarray, ic: np.ndarray, jc: np.ndarray, bc: np.ndarray,
) -> int:  # fmt: skip
    """A command known by name alone: object labels, velocity limits, the operator's neutral ones; else a wall."""
    h, after = command_name(buf, i)
    end = line_end(buf, after)
    if h == H_VELOCITY_LIMIT:
        add_row(LIMIT, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
        return end
    if h == H_OBJECT_DEFINE:
        return end
    if h == H_OBJECT_START or h == H_OBJECT_END:
        si[S_LABEL] = _object_id(buf, after, end) if h == H_OBJECT_START else -1
        add_row(LABEL, 3 if h == H_OBJECT_START else 4, W_ODD, start, sf, si, fc, ic, jc, bc)
        return end
    if _begins_block(buf, i):
        si[S_OPTIONAL] = si[S_OPTIONAL] or si[S_LINE]
    for k in range(len(neutral)):
        if neutral[k] == h:
            return end
    if buf[i] == BRACE or buf[i] == BRACKET:
        si[S_TEMPLATE] = si[S_TEMPLATE] or si[S_LINE]
    found = False
    for k in range(si[S_UNKNOWN]):
        if np.uint64(unknown[0, k]) == h:
            found = True
            break
    if not found and si[S_UNKNOWN] < MAX_UNKNOWN:
        k = si[S_UNKNOWN]
        unknown[0, k] = np.int64(h)
        unknown[1, k] = i
        unknown[2, k] = after
        si[S_UNKNOWN] = k + 1
    wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
    return end
