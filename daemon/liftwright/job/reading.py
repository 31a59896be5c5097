"""The line loop: a window of bytes to rows, one modal pass, nothing read twice.

`read_lines` goes through whole lines only; what it must remember between windows stands in two small state arrays.
It refuses nothing: it counts what makes a job unfit (numbered lines, templates, other axes), and stops at the first
word that has no number, with the place.
"""

import numpy as np

from liftwright.job.columns import (
    B_KNOWN,
    BEFORE_TOOL,
    DWELL,
    F_VALUE,
    FW_PRIME,
    FW_RETRACT,
    I_END,
    J_WORDS,
    MAX_NOTES,
    MODE,
    MODE_IN_DOUBT,
    S_COMMANDS,
    S_CROWDED,
    S_ERROR,
    S_FEED,
    S_FW_RETRACTED,
    S_INVERSE_TIME,
    S_KNOWN,
    S_LINE,
    S_LONGEST,
    S_LONGEST_LINE,
    S_LOST,
    S_MODE_LINE,
    S_NOTES,
    S_NUMBERED,
    S_ON_OFF_EXTRUSION,
    S_OPTIONAL,
    S_ORIGINS,
    S_OX,
    S_OY,
    S_OZ,
    S_PERCENT,
    S_PLANE,
    S_POSITIONING_LINE,
    S_ROWS,
    S_SPINDLE,
    S_TOOL,
    SET,
    TOOL,
    W_ODD,
    W_PLANE,
    WALL_BLOCK,
    WALL_HOMING,
    WALL_OTHER,
    WALL_PAUSE,
    WALL_TOOL,
    WALL_UNKNOWN,
)
from liftwright.job.commands import (
    HOMING_G,
    NEUTRAL_M,
    PAUSE_M,
    _tail,
    among,
    is_over,
    m_command,
    mode_change,
    set_position,
    unknown_command,
    words_of,
)
from liftwright.job.motions import read_motion
from liftwright.job.rows import add_frame, add_row, wall
from liftwright.job.words import (
    CR,
    LF,
    PAREN,
    PAREN_END,
    SEMICOLON,
    STAR,
    comment_key,
    is_line_end,
    line_end,
    read_number,
    skip_blanks,
    upper,
)
from liftwright.kernels import kernel

# Other origins, scales, rotations, meanings of F.
ORIGIN_G = np.array([43, 50, 51, 52, 54, 55, 56, 57, 58, 59, 68, 95, 96], dtype=np.int64)
ABSOLUTE_CENTRES = 901  # G90.1: I and J are places; G91.1 says what printer firmware takes for granted (LinuxCNC)
LAST_TOOL = 99  # a T number beyond it, or with a fraction, names a macro of the machine, not a tool
NO_TOOL = -(1 << 30)  # which tool such a macro has left active, nobody knows: whichever is named next is a change


@kernel
def _has_axis(buf: np.ndarray, i: int) -> bool:
    """Does an X, Y, Z or E stand in the rest of the line, before its comment?"""
    while not is_line_end(buf[i]) and buf[i] != SEMICOLON and buf[i] != PAREN:
        c = upper(buf[i])
        if 88 <= c <= 90 or c == 69:
            return True
        i += 1
    return False


@kernel
def _forget_shifts(sf: np.ndarray, si: np.ndarray, frames: np.ndarray) -> None:
    """Homing and G92.1 settle where the axes' zeros lie, not the meaning of their numbers."""
    sf[S_OX] = sf[S_OY] = sf[S_OZ] = 0.0
    si[S_LOST] &= MODE_IN_DOUBT
    add_frame(sf, si, frames)


