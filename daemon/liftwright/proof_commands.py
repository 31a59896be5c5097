"""The proof's reading of commands that are no clear motion: modes, G92, firmware retraction, tools, walls, names.

1. What firmwares execute differently (two commands on a line, block delete, a repeated letter, bare G92) is a wall,
   and the position is unknown until X, Y and Z have been stated absolutely.
2. A command's class comes from the tables that proof_names fills; what isn't in them yet is asked for (ASK).
"""

import numpy as np

from liftwright import proof_words as pw
from liftwright.proof_state import (
    ABS,
    ASK,
    ASK_NAME,
    ASK_TOOL,
    B_E,
    B_F,
    B_P,
    B_XYZ,
    B_Z,
    BACK,
    BEFORE_TOOL,
    CHANGES,
    DWELL,
    EREL,
    FIRMWARE_LIFT,
    FLAGS,
    FORWARD,
    FRAME,
    INCH,
    IS_NEUTRAL,
    IS_UNKNOWN,
    IS_WALL,
    KIND,
    KNOW_E,
    KNOW_MODE,
    KNOW_XYZ,
    KNOWN,
    LATCHED,
    MREL,
    NAME_SLOTS,
    NEUTRAL,
    OE,
    OX,
    PERCENT,
    PLANE,
    QX,
    TOOL,
    UNKNOWN,
    WALL,
    E,
    F,
    Tables,
    X,
    Y,
    Z,
)
from liftwright.proof_words import BAD, MULTI, SCALE, TOP, kernel, mix

LAST_TOOL = 99  # higher numbers name macros on some machines, not tools (seen in jobs, no source)


@kernel
def clamp(v: int) -> int:
    return TOP if v > TOP else -TOP if v < -TOP else v


@kernel
def to_mm(t: Tables, k: int) -> None:
    """Word `k` from inches to mm: × 25.4 exactly; what doesn't come out even becomes a residue."""
    v = t.words[k]
    if abs(v) > TOP // 254:
        t.residues[k] = mix(mix(t.residues[k], v), 254)
        t.words[k] = TOP if v > 0 else -TOP
        return
    if v % 5 != 0:
        t.residues[k] = mix(mix(t.residues[k], v % 5), 254)
    t.words[k] = v * 254 // 10


@kernel
def set_modes(s: np.ndarray, modes: int) -> None:
    """Apply mode words; G90/G91 make a doubtful distance mode certain again."""
    if modes & (pw.M_ABS | pw.M_REL):
        s[ABS] = 1 if modes & pw.M_ABS else 0
        s[EREL] = 1 - s[ABS]
        s[KNOWN] |= KNOW_MODE
    if modes & (pw.M_EABS | pw.M_EREL):
        s[EREL] = 0 if modes & pw.M_EABS else 1
        s[MREL] = s[EREL]
    if modes & (pw.M_INCH | pw.M_MM):
        s[INCH] = 1 if modes & pw.M_INCH else 0


@kernel
def wall(s: np.ndarray, r: np.ndarray, unknown: bool) -> None:
    r[KIND] = WALL
    if unknown:
        r[FLAGS] |= UNKNOWN
    s[KNOWN] &= ~(KNOW_XYZ | KNOW_XYZ << BEFORE_TOOL)


@kernel
def unclear_move(mask: int, modes: int, s: np.ndarray, r: np.ndarray, t: Tables) -> None:
    """A motion line that firmwares read differently: the named axes are anywhere, the words are taken at their face."""
    set_modes(s, modes)
    if mask & B_E:
        if s[EREL] == 0:
            s[E] = clamp(t.words[4] + s[OE])
        s[KNOWN] &= ~KNOW_E
    if mask & B_F:
        s[F] = t.words[5]
    wall(s, r, True)


@kernel
def _set_position(mask: int, s: np.ndarray, r: np.ndarray, t: Tables) -> None:
    """G92: the named axes change their offset, nothing moves. Bare G92 is executed differently by firmwares."""
    r[KIND] = NEUTRAL
    if mask & (B_XYZ | B_E) == 0:
        for k in range(4):
            s[OX + k] = s[k]
        s[KNOWN] &= ~KNOW_E
        wall(s, r, True)
        return
    for k, letter in ((X, 23), (Y, 24), (Z, 25), (E, 4)):
        if mask & (1 << letter) == 0:
            continue
        if s[INCH]:
            to_mm(t, letter)
        if s[KNOWN] & (1 << k) == 0:  # where it is was unknown: from here on it is what the line says
            s[k] = t.words[letter]
            s[OX + k] = 0
            s[KNOWN] = (s[KNOWN] | 1 << k) & ~(1 << (k + BEFORE_TOOL) if k < 3 else 0)
        else:
            s[OX + k] = clamp(s[k] - t.words[letter])
        if t.residues[letter] != 0 or s[QX + k] != 0:
            s[QX + k] = mix(s[QX + k], t.residues[letter])


