"""The names of the columns, kinds and state slots that reading kernels and their users share; imports nothing."""

# Kinds of row.
START, BEAD, WIPE, TRAVEL, FEED, RETRACT, PRIME, FW_RETRACT, FW_PRIME = range(9)
SET, MODE, TOOL, DWELL, WALL, LABEL, LIMIT, NOTE = range(9, 17)

# What a WALL row is (column `code`).
WALL_UNKNOWN, WALL_HOMING, WALL_TOOL, WALL_PAUSE, WALL_BLOCK, WALL_OTHER = range(6)

# Bits of the column `words`.
W_X, W_Y, W_Z, W_E, W_F, W_I, W_J, W_R, W_P = 1, 2, 4, 8, 16, 32, 64, 128, 256
W_ODD = 512  # the line holds more than one plain motion command and its own comment: it can't be edited
W_TURN = 1024  # an arc that ends where it began in XY
W_PLANE = 2048  # moved under a rotated plane or in machine coordinates

# Columns of the float table.
F_X, F_Y, F_Z, F_DE, F_FEED, F_VALUE = range(6)
N_FLOAT = 6
# Columns of the int64 table.
I_LINE, I_START, I_END = range(3)
N_INT = 3
# Columns of the int32 table.
J_WORDS, J_ARC, J_FRAME, J_LABEL, J_TOOL = range(5)
N_SMALL = 5
# Columns of the byte table.
B_KIND, B_CODE, B_KNOWN = range(3)
N_BYTE = 3
# Columns of the arc table: centre, signed sweep in rad (+ counter-clockwise).
A_CX, A_CY, A_SWEEP = range(3)
# Columns of a frame: G92 shifts (bed = logical + shift, mm), mm per unit of the file, 1 for G90 and 0 for G91.
R_X, R_Y, R_Z, R_SCALE, R_ABSOLUTE = range(5)

# Slots of the float state.
S_X, S_Y, S_Z, S_E, S_FEED, S_OX, S_OY, S_OZ, S_SCALE, S_VOLUME, S_NOZZLE_TEMP, S_E_PENDING, S_SPEED_FACTOR = range(13)
N_STATE_FLOAT = 14
# Slots of the integer state.
(
    S_LINE, S_ABSOLUTE, S_E_LAST, S_E_BOTH, S_TOOL, S_KNOWN, S_PLANE, S_LABEL, S_FW_RETRACTED,  # modal state
    S_DECIMALS, S_ROWS, S_ARCS, S_FRAMES, S_NOTES, S_UNKNOWN, S_DIALECT,
    S_AMBIGUOUS, S_NUMBERED, S_CHECKSUMS, S_COMMANDS, S_E_WORDS, S_INVERSE_TIME, S_SPINDLE, S_ON_OFF_EXTRUSION,
    S_OTHER_AXES, S_NUL, S_TEMPLATE, S_HEATERS, S_BEADS, S_LAST_IS_MACRO, S_M82_SEEN, S_PERCENT,
    S_ERROR, S_ERROR_LINE, S_ERROR_AT, S_FW_LIFT, S_LONGEST, S_LOST, S_BARE_G92, S_OPTIONAL,
    S_ORIGINS, S_CROWDED, S_MODE_LINE, S_POSITIONING_LINE, S_LONGEST_LINE,
) = range(45)  # fmt: skip
N_STATE_INT = 45
# Of `S_LOST`: bits 0 to 2 axes that a G92 left anywhere; bits 4 to 6 while the positioning mode itself is in doubt.
MODE_IN_DOUBT = 0x70
# Of `S_KNOWN`: bits 0 to 2 axes whose place is known; from BEFORE_TOOL on, those known before a tool change.
BEFORE_TOOL = 4

E_NO_NUMBER, E_TOO_LARGE, E_FEED, E_TEMPLATE = 1, 2, 3, 4

MAX_UNKNOWN = 4096
MAX_NOTES = 4096
