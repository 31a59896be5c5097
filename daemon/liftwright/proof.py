"""An independent proof that a rewritten job breaks none of its promises, made by reading both files afresh.

In: the original and the rewritten job as binary files, and the printer's limits. Out: whether the promises hold, and
the first violations, each with its promise's number and name and its line in both files. It imports no other part of
liftwright: a mistake of the reader, planner or splicer must not be shared by the judge.

1 beads         same order, start, end, filament, feed rate and tool
2 retractions   wipes, retractions and primes: same amounts, places and order
3 other lines   whatever is no move of an edited travel is byte-identical and in order; nothing but moves, the edited
                lines' comments and the stamp is added; gaps that must not be touched are not
4 bounds        no edited travel dips below its ends, leaves the bed, passes z_max or asks too much speed of Z
5 way           the XY way of every travel is the same; an own full-turn lift may be missing
6 end state     the machine ends as it would have
7 stamp         the last line states the digest of all that stands before it
"""

import hashlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np

from liftwright import proof_gap, proof_path, proof_reader, proof_walk
from liftwright.proof_names import Names
from liftwright.proof_text import Violation, in_words, plain, violation
from liftwright.proof_window import WINDOW, Window

LONGEST_LINE = WINDOW // 2  # bytes; longer ones may not be provable
ROWS = 16_384  # lines between two beads, where the files differ
SHOWN = 20  # violations listed; the walk ends soon after

_STAMP = re.compile(rb";liftwright stamp 1 sha256=([0-9a-f]{64})(?:\r\n|\n|\r)\Z")
_STAMP_ROOM = 128


@dataclass(frozen=True, slots=True)
class Limits:
    """What the printer allows, and what its firmware is known to do. None: not known, not judged.

    `bed` is (x_lo, x_hi, y_lo, y_hi) or the radius of a round bed about the origin, in mm. `neutral` holds globs of
    further command names (`M622`, `LIGHTS_*`) that move nothing. `g90_sets_extrusion`: whether G90 and G91 also set the
    extruder's mode; None marks travels as untouchable where it would matter.
    """

    bed: tuple[float, float, float, float] | float | None = None
    z_max_mm: float | None = None
    z_speed_mm_s: float | None = None
    g90_sets_extrusion: bool | None = None
    neutral: tuple[str, ...] = ()
    own_lift_max_mm: float | None = 2.0


@dataclass(frozen=True, slots=True)
class Proof:
    """The outcome: `violations` lists the first SHOWN, `total` counts those met before the walk ended, `complete` says
    whether it reached the end of both files.

    `counts`: beads, travels, touched (gaps that differ), own_lines, lines_original, lines_rewritten.
    """

    holds: bool
    violations: tuple[Violation, ...]
    total: int
    complete: bool
    counts: dict[str, int]


def prove(original: BinaryIO, rewritten: BinaryIO, limits: Limits) -> Proof:
    """Check promises 1 to 7 of `rewritten` against `original`; both must be seekable and are read from their start.

    Memory: two windows of WINDOW bytes and the rows of one gap. Lines beyond LONGEST_LINE are a violation.
    """
    stamp, end = _find_stamp(rewritten)
    walk = _Walk(original, rewritten, end, limits)
    walk.run()
    violations = walk.violations
    walk.b.rest()
    digest = walk.digest.hexdigest()
    if stamp != digest:
        expected = f"a last line with the digest {digest}"
        found = f"the digest {stamp}" if stamp else "no stamp"
        violations.append(violation(7, 0, int(walk.c[proof_walk.LINE_B]) + 1, expected, found))
    return Proof(
        holds=not violations,
        violations=tuple(violations[:SHOWN]),
        total=len(violations),
        complete=walk.complete,
        counts=walk.counts(),
    )


def _find_stamp(file: BinaryIO) -> tuple[str, int]:
    """(digest that the last line states, or "", length of what stands before that line)."""
    size = file.seek(0, 2)
    start = max(0, size - _STAMP_ROOM)
    file.seek(start)
    tail = file.read(size - start)
    match = _STAMP.search(tail)
    if match is None or (match.start() > 0 and tail[match.start() - 1] not in b"\r\n"):
        return "", size
    return match[1].decode("ascii"), start + match.start()