@kernel
def g_command(code10: int, mask: int, flags: int, modes: int, s: np.ndarray, r: np.ndarray, t: Tables) -> None:
    """A G command other than G0 to G3 that the reader knows by itself; the line's words have been read."""
    r[KIND] = NEUTRAL
    if code10 == 280:  # homing also drops the offsets; its axis letters carry no numbers
        for k in range(3):
            s[k] = 0
            s[OX + k] = 0
            s[QX + k] = 0
        wall(s, r, True)
    elif flags & (BAD | MULTI):
        if code10 == 900 or code10 == 910:
            set_modes(s, pw.M_ABS if code10 == 900 else pw.M_REL)
        unclear_move(mask, modes, s, r, t)
    elif code10 == 900:
        set_modes(s, pw.M_ABS)
    elif code10 == 910:
        set_modes(s, pw.M_REL)
    elif code10 == 200:
        set_modes(s, pw.M_INCH)
    elif code10 == 210:
        set_modes(s, pw.M_MM)
    elif code10 == 920:
        _set_position(mask, s, r, t)
    elif code10 == 40:
        r[KIND] = DWELL
    elif code10 == 170:
        s[PLANE] = 17
    elif code10 == 180 or code10 == 190:
        s[PLANE] = code10 // 10
        r[KIND] = WALL  # it moves nothing, but what turns there is no travel of ours
    elif mask & ((1 << 11) | B_P):  # G10 L.. or P..: offsets or temperatures, not a retraction
        if mask & (B_XYZ | B_E | (1 << 11)):
            s[FRAME] = 1
            wall(s, r, True)
    else:
        r[KIND] = BACK if code10 == 100 else FORWARD
        s[LATCHED] = 1 if code10 == 100 else 0


@kernel
def m_command(code10: int, mask: int, flags: int, modes: int, s: np.ndarray, r: np.ndarray, t: Tables) -> None:
    """M82, M83, M207, M220: the M commands whose words matter here."""
    r[KIND] = NEUTRAL
    if code10 == 820:
        set_modes(s, pw.M_EABS)
    elif code10 == 830:
        set_modes(s, pw.M_EREL)
    elif code10 == 2070 and mask & B_Z:
        s[FIRMWARE_LIFT] = 1 if t.words[25] > 0 else 0
    elif code10 == 2200 and mask & (1 << 18):
        s[PERCENT] = t.words[18]
    if flags & (BAD | MULTI):
        unclear_move(mask, modes, s, r, t)


@kernel
def second_command(b: np.ndarray, i: int) -> bool:
    """Whether a G or M number follows on this line outside comment and quotes: some firmwares would execute it."""
    quoted = False
    while b[i] != 10 and b[i] != 13:
        c = b[i]
        if c == 34:
            quoted = not quoted
        elif not quoted:
            if c == 59 or c == 40:
                return False
            if (c | 32 == 103 or c | 32 == 109) and 48 <= b[i + 1] <= 57:
                return True
        i += 1
    return False


@kernel
def ask(t: Tables, table: int, first: int, last: int) -> int:
    """Leave behind what is asked for: the table, and the code × 10 or the span of the name."""
    t.words[0], t.words[1], t.words[2] = table, first, last
    return ASK


@kernel
def name_hash(b: np.ndarray, i: int) -> tuple[int, int]:
    """Hash and end of the name at `i`: letters in either case, digits, underscores, points."""
    h = 1469598103934665603
    while True:
        c = b[i] + 0
        if 97 <= c <= 122:
            c -= 32
        if not (65 <= c <= 90 or 48 <= c <= 57 or c == 95 or c == 46):
            return h, i
        h = mix(h, c)
        i += 1


@kernel
def name_class(b: np.ndarray, i: int, t: Tables) -> int:
    """Class of an extended command: a name of two or more letters, looked up by its hash; the last row says "full"."""
    names = t.names
    h, end = name_hash(b, i)
    slot = h & (NAME_SLOTS - 1)
    for _ in range(NAME_SLOTS):
        if names[slot, 0] == h:
            return int(names[slot, 1])
        if names[slot, 0] == 0:
            return IS_UNKNOWN if names[NAME_SLOTS, 1] == 1 else ask(t, ASK_NAME, i, end)
        slot = (slot + 1) & (NAME_SLOTS - 1)
    return IS_UNKNOWN


@kernel
def tool_change(
    b: np.ndarray, k: int, value: int, found: bool, clear: bool, s: np.ndarray, r: np.ndarray, t: Tables
) -> int:
    """T alone reports, T with the present number changes nothing, any other is a tool change."""
    r[KIND] = NEUTRAL
    if not found:
        half = b[k - 1] == 43 or b[k - 1] == 45 or b[k - 1] == 46  # a sign or point that no digit followed
        while b[k] == 32 or b[k] == 9:
            k += 1
        if half or (b[k] != 10 and b[k] != 13 and b[k] != 59):
            wall(s, r, True)
        return -1
    kind = IS_WALL
    if clear:
        kind = t.codes[ASK_TOOL, value // (SCALE // 10)]
        if kind == ASK:
            ask(t, ASK_TOOL, value // (SCALE // 10), 0)
            return -2
    tool = value // SCALE
    if kind != IS_NEUTRAL and (tool != s[TOOL] or tool * SCALE != value):
        before = (s[KNOWN] | s[KNOWN] >> BEFORE_TOOL) & KNOW_XYZ
        s[TOOL] = tool
        wall(s, r, False)
        if 0 <= tool <= LAST_TOOL and tool * SCALE == value:
            r[FLAGS] |= CHANGES
        s[KNOWN] |= before << BEFORE_TOOL  # a bead right behind it says that they still hold
    return -1
