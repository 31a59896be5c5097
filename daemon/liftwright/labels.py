"""Object labels of a job (M486, and the documented start and end commands), and which of them a rule's glob admits."""

from fnmatch import fnmatchcase

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import LABEL
from liftwright.job.moves import Window
from liftwright.plan.travels import Travels


class Labels:
    """Follows the names behind the reader's label numbers, window by window."""

    def __init__(self, glob: str | None) -> None:
        self._glob = glob.casefold() if glob else None
        self._names: dict[int, str] = {}

    def allowed(self, window: Window, travels: Travels) -> NDArray[np.bool_] | None:
        """One truth per travel, or None where the rule names no object."""
        if self._glob is None:
            return None
        moves = window.moves
        rows = np.flatnonzero(moves.kind == LABEL)
        allowed = np.zeros(len(travels), np.bool_)
        # A name counts from the row on which it is given, wherever the windows are cut.
        cuts = np.searchsorted(travels.first, rows)
        begin = 0
        for r, end in zip(rows, cuts, strict=True):
            allowed[begin:end] = self._fit(travels.label[begin:end])
            begin = int(end)
            text = bytes(window.buf[max(0, moves.start[r]) : moves.end[r]]).decode("utf-8", "replace")
            self._name(text.partition(";")[0], int(moves.label[r]), int(moves.code[r]))
        allowed[begin:] = self._fit(travels.label[begin:])
        return allowed

    def _fit(self, labels: NDArray[np.int64]) -> NDArray[np.bool_]:
        fits = {n for n, name in self._names.items() if n >= 0 and fnmatchcase(name.casefold(), self._glob or "")}
        return np.isin(labels, np.array(sorted(fits), np.int64))

    def _name(self, text: str, label: int, code: int) -> None:
        """`code`: 1 a number, 2 a name for the number in force, 3 a start with NAME=, 4 an end."""
        if code == 1:
            self._names.setdefault(label, str(label))
        elif code == 2 and label >= 0:
            at = text.upper().find("A", text.upper().find("486") + 3)
            self._names[label] = text[at + 1 :].strip().strip('"')
        elif code == 3:
            at = text.upper().find("NAME=")
            self._names[label] = text[at + 5 :].split(" ")[0].strip() if at >= 0 else ""
