"""One G0 to G3: its words to a row, with the arc's circle where it has one.

1. The later of two words with the same letter counts.
2. Whether an E word is absolute depends on the firmware where G90/G91 met M82/M83: both readings are followed,
   `S_DIALECT` says which one counts, and every E word read while they differ is counted as ambiguous.
3. P of an arc (turns) is not followed: an arc ends at its programmed X and Y whatever P says.
"""

import math

import numpy as np

from liftwright.job.columns import (
    A_CX,
    A_CY,
    A_SWEEP,
    BEAD,
    BEFORE_TOOL,
    E_FEED,
    E_NO_NUMBER,
    E_TEMPLATE,
    E_TOO_LARGE,
    F_DE,
    FEED,
    J_ARC,
    PRIME,
    RETRACT,
    S_ABSOLUTE,
    S_AMBIGUOUS,
    S_ARCS,
    S_BEADS,
    S_CHECKSUMS,
    S_DECIMALS,
    S_DIALECT,
    S_E,
    S_E_BOTH,
    S_E_LAST,
    S_E_PENDING,
    S_E_WORDS,
    S_FEED,
    S_KNOWN,
    S_LAST_IS_MACRO,
    S_LOST,
    S_OTHER_AXES,
    S_OX,
    S_OY,
    S_OZ,
    S_PLANE,
    S_SCALE,
    S_VOLUME,
    S_X,
    S_Y,
    S_Z,
    TRAVEL,
    W_E,
    W_F,
    W_I,
    W_J,
    W_ODD,
    W_P,
    W_PLANE,
    W_R,
    W_TURN,
    W_X,
    W_Y,
    W_Z,
    WALL_UNKNOWN,
    WIPE,
)
from liftwright.job.rows import add_row, fail, settle_e, wall
from liftwright.job.words import (
    BRACE,
    CR,
    LF,
    PAREN,
    PAREN_END,
    SEMICOLON,
    STAR,
    is_line_end,
    line_end,
    read_number,
    skip_blanks,
)
from liftwright.kernels import inlined, kernel

FARTHEST_MM = 1e5  # 100 m: no printer goes there, and far beyond it places lose decimals


@inlined
def _axis_word(value: float, axis: int, slot: int, shift: int, base: float, sf: np.ndarray, si: np.ndarray) -> None:
    """Move the state's axis from `base` to where the word says, in bed coordinates."""
    value *= sf[S_SCALE]
    if si[S_ABSOLUTE] == 1:
        sf[slot] = value + sf[shift]
        if sf[S_SCALE] != 1.0 or sf[shift] != 0.0:
            sf[slot] = np.rint(sf[slot] * 1e9) / 1e9
        si[S_KNOWN] |= axis & ~(si[S_LOST] | si[S_LOST] >> 4)
    else:
        # Sums of decimals stay decimals: without the rounding a long relative job drifts off its own grid.
        sf[slot] = np.rint((base + value) * 1e9) / 1e9


@kernel
def arc_of(
    x0: float, y0: float, x1: float, y1: float, clockwise: bool, i: float, j: float, r: float, words: int
) -> tuple[float, float, float]:
    """Centre and signed sweep of an arc (NISTIR 6556 §3.5.3); sweep 0 where no circle fits the words.

    I and J are increments from the start whatever the distance mode (§3.5.17); equal ends make a full circle; R > 0
    takes the turn up to 180°, R < 0 the longer one.
    """
    if words & W_R:
        dx, dy = x1 - x0, y1 - y0
        d = math.hypot(dx, dy)
        if d == 0.0 or r == 0.0:
            return x0, y0, 0.0
        h2 = r * r - d * d / 4
        h = math.sqrt(h2) if h2 > 0 else 0.0
        side = 1.0 if clockwise == (r > 0) else -1.0
        cx = x0 + dx / 2 + side * h * dy / d
        cy = y0 + dy / 2 - side * h * dx / d
    elif words & (W_I | W_J):
        cx, cy = x0 + i, y0 + j
        if i == 0.0 and j == 0.0:
            return x0, y0, 0.0
    else:
        return x0, y0, 0.0
    if x0 == x1 and y0 == y1:
        return cx, cy, -2 * math.pi if clockwise else 2 * math.pi
    sweep = math.atan2(y1 - cy, x1 - cx) - math.atan2(y0 - cy, x0 - cx)
    if clockwise and sweep >= -5e-7:
        sweep -= 2 * math.pi
    elif not clockwise and sweep <= 5e-7:
        sweep += 2 * math.pi
    return cx, cy, sweep