@kernel
def _g_command(
    buf: np.ndarray, i: int, at: int, tenth: int, start: int, neutral: np.ndarray, unknown: np.ndarray,
    frames: np.ndarray, sf: np.ndarray, si: np.ndarray, fc: np.ndarray, ic: np.ndarray, jc: np.ndarray, bc: np.ndarray,
) -> int:  # fmt: skip
    """One G command other than G0 to G3, its number times ten; `at` is where its name begins, `i` where it ends."""
    number = tenth // 10 if tenth % 10 == 0 else -1
    if number == 90 or number == 91 or number == 20 or number == 21:
        si[S_POSITIONING_LINE if number >= 90 else S_MODE_LINE] = si[S_LINE]
        mode_change(sf, si, number, frames)
        add_row(MODE, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
        return i
    if number == 92:
        i, shifted = set_position(buf, i, sf, si, frames)
        r = add_row(SET, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
        fc[F_VALUE, r] = shifted
        return i
    if number == 10 or number == 11:
        _, p, l, _, _, rest = words_of(buf, i)  # noqa: E741
        if not is_over(buf, rest):
            wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
        elif not np.isnan(l) or ((number == 10 or not np.isnan(p)) and _has_axis(buf, i)):
            si[S_ORIGINS] = si[S_ORIGINS] or si[S_LINE]
            wall(WALL_OTHER, start, sf, si, fc, ic, jc, bc)
        elif np.isnan(p):
            si[S_FW_RETRACTED] = number == 10
            add_row(FW_RETRACT if number == 10 else FW_PRIME, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
    elif number == 4:
        s, p, _, _, _, rest = words_of(buf, i)
        if not is_over(buf, rest):
            wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
        else:
            r = add_row(DWELL, 255, W_ODD, start, sf, si, fc, ic, jc, bc)
            # Printer firmware: S in seconds, P in milliseconds.
            fc[F_VALUE, r] = s if s >= 0 else (p / 1000 if p >= 0 else 0.0)
    elif 17 <= number <= 19:
        si[S_PLANE] = number - 17
        if number != 17:
            add_row(MODE, 255, W_ODD | W_PLANE, start, sf, si, fc, ic, jc, bc)
        return i
    elif number == 94:
        return i
    elif among(tenth // 10, HOMING_G):
        if number == 28:
            _forget_shifts(sf, si, frames)
        wall(WALL_HOMING, start, sf, si, fc, ic, jc, bc)
    else:
        if number == 93:
            si[S_INVERSE_TIME] += 1
        elif tenth == 921:
            _forget_shifts(sf, si, frames)
        elif among(tenth // 10, ORIGIN_G) or tenth // 10 == 92 or tenth == ABSOLUTE_CENTRES:
            si[S_ORIGINS] = si[S_ORIGINS] or si[S_LINE]
        return unknown_command(buf, at, start, neutral, unknown, sf, si, fc, ic, jc, bc)
    end, second = _tail(buf, i, si)
    if second:
        wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
    return end


@kernel
def _tool(
    buf: np.ndarray, i: int, start: int, sf: np.ndarray, si: np.ndarray, fc: np.ndarray, ic: np.ndarray, jc: np.ndarray,
    bc: np.ndarray,
) -> int:  # fmt: skip
    """T: a change of the active tool is a wall, naming it again is nothing."""
    value, _, after = read_number(buf, skip_blanks(buf, i))
    if after >= 0:
        tool = int(value)
        if tool > LAST_TOOL or tool != value:
            si[S_TOOL] = NO_TOOL
            wall(WALL_TOOL, start, sf, si, fc, ic, jc, bc)
        elif tool != si[S_TOOL]:
            si[S_TOOL] = tool
            si[S_KNOWN] = ((si[S_KNOWN] | si[S_KNOWN] >> BEFORE_TOOL) & 7) << BEFORE_TOOL
            add_row(TOOL, WALL_TOOL, W_ODD, start, sf, si, fc, ic, jc, bc)
    end, second = _tail(buf, i, si)
    if second:
        wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
    return end


@kernel
def _other_command(
    buf: np.ndarray, i: int, c: int, start: int, neutral: np.ndarray, unknown: np.ndarray, frames: np.ndarray,
    sf: np.ndarray, si: np.ndarray, fc: np.ndarray, ic: np.ndarray, jc: np.ndarray, bc: np.ndarray,
) -> int:  # fmt: skip
    """A command that begins with the letter `c` at `i` and isn't G0 to G3."""
    k = skip_blanks(buf, i + 1)
    digit = 48 <= buf[k] <= 57
    if c == 71 and digit:
        value, _, after = read_number(buf, k)
        return _g_command(buf, after, i, int(value * 10 + 0.5), start, neutral, unknown, frames, sf, si, fc, ic, jc, bc)
    if c == 77 and digit:
        value, _, after = read_number(buf, k)
        number = int(value)
        if value == number:
            if number == 82 or number == 83 or number == 200 or among(number, NEUTRAL_M):
                return m_command(buf, after, number, start, sf, si, fc, ic, jc, bc)
            if 3 <= number <= 6:
                si[S_SPINDLE] += 1
            if number == 101 or number == 102 or number == 103:
                si[S_ON_OFF_EXTRUSION] += 1
            if among(number, PAUSE_M):
                wall(WALL_PAUSE, start, sf, si, fc, ic, jc, bc)
                return line_end(buf, i)
    if c == 84 and (digit or buf[k] == 45 or is_line_end(buf[k]) or buf[k] == SEMICOLON):
        return _tool(buf, i + 1, start, sf, si, fc, ic, jc, bc)
    return unknown_command(buf, i, start, neutral, unknown, sf, si, fc, ic, jc, bc)


@kernel
def _comment(buf: np.ndarray, i: int, keys: np.ndarray, notes: np.ndarray, si: np.ndarray) -> int:
    """Skip a comment that begins at `i`, noting it when its key is one of the wanted; returns the line's end."""
    if len(keys) > 0 and si[S_NOTES] < MAX_NOTES:
        text = skip_blanks(buf, i + 1)
        h, key_end, value = comment_key(buf, text)
        if value >= 0:
            for k in range(len(keys)):
                if keys[k] == h:
                    n = si[S_NOTES]
                    notes[0, n] = text
                    notes[1, n] = key_end
                    notes[2, n] = line_end(buf, value)
                    notes[3, n] = si[S_LINE]
                    si[S_NOTES] = n + 1
                    break
    return line_end(buf, i)


@kernel
def _has_feed(buf: np.ndarray, i: int) -> bool:
    """Does an F with a number stand in the line that begins at `i`, before its comment?"""
    while not is_line_end(buf[i]) and buf[i] != SEMICOLON:
        if upper(buf[i]) == 70 and read_number(buf, skip_blanks(buf, i + 1))[2] >= 0:
            return True
        i += 1
    return False


@kernel
def _share_line(
    buf: np.ndarray, start: int, first_row: int, end: int, sf: np.ndarray, si: np.ndarray, fc: np.ndarray,
    ic: np.ndarray, jc: np.ndarray, bc: np.ndarray,
) -> None:  # fmt: skip
    """Several commands on one line: some firmwares obey the first alone, so nothing is certain from its start on."""
    for r in range(first_row, si[S_ROWS]):
        bc[B_KNOWN, r] = 0
    if si[S_MODE_LINE] == si[S_LINE]:
        si[S_CROWDED] = si[S_CROWDED] or si[S_LINE]
    if si[S_POSITIONING_LINE] == si[S_LINE]:
        si[S_LOST] |= MODE_IN_DOUBT
    if _has_feed(buf, start):
        sf[S_FEED] = 0.0
    wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
    ic[I_END, si[S_ROWS] - 1] = end


@kernel
def read_lines(
    buf: np.ndarray, begin: int, stop: int, keys: np.ndarray, neutral: np.ndarray, sf: np.ndarray, si: np.ndarray,
    fc: np.ndarray, ic: np.ndarray, jc: np.ndarray, bc: np.ndarray, ac: np.ndarray, frames: np.ndarray,
    notes: np.ndarray, unknown: np.ndarray,
) -> None:  # fmt: skip
    """Append to the tables the rows of the lines in buf[begin:stop]; buf[stop - 1] or buf[stop] is a line end.

    buf uint8; keys, neutral: uint64 hashes of comment keys and of command names that are no walls; the rest are the
    tables of `columns`, written from the counters in `si` on.
    """
    i = begin
    while i < stop:
        start = i
        si[S_LINE] += 1
        first_row = si[S_ROWS]
        commands = 0
        odd = 0
        while True:
            c = buf[i]
            if c == LF or c == CR:
                break
            if c == 32 or c == 9:
                i += 1
                continue
            if 97 <= c <= 122:
                c -= 32
            if c == 71:
                code = -1
                k = i + 1
                d = buf[k]
                after = buf[k + 1]
                # G0 to G3 in one digit, the form nearly every line has, without reading a number.
                if 48 <= d <= 51 and not (48 <= after <= 57) and after != 46:
                    code = d - 48
                    k += 1
                else:
                    value, _, k = read_number(buf, skip_blanks(buf, k))
                    if k > 0 and (value == 0.0 or value == 1.0 or value == 2.0 or value == 3.0):
                        code = int(value)
                if code >= 0:
                    commands += 1
                    i = read_motion(buf, k, code, start, odd, sf, si, fc, ic, jc, bc, ac)
                    if si[S_ERROR] != 0:
                        return
                    odd = W_ODD
                    continue
            if c == SEMICOLON:
                i = _comment(buf, i, keys, notes, si)
                break
            if c == PAREN:
                while buf[i] != PAREN_END and not is_line_end(buf[i]):
                    i += 1
                if buf[i] == PAREN_END:
                    i += 1
                odd = W_ODD
                continue
            if c == STAR:
                if commands == 0:
                    wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
                i = line_end(buf, i)
                break
            if c == 78 and commands == 0 and 48 <= buf[i + 1] <= 57:
                si[S_NUMBERED] += 1
                _, _, i = read_number(buf, i + 1)
                if i < 0:
                    i = line_end(buf, start)
                odd = W_ODD
                continue
            commands += 1
            if c == 47:
                si[S_OPTIONAL] = si[S_OPTIONAL] or si[S_LINE]
                wall(WALL_BLOCK, start, sf, si, fc, ic, jc, bc)
                i = line_end(buf, i)
            elif c == 37:
                si[S_PERCENT] += 1
                wall(WALL_UNKNOWN, start, sf, si, fc, ic, jc, bc)
                i = line_end(buf, i)
            elif c == 0xEF and buf[i + 1] == 0xBB and buf[i + 2] == 0xBF and si[S_LINE] == 1:
                i += 3
                commands -= 1
            else:
                i = _other_command(buf, i, c, start, neutral, unknown, frames, sf, si, fc, ic, jc, bc)
                odd = W_ODD
        si[S_COMMANDS] += commands
        for r in range(first_row, si[S_ROWS]):
            ic[I_END, r] = i
            if commands > 1:
                jc[J_WORDS, r] |= W_ODD
        if commands > 1:
            _share_line(buf, start, first_row, i, sf, si, fc, ic, jc, bc)
        elif si[S_POSITIONING_LINE] == si[S_LINE]:
            si[S_LOST] &= ~MODE_IN_DOUBT
        if i - start > si[S_LONGEST]:
            si[S_LONGEST] = i - start
            si[S_LONGEST_LINE] = si[S_LINE]
        if i < stop:
            i += 1
            if buf[i - 1] == CR and i < stop and buf[i] == LF:
                i += 1