class _Walk:
    """The two windows, the kernels' arrays, and the loop that keeps them fed."""

    def __init__(self, original: BinaryIO, rewritten: BinaryIO, end: int, limits: Limits) -> None:
        self.a = Window(original, original.seek(0, 2))
        self.digest = hashlib.sha256()
        self.b = Window(rewritten, end, self.digest)
        self.c = np.zeros(proof_walk.WALK_SIZE, dtype=np.int64)
        self.c[[proof_walk.LINE_A, proof_walk.LINE_B, proof_walk.GLINE_A, proof_walk.GLINE_B]] = 1
        self.states = [proof_reader.new_state(limits.g90_sets_extrusion) for _ in range(4)]
        self.rows = [proof_gap.new_rows(ROWS) for _ in range(2)]
        self.kept = np.zeros(ROWS + 1, dtype=np.uint8)
        self.words = [np.zeros(26, dtype=np.int64) for _ in range(2)]
        self.found = np.zeros((proof_gap.V_ROWS, proof_gap.V_SIZE), dtype=np.int64)
        self.names = Names(limits.neutral)
        self.limits = _as_array(limits)
        self.violations: list[Violation] = []
        self.complete = False

    def run(self) -> None:
        self.a.shift(0)
        self.b.shift(0)
        while len(self.violations) < SHOWN:
            why = self._step()
            if why == proof_walk.DONE:
                self.complete = True
                self._compare_end()
                return
            if why == proof_walk.NAME_A:
                self._ask(self.a, proof_walk.IA)
            elif why == proof_walk.NAME_B:
                self._ask(self.b, proof_walk.IB)
            elif not self._feed(why):
                return

    def _step(self) -> int:
        step: Callable[..., int] = proof_walk.walk
        why = step(
            self.a.bytes,
            self.a.usable,
            self.b.bytes,
            self.b.usable,
            self.a.whole,
            self.b.whole,
            self.c,
            *self.states,
            *self.rows,
            *self.words,
            self.names.codes,
            self.names.names,
            self.limits,
            self.found,
            self.kept,
        )
        count = int(self.c[proof_walk.FOUND])
        met = [in_words(row, self.a.bytes, self.b.bytes) for row in self.found[:count]]
        self.violations += sorted(met, key=lambda one: (one.line_rewritten, one.line_original, one.promise))
        self.c[proof_walk.FOUND] = 0
        return why

    def _ask(self, window: Window, cursor: int) -> None:
        """Put the class of the command at the cursor into the tables."""
        start = int(self.c[cursor])
        self.names.learn(bytes(window.bytes[start : start + 256]))

    def _feed(self, why: int) -> bool:
        """Move both windows on; False if nothing can be moved any more."""
        c = self.c
        if why == proof_walk.TOO_MANY_ROWS:
            return self._give_up("a gap between two beads that differs and is longer than the proof can hold")
        from_a, from_b = int(c[proof_walk.GA]), int(c[proof_walk.GB])
        room = WINDOW // 2
        if not c[proof_walk.SPLIT] and (c[proof_walk.IA] - from_a > room or c[proof_walk.IB] - from_b > room):
            self._cut_gap()
            from_a, from_b = int(c[proof_walk.GA]), int(c[proof_walk.GB])
        before = self.a.left + self.b.left
        self.a.shift(from_a)
        self.b.shift(from_b)
        for field, by in ((proof_walk.IA, from_a), (proof_walk.GA, from_a), (proof_walk.EQUAL, from_a)):
            c[field] -= by
        for field in (proof_walk.IB, proof_walk.GB):
            c[field] -= from_b
        if before == self.a.left + self.b.left and before > 0 and why == proof_walk.MORE:
            return self._give_up(f"lines of at most {LONGEST_LINE} bytes and gaps that fit in {WINDOW} bytes")
        return True

    def _cut_gap(self) -> None:
        """Give up the beginning of a long gap that has been equal so far; from here on no edit in it is accepted."""
        c = self.c
        c[proof_walk.GA], c[proof_walk.GB] = c[proof_walk.IA], c[proof_walk.IB]
        c[proof_walk.GLINE_A], c[proof_walk.GLINE_B] = c[proof_walk.LINE_A], c[proof_walk.LINE_B]
        c[proof_walk.CUT] = 1
        self.states[2][:] = self.states[0]

    def _give_up(self, expected: str) -> bool:
        lines = int(self.c[proof_walk.GLINE_A]), int(self.c[proof_walk.GLINE_B])
        self.violations.append(violation(3, *lines, expected, "more than that"))
        return False

    def _compare_end(self) -> None:
        """Promise 6: unless the walk ended side by side, the two states may differ."""
        if self.c[proof_walk.SPLIT]:
            names = proof_reader.STATE_NAMES
            differ = [k for k in range(proof_reader.STATE_SIZE) if self.states[2][k] != self.states[3][k]]
            expected, found = (", ".join(f"{names[k]} {_state_text(k, s[k])}" for k in differ) for s in self.states[2:])
            lines = int(self.c[proof_walk.LINE_A]) - 1, int(self.c[proof_walk.LINE_B]) - 1
            self.violations.append(violation(6, *lines, expected, found))

    def counts(self) -> dict[str, int]:
        c = self.c
        return {
            "beads": int(c[proof_walk.BEADS]),
            "travels": int(c[proof_walk.TRAVELS]),
            "touched": int(c[proof_walk.TOUCHED]),
            "own_lines": int(c[proof_walk.OWN_LINES]),
            "lines_original": int(c[proof_walk.LINE_A]) - 1,
            "lines_rewritten": int(c[proof_walk.LINE_B]) - 1,
        }


def _state_text(field: int, value: int) -> str:
    return plain(value) if field in proof_reader.SCALED else str(value)


def _as_array(limits: Limits) -> np.ndarray:
    """The limits as the kernels take them; what isn't known becomes infinite."""
    out = np.full(8, np.inf)
    bed = limits.bed
    if bed is None:
        out[proof_path.BED_KIND] = proof_path.NO_BED
    elif isinstance(bed, tuple):
        out[proof_path.BED_KIND] = proof_path.RECT_BED
        out[proof_path.BED_A : proof_path.BED_D + 1] = bed
    else:
        out[proof_path.BED_KIND] = proof_path.ROUND_BED
        out[proof_path.BED_A] = bed
    for field, value in (
        (proof_path.Z_MAX, limits.z_max_mm),
        (proof_path.Z_SPEED, limits.z_speed_mm_s),
        (proof_path.OWN_LIFT, limits.own_lift_max_mm),
    ):
        if value is not None:
            out[field] = value
    return out