@inlined
def read_motion(
    buf: np.ndarray, i: int, code: int, start: int, odd: int, sf: np.ndarray, si: np.ndarray, fc: np.ndarray,
    ic: np.ndarray, jc: np.ndarray, bc: np.ndarray, ac: np.ndarray,
) -> int:  # fmt: skip
    """Read the words of one G0 to G3 from `i` and append its row; returns where its words end."""
    words = odd
    doubtful = 0
    x0, y0, z0 = sf[S_X], sf[S_Y], sf[S_Z]
    e_word = off_i = off_j = radius = 0.0
    while True:
        c = buf[np.uint64(i)]
        if c == 32 or c == 9:
            i += 1
            continue
        if c == LF or c == CR or c == SEMICOLON:
            break
        if c == PAREN:
            while buf[i] != PAREN_END and not is_line_end(buf[i]):
                i += 1
            if buf[i] == PAREN_END:
                i += 1
            k = skip_blanks(buf, i)
            if not (is_line_end(buf[k]) or buf[k] == SEMICOLON):
                words |= W_ODD
            continue
        if 97 <= c <= 122:
            c -= 32
        if c == STAR:
            si[S_CHECKSUMS] += 1
            i = line_end(buf, i)
            break
        if c < 65 or c > 90:
            fail(si, E_TEMPLATE if c == BRACE or c == 91 else E_NO_NUMBER, i)
            break
        k = i + 1
        while buf[np.uint64(k)] == 32 or buf[np.uint64(k)] == 9:
            k += 1
        value, decimals, after = read_number(buf, k)
        if after < 0:
            if c == 88 or c == 89 or c == 90 or c == 69 or c == 70 or c == 73 or c == 74 or c == 82:
                error = E_TOO_LARGE if after == -2 else (E_TEMPLATE if buf[k] == BRACE or buf[k] == 91 else E_NO_NUMBER)
                fail(si, error, i)
                break
            words |= W_ODD
            doubtful = 1
            i += 1
            continue
        if c == 88:
            doubtful |= words & W_X
            words |= W_X
            _axis_word(value, 1, S_X, S_OX, x0, sf, si)
            if decimals > si[S_DECIMALS]:
                si[S_DECIMALS] = decimals
        elif c == 89:
            doubtful |= words & W_Y
            words |= W_Y
            _axis_word(value, 2, S_Y, S_OY, y0, sf, si)
            if decimals > si[S_DECIMALS]:
                si[S_DECIMALS] = decimals
        elif c == 69:
            doubtful |= words & W_E
            words |= W_E
            e_word = value
        elif c == 70:
            doubtful |= words & W_F
            words |= W_F
            sf[S_FEED] = value
            if value <= 0.0:
                fail(si, E_FEED, i)
        elif c == 90:
            doubtful |= words & W_Z
            words |= W_Z
            _axis_word(value, 4, S_Z, S_OZ, z0, sf, si)
            if decimals > si[S_DECIMALS]:
                si[S_DECIMALS] = decimals
        elif c == 73:
            doubtful |= words & W_I
            words |= W_I
            off_i = value * sf[S_SCALE]
        elif c == 74:
            doubtful |= words & W_J
            words |= W_J
            off_j = value * sf[S_SCALE]
        elif c == 82:
            doubtful |= words & W_R
            words |= W_R
            radius = value * sf[S_SCALE]
        elif c == 80:
            words |= W_P
        elif c == 71 or c == 77:
            words |= W_ODD
            break
        else:
            words |= W_ODD
            doubtful = 1
            if c <= 68 or 85 <= c <= 87:
                si[S_OTHER_AXES] += 1
        i = after
    if doubtful:
        # A repeated letter: firmware lets the later word hold, the standard calls it an error (NISTIR 6556 §3.3.5).
        # A letter that no motion has: the line may have been two, or part of a comment.
        words |= W_ODD
        si[S_KNOWN] = 0
    de = 0.0
    if words & W_E:
        si[S_E_WORDS] += 1
        by_last, by_both = si[S_E_LAST], si[S_E_BOTH] & si[S_ABSOLUTE]
        if by_last != by_both:
            si[S_AMBIGUOUS] += 1
        if (by_last if si[S_DIALECT] == 1 else by_both) == 1:
            settle_e(sf)
            de = e_word - sf[S_E]
            sf[S_E] = e_word
        else:
            de = e_word
            sf[S_E_PENDING] += np.rint(e_word * 1e9)
        de *= sf[S_SCALE]
        if sf[S_VOLUME] > 0:
            de /= sf[S_VOLUME]
    if abs(sf[S_X]) + abs(sf[S_Y]) + abs(sf[S_Z]) + abs(de) > FARTHEST_MM:
        fail(si, E_TOO_LARGE, start)
    arc = -1
    way = sf[S_X] != x0 or sf[S_Y] != y0
    if code >= 2:
        cx, cy, sweep = arc_of(x0, y0, sf[S_X], sf[S_Y], code == 2, off_i, off_j, radius, words)
        if sweep == 0.0 or si[S_PLANE] != 0:
            words |= W_ODD
            doubtful = 1
            si[S_KNOWN] = 0  # firmware refuses such an arc, or turns elsewhere: nobody knows where the nozzle is
        else:
            arc = si[S_ARCS]
            ac[A_CX, arc] = cx
            ac[A_CY, arc] = cy
            ac[A_SWEEP, arc] = sweep
            si[S_ARCS] = arc + 1
            if not way:
                words |= W_TURN
            way = True
    if si[S_PLANE] != 0:
        words |= W_PLANE
    if way:
        kind = BEAD if de > 0 else (WIPE if de < 0 else TRAVEL)
    elif de != 0.0:
        kind = PRIME if de > 0 else RETRACT
    elif words & (W_X | W_Y | W_Z):
        kind = TRAVEL
    elif words & W_F:
        kind = FEED
    else:
        if doubtful:
            wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
        return i
    if kind == BEAD and not doubtful:
        # A bead right behind a tool change counts on the tool being where the one before it was.
        si[S_KNOWN] |= si[S_KNOWN] >> BEFORE_TOOL
    r = add_row(kind, code, words, start, sf, si, fc, ic, jc, bc)
    fc[F_DE, r] = de
    jc[J_ARC, r] = arc
    if kind == BEAD:
        si[S_BEADS] += 1
        si[S_LAST_IS_MACRO] = 0
    if doubtful:
        wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
    return i
