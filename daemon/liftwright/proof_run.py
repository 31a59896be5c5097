"""Keeps the proof's kernels fed: two windows in step, command names asked for, findings put into words.

In: both files, the limits as an array, the state at power-on. Out: violations in the order of the job, and counts.
The rewritten job may still grow: the walk goes as far as it stands, and on from there the next time.
"""

import numpy as np

from liftwright import proof_progress as at
from liftwright import proof_walk
from liftwright.proof_finding import COUNT, new_found, new_rows
from liftwright.proof_names import Names
from liftwright.proof_state import SCALED, STATE_NAMES, STATE_SIZE, Tables
from liftwright.proof_text import Violation, in_words, plain, violation
from liftwright.proof_window import WINDOW, Window

LONGEST_LINE = WINDOW // 2  # bytes; longer ones may not be provable
ROWS = 16_384  # lines between two beads, where the files differ
SHOWN = 20  # violations listed; the walk ends soon after


class Run:
    """One walk through both files. `complete`: it reached their end. `over`: it goes no farther."""

    def __init__(self, a: Window, b: Window, limits: np.ndarray, power_on: np.ndarray, names: Names) -> None:
        self.a, self.b = a, b
        self.limits, self.names = limits, names
        self.progress = at.new_progress()
        self.states = [power_on.copy() for _ in range(4)]  # at the cursors of a and b, at the gap's start in a and b
        self.rows = [new_rows(ROWS) for _ in range(2)]
        self.kept = np.zeros(ROWS + 1, dtype=np.uint8)
        self.tables = Tables(np.zeros(26, dtype=np.int64), np.zeros(26, dtype=np.int64), names.codes, names.names)
        self.found = new_found()
        self.violations: list[Violation] = []
        self.complete = self.over = False

    def run(self) -> None:
        """Go on as far as both files stand."""
        while not self.over:
            why = self._step()
            if why == proof_walk.DONE:
                self.complete = self.over = True
                self._compare_end()
            elif why == proof_walk.NAME_A:
                self._ask(self.a)
            elif why == proof_walk.NAME_B:
                self._ask(self.b)
            elif why == proof_walk.TOO_MANY_ROWS:
                self._give_up("a gap between two beads that differs and is longer than the proof can hold")
            elif why == proof_walk.MORE and not self._feed():
                if self.b.grows and not self.b.left and self._is_short(self.b, at.IB):
                    return
                self._make_room()
            self.over = self.over or len(self.violations) >= SHOWN

    def _step(self) -> int:
        a, b = self._file(0, self.a), self._file(1, self.b)
        why = proof_walk.walk(a, b, self.progress, self.tables, self.limits, self.found, self.kept)
        met = [in_words(row, self.a.bytes, self.b.bytes) for row in self.found.rows[: self.found.tally[COUNT]]]
        self.violations += sorted(met, key=lambda one: (one.line_rewritten, one.line_original, one.promise))
        self.found.tally[COUNT] = 0
        return why

    def _file(self, k: int, window: Window) -> proof_walk.File:
        states = self.states[k], self.states[2 + k]
        return proof_walk.File(window.bytes, window.usable, window.whole, *states, self.rows[k])

    def _ask(self, window: Window) -> None:
        """Put the class of the command that the kernel asked about into the tables."""
        table, first, last = (int(value) for value in self.tables.words[:3])
        self.names.learn(table, first, bytes(window.bytes[first:last]))

    def _is_short(self, window: Window, cursor: int) -> bool:
        return not window.whole and int(self.progress[cursor]) >= window.usable

    def _feed(self) -> bool:
        """Move on whichever window is used up; False if that brings nothing new."""
        c, news = self.progress, False
        for window, cursor, gap in ((self.a, at.IA, at.GA), (self.b, at.IB, at.GB)):
            if not self._is_short(window, cursor):
                continue
            left, start = window.left, int(c[gap])
            window.shift(start)
            c[[cursor, gap]] -= start
            if window is self.a:
                c[at.EQUAL] -= start
            news = news or window.whole or window.left < left
        return news

    def _make_room(self) -> None:
        """Give up the beginning of a long gap that has been equal so far; from here on no edit in it is accepted."""
        c = self.progress
        if c[at.SPLIT] or max(c[at.IA] - c[at.GA], c[at.IB] - c[at.GB]) <= WINDOW // 2:
            self._give_up(f"lines of at most {LONGEST_LINE} bytes and gaps that fit in {WINDOW} bytes")
            return
        c[[at.GA, at.GB]] = c[[at.IA, at.IB]]
        c[[at.GLINE_A, at.GLINE_B]] = c[[at.LINE_A, at.LINE_B]]
        c[at.CUT] = 1
        self.states[2][:] = self.states[0]

    def _give_up(self, expected: str) -> None:
        lines = int(self.progress[at.GLINE_A]), int(self.progress[at.GLINE_B])
        self.violations.append(violation(3, *lines, expected, "more than that"))
        self.over = True

    def _compare_end(self) -> None:
        """Promise 6: unless the walk ended side by side, the two states may differ."""
        if not self.progress[at.SPLIT]:
            return
        differ = [k for k in range(STATE_SIZE) if self.states[2][k] != self.states[3][k]]
        expected, found = (", ".join(_field(k, state[k]) for k in differ) for state in self.states[2:])
        lines = int(self.progress[at.LINE_A]) - 1, int(self.progress[at.LINE_B]) - 1
        self.violations.append(violation(6, *lines, expected, found))

    def counts(self) -> dict[str, int]:
        c = self.progress
        return {
            "beads": int(c[at.BEADS]),
            "travels": int(c[at.TRAVELS]),
            "touched": int(c[at.TOUCHED]),
            "own_lines": int(c[at.OWN_LINES]),
            "lines_original": int(c[at.LINE_A]) - 1,
            "lines_rewritten": int(c[at.LINE_B]) - 1,
        }


def _field(k: int, value: int) -> str:
    return f"{STATE_NAMES[k]} {plain(value) if k in SCALED else value}"
