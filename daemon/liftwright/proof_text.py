"""Findings of the proof's kernels in words: what was promised, what was expected, what was found."""

from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from liftwright import proof_gap as gap
from liftwright import proof_path as path
from liftwright.proof_words import SCALE

NAMES = {
    1: "beads",
    2: "retractions",
    3: "other lines",
    4: "bounds",
    5: "way",
    6: "end state",
    7: "stamp",
}

_REASONS = {
    path.BEFORE_PRINT: "the print has not begun",
    path.AFTER_PRINT: "the print has ended",
    path.HAS_WALL: "it holds a command that may move the machine",
    path.HAS_DWELL: "it holds a dwell",
    path.IS_NUMBERED: "its lines are numbered or carry checksums",
    path.POSITION_UNKNOWN: "the position before it is not known with certainty",
    path.E_MODE_UNKNOWN: "the extruder's mode in it depends on the firmware",
    path.LIFT_TOO_TALL: "the job's own lift is taller than may be replaced",
    path.DIPS: "the job goes below both ends on purpose",
    path.TWO_RISES: "the job rises and falls more than once",
    path.TOO_LONG: "it is longer than the proof can hold",
    path.NO_WAY: "it doesn't go anywhere in XY",
    path.OTHER_FRAME: "offsets, scale, rotation or the meaning of F were changed before it",
    path.FIRMWARE_LIFTS: "the firmware lifts by itself when it retracts",
}

_BOUNDS = {
    gap.BELOW: ("a travel no lower than the lower of its two ends", "Z"),
    gap.OUTSIDE: ("a travel on the bed or within the box of the job's own points", "XY"),
    gap.TOO_HIGH: ("a travel no higher than the printer allows", "Z"),
    gap.Z_TOO_FAST: ("a rise or fall within the Z speed limit", "F"),
    gap.TOO_FAST: ("a travel no faster than the job's own", "F"),
}

_WAYS = {
    gap.OFF_THE_WAY: "every vertex on the job's own way",
    gap.WAY_CUT: "the way-point or arc of this line",
    gap.WAY_ADDED: "no way beyond the job's own",
}

_LINES = {
    gap.LINE_CHANGED: "this line unchanged",
    gap.LINE_LOST: "this line",
    gap.LINE_ADDED: "no line here but the job's own",
    gap.COMMENT_LOST: "the comment of this line on a line of its own",
    gap.FORM: "a plain G0 or G1 with X, Y and Z, a job's arc with Z, or a bare feed",
    gap.PLACE: "this line at the same place",
    gap.FEED: "the same feed rate",
    gap.LINE_END: "the line end of the job's own moves here",
    gap.BEAD_RESPELLED: "this line byte for byte",
}

_BEAD_FIELDS = ("start X", "start Y", "start Z", "X", "Y", "Z", "E total", "F", "tool", "E")
_BEAD_ORDER = (0, 1, 2, 3, 4, 5, 9, 7, 8)


@dataclass(frozen=True, slots=True)
class Violation:
    """One broken promise: its number and name, the lines (1-based; 0 = the whole file), what was wanted and seen."""

    promise: int
    name: str
    line_original: int
    line_rewritten: int
    expected: str
    found: str

    def __str__(self) -> str:
        where = f"line {self.line_original}, rewritten line {self.line_rewritten}"
        return f"{self.promise} {self.name}: {where}: expected {self.expected}; found {self.found}"


def violation(promise: int, line_original: int, line_rewritten: int, expected: str, found: str) -> Violation:
    """A violation with the promise's own name."""
    return Violation(promise, NAMES[promise], line_original, line_rewritten, expected, found)


def plain(value: int) -> str:
    """A whole multiple of 1e-12 as a decimal without trailing zeros."""
    text = format(Decimal(int(value)) / SCALE, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def quoted(window: np.ndarray, start: int, end: int) -> str:
    """A line of the job as text, cut to what fits in a report."""
    text = bytes(window[start : min(end, start + 120)]).decode("ascii", "backslashreplace")
    return repr(text) if end > start else "nothing"


def _bead_words(v: np.ndarray) -> tuple[str, str]:
    """The fields in which two beads differ."""
    base = gap.V_NUMBERS
    expected, found = [], []
    for k in _BEAD_ORDER:
        ours, theirs = int(v[base + k]), int(v[base + 10 + k])
        if ours != theirs:
            name = _BEAD_FIELDS[k]
            expected.append(f"{name} {ours if name == 'tool' else plain(ours)}")
            found.append(f"{name} {theirs if name == 'tool' else plain(theirs)}")
    return ", ".join(expected), ", ".join(found)


def in_words(v: np.ndarray, a: np.ndarray, b: np.ndarray) -> Violation:
    """The finding `v` of the kernels as a violation; `a` and `b` are the windows that its byte spans point into."""
    code, reason = int(v[gap.V_CODE]), int(v[gap.V_REASON])
    original = quoted(a, int(v[gap.V_SA]), int(v[gap.V_EA]))
    rewritten = quoted(b, int(v[gap.V_SB]), int(v[gap.V_EB]))
    expected, found = original, rewritten
    if code == gap.BEAD_CHANGED:
        fields, others = _bead_words(v)
        if fields:
            expected, found = f"{fields} in {original}", f"{others} in {rewritten}"
    elif code == gap.BEAD_LOST:
        expected, found = f"the bead {original}", "no further bead"
    elif code == gap.BEAD_ADDED:
        expected, found = "no further bead", f"the bead {rewritten}"
    elif code == gap.UNTOUCHABLE:
        expected, found = f"a gap left as it was, since {_REASONS[reason]}", rewritten
    elif code in _BOUNDS:
        expected, letters = _BOUNDS[code]
        base = gap.V_NUMBERS + 13
        values = {"X": v[base], "Y": v[base + 1], "Z": v[base + 2], "F": v[base + 4]}
        found = " ".join(letter + plain(int(values[letter])) for letter in letters) + f" after {rewritten}"
    elif code in _WAYS:
        expected = f"{_WAYS[code]}: {original}"
    else:
        expected = f"{_LINES[code]}: {original}"
    return violation(int(v[gap.V_PROMISE]), int(v[gap.V_A]), int(v[gap.V_B]), expected, found)
