"""The layouts that the proof's kernels share: the machine's state, the row of a line, the classes of commands."""

from typing import NamedTuple

import numpy as np

from liftwright.proof_words import SCALE

# Machine state: one int64 array. The two states are equal when all of it is equal.
X, Y, Z, E, F, KNOWN, QX, QY, QZ, QE, QF = range(11)  # position, modal feed, what is certain, residues
MOVED = 11  # what a move can change stands before this index
OX, OY, OZ, OE, ABS, EREL, MREL, INCH = range(11, 19)  # offsets; EREL: as if G90/G91 set it too; MREL: by M83 alone
TOOL, LATCHED, PLANE, PERCENT, FIRMWARE_LIFT, DIALECT, FRAME = range(19, 26)  # M220; M207 Z; G90 sets E (2: unknown)
STATE_SIZE = 26
STATE_NAMES = (
    *("X", "Y", "Z", "E", "feed", "known axes", "X digits", "Y digits", "Z digits", "E digits", "F digits"),
    *("X offset", "Y offset", "Z offset", "E offset", "absolute", "relative E", "relative E by M83", "inches"),
    *("tool", "retracted by firmware", "plane", "feed percent", "firmware lift", "dialect", "frame"),
)
SCALED = (X, Y, Z, E, OX, OY, OZ, OE, F, PERCENT)
KNOW_X, KNOW_Y, KNOW_Z, KNOW_E, KNOW_MODE = 1, 2, 4, 8, 16
KNOW_ALL = 31
KNOW_XYZ = KNOW_X | KNOW_Y | KNOW_Z
BEFORE_TOOL = 5  # from this bit on: which of X, Y and Z were known before a tool change

# Row of one line: one int64 array.
START, END, NEXT, KIND, FLAGS, CODE, MASK = range(7)  # byte spans without and with the line end
RX, RY, RZ, RE, RF, RTOOL, RDE = range(7, 14)  # the state after the line; how far E moved
RI, RJ, RR, RP = range(14, 18)  # arc words
COMMENT, QXY, QZE = range(18, 21)  # start of the first comment or -1; residues after the line
ROW_SIZE = 21

BLANK, NOTE, MOVE, BEAD, BACK, FORWARD, NEUTRAL, DWELL, WALL = range(9)
UNSURE, NUMBERED, UNKNOWN, MOVES_XY, RELATIVE = 1, 2, 4, 8, 16  # UNKNOWN: homing, probing, unknown; RELATIVE: G91
CHANGES = 32  # another tool

# Classes of commands in the tables that the caller fills.
ASK, IS_WALL, IS_UNKNOWN, IS_NEUTRAL, IS_TEXT, IS_OWN, IS_FRAME = range(7)  # IS_TEXT: its arguments are text
ASK_G, ASK_M, ASK_TOOL, ASK_NAME = range(4)  # the tables; what is asked for is left in the first three words
CODES = 100_000  # codes are number × 10 + digit after the point; larger ones are unknown
NAME_SLOTS = 8192

# Bit k of a line's words: the word of letter k, a = 0.
B_E, B_F, B_I, B_J, B_P, B_R = 1 << 4, 1 << 5, 1 << 8, 1 << 9, 1 << 15, 1 << 17
B_X, B_Y, B_Z = 1 << 23, 1 << 24, 1 << 25
B_XYZ = B_X | B_Y | B_Z


class Tables(NamedTuple):
    """What reading needs besides the bytes: room for the words of a line and their residues, and the command tables.

    `codes[0]`, `[1]`, `[2]`: classes of G, M and T numbers × 10; `names`: (hash, class) of extended commands, and a
    last row that says whether there is no more room.
    """

    words: np.ndarray
    residues: np.ndarray
    codes: np.ndarray
    names: np.ndarray


def new_state(g90_sets_extrusion: bool | None) -> np.ndarray:
    """The state at power-on: absolute, millimetres, tool 0, position unknown (firmware documents: G90, M82)."""
    state = np.zeros(STATE_SIZE, dtype=np.int64)
    state[ABS] = 1
    state[PLANE] = 17
    state[KNOWN] = KNOW_E | KNOW_MODE
    state[PERCENT] = 100 * SCALE
    state[DIALECT] = 2 if g90_sets_extrusion is None else int(g90_sets_extrusion)
    return state
