"""Findings of the proof's kernels in words: what was promised, what was expected, what was found."""

from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from liftwright import proof_bounds as bounds
from liftwright import proof_finding as say
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
    bounds.BEFORE_PRINT: "the print has not begun",
    bounds.AFTER_PRINT: "the print has ended",
    bounds.HAS_WALL: "it holds a command that may move the machine",
    bounds.HAS_DWELL: "it holds a dwell",
    bounds.IS_NUMBERED: "its lines are numbered or carry checksums",
    bounds.POSITION_UNKNOWN: "the position before it is not known with certainty",
    bounds.E_MODE_UNKNOWN: "the extruder's mode in it depends on the firmware",
    bounds.LIFT_TOO_TALL: "the job's own lift is taller than may be replaced",
    bounds.DIPS: "the job goes below both ends on purpose",
    bounds.TWO_RISES: "the job rises and falls more than once",
    bounds.TOO_LONG: "it is longer than the proof can hold",
    bounds.NO_WAY: "it doesn't go anywhere in XY",
    bounds.OTHER_FRAME: "offsets, scale, rotation or the meaning of F were changed before it",
    bounds.FIRMWARE_LIFTS: "the firmware lifts by itself when it retracts",
}

_BOUNDS = {
    say.BELOW: ("a travel no lower than the lower of its two ends", "Z"),
    say.OUTSIDE: ("a travel on the bed or within the box of the job's own points", "XY"),
    say.TOO_HIGH: ("a travel no higher than the printer allows", "Z"),
    say.Z_TOO_FAST: ("a rise or fall within the Z speed limit", "F"),
    say.TOO_FAST: ("a travel no faster than the job's own", "F"),
}

_WAYS = {
    say.OFF_THE_WAY: "every vertex on the job's own way",
    say.WAY_CUT: "the way-point or arc of this line",
    say.WAY_ADDED: "no way beyond the job's own",
}

_LINES = {
    say.LINE_CHANGED: "this line unchanged",
    say.LINE_LOST: "this line",
    say.LINE_ADDED: "no line here but the job's own",
    say.COMMENT_LOST: "the comment of this line on a line of its own",
    say.FORM: "a plain G0 or G1 with X, Y and Z, a job's arc with Z, or a bare feed",
    say.PLACE: "this line at the same place",
    say.FEED: "the same feed rate",
    say.LINE_END: "the line end of the job's own moves here",
    say.BEAD_RESPELLED: "this line byte for byte",
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
    base = say.V_NUMBERS
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
    code, reason = int(v[say.V_CODE]), int(v[say.V_REASON])
    original = quoted(a, int(v[say.V_SA]), int(v[say.V_EA]))
    rewritten = quoted(b, int(v[say.V_SB]), int(v[say.V_EB]))
    expected, found = original, rewritten
    if code == say.BEAD_CHANGED:
        fields, others = _bead_words(v)
        if fields:
            expected, found = f"{fields} in {original}", f"{others} in {rewritten}"
    elif code == say.BEAD_LOST:
        expected, found = f"the bead {original}", "no further bead"
    elif code == say.BEAD_ADDED:
        expected, found = "no further bead", f"the bead {rewritten}"
    elif code == say.UNTOUCHABLE:
        expected = f"a gap left as it was, since {_REASONS[reason]}"
        found = rewritten if v[say.V_EB] > v[say.V_SB] else "an edit"
    elif code in _BOUNDS:
        expected, letters = _BOUNDS[code]
        base = say.V_NUMBERS + 13
        values = {"X": v[base], "Y": v[base + 1], "Z": v[base + 2], "F": v[base + 4]}
        found = " ".join(letter + plain(int(values[letter])) for letter in letters) + f" after {rewritten}"
    elif code in _WAYS:
        expected = f"{_WAYS[code]}: {original}"
    else:
        expected = f"{_LINES[code]}: {original}"
    return violation(int(v[say.V_PROMISE]), int(v[say.V_A]), int(v[say.V_B]), expected, found)
