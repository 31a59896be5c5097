"""The proof's tables of commands: which move nothing, which are walls; the operator's globs are asked once a name.

In: globs of further harmless commands, and the commands of the job that aren't in the tables yet.
"""

import fnmatch
from collections.abc import Sequence

import numpy as np

from liftwright.proof_commands import name_hash
from liftwright.proof_state import (
    ASK,
    ASK_NAME,
    ASK_TOOL,
    CODES,
    IS_FRAME,
    IS_NEUTRAL,
    IS_OWN,
    IS_TEXT,
    IS_UNKNOWN,
    IS_WALL,
    NAME_SLOTS,
)

# Commands that are executed without moving anything (the G-code pages of the firmware documents).
_NEUTRAL_G = (94,)
_NEUTRAL_M = (
    *(73, 74, 75, 76, 77, 78, 104, 105, 106, 107, 108, 109, 113, 114, 115, 119, 123, 140, 141, 142, 143, 144, 149, 150),
    *(154, 155, 190, 191, 200, 201, 202, 203, 204, 205, 208, 221, 250, 256, 300, 302, 400, 413, 566, 567, 569, 572),
    *(593, 900, 906, 913, 914),
)
_TEXT_M = (117, 118, 486)
_OWN_G = (4, 10, 11, 17, 18, 19, 20, 21, 28, 90, 91, 92)
_OWN_M = (82, 83, 207, 220)
_FRAME_G = (43, 50, 51, 52, 55, 56, 57, 58, 59, 68, 93, 95, 96)  # other offsets, scales, rotations, meanings of F
_PAUSE_M = (0, 1, 25, 125, 226, 600, 601, 602)  # walls, but no sign that the print is yet to begin
_NEUTRAL_NAMES = (
    *("SET_VELOCITY_LIMIT", "SET_PRESSURE_ADVANCE", "SET_FAN_SPEED", "SET_HEATER_TEMPERATURE", "SET_PRINT_STATS_INFO"),
    *("EXCLUDE_OBJECT_DEFINE", "EXCLUDE_OBJECT_START", "EXCLUDE_OBJECT_END", "RESPOND"),
)

MOST_NAMES = NAME_SLOTS // 2  # beyond that a job is noise: its names are unknown commands without being asked for


class Names:
    """`codes[0]`, `[1]`, `[2]`: classes of G, M and T numbers × 10; `names`: (hash, class) of extended commands."""

    def __init__(self, globs: Sequence[str]) -> None:
        self.globs = tuple(glob.upper() for glob in globs)
        open_class = ASK if globs else IS_UNKNOWN
        self.codes = np.full((3, CODES), open_class, dtype=np.int8)
        self.codes[2] = ASK if globs else IS_WALL
        for row, numbers, kind in (
            (0, _NEUTRAL_G, IS_NEUTRAL),
            (1, _NEUTRAL_M, IS_NEUTRAL),
            (1, _TEXT_M, IS_TEXT),
            (0, _OWN_G, IS_OWN),
            (1, _OWN_M, IS_OWN),
            (0, _FRAME_G, IS_FRAME),
            (1, _PAUSE_M, IS_WALL),
        ):
            self.codes[row, [10 * number for number in numbers]] = kind
        for frame in (431, 432, 511, 591, 592, 593, 681, 901):
            self.codes[0, frame] = IS_FRAME
        self.names = np.zeros((NAME_SLOTS + 1, 2), dtype=np.int64)
        self.room = MOST_NAMES
        for name in _NEUTRAL_NAMES:
            self._put(name.encode("ascii"), IS_NEUTRAL)
        if not globs:
            self.names[NAME_SLOTS, 1] = 1

    def learn(self, table: int, code10: int, name: bytes) -> None:
        """Decide by the globs about a number × 10, or a name; the kernel asks again afterwards and finds the answer."""
        if table == ASK_NAME:
            self._put(name.upper(), IS_NEUTRAL if self._is_neutral(name.decode("latin-1")) else IS_UNKNOWN)
            return
        whole, tenth = divmod(code10, 10)
        text = f"{'GMT'[table]}{whole}" + (f".{tenth}" if tenth else "")
        # The operator vouches for whatever stands behind the command, too: its arguments are text.
        named, other = (IS_NEUTRAL, IS_WALL) if table == ASK_TOOL else (IS_TEXT, IS_UNKNOWN)
        self.codes[table, code10] = named if self._is_neutral(text) else other

    def _is_neutral(self, name: str) -> bool:
        return any(fnmatch.fnmatchcase(name.upper(), glob) for glob in self.globs)

    def _put(self, name: bytes, kind: int) -> None:
        key = int(name_hash(np.frombuffer(name + b"\n", dtype=np.uint8), 0)[0])
        slot = key & (NAME_SLOTS - 1)
        while self.names[slot, 0] not in (0, key):
            slot = (slot + 1) & (NAME_SLOTS - 1)
        self.names[slot] = key, kind
        self.room -= 1
        if self.room == 0:
            self.names[NAME_SLOTS, 1] = 1
