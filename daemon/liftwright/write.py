"""The second pass: travels, lifts and splices, window by window, into the sink; the stamp as the last line."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import LABEL, S_DECIMALS
from liftwright.job.moves import MoveReader, Window
from liftwright.job.survey import Survey
from liftwright.plan.lifts import FixedShapes, admit
from liftwright.plan.strokes import Strokes
from liftwright.plan.travels import FREE, NO_WAY, REASONS, TOO_FINE, TravelFinder, Travels
from liftwright.rules.schema import Lift, Material, Printer
from liftwright.splice import Splicer
from liftwright.stamp import stamp_line
from liftwright.terms import MOST_PLACES, lift_terms, neutral_hashes, splice_terms


@dataclass(frozen=True, slots=True)
class Writing:
    """What the second pass did: travels rewritten and seen, counts by reason, measures in mm, the output's digest."""

    rewritten: int
    seen: int
    counts: dict[str, int]
    travels: dict[str, int]
    measures: dict[str, float]
    sha256: str
    details: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def write(
    source: BinaryIO, sink: BinaryIO, found: Survey, lift: Lift, printer: Printer, material: Material | None,
    g90_sets_extrusion: bool, chunk: int, tick: Callable[[int], None],
) -> Writing:  # fmt: skip
    """Write the job from `source` into `sink` with the lifts of the rule."""
    del material
    source.seek(0)
    reader = MoveReader(
        source, g90_sets_extrusion=g90_sets_extrusion, neutral=neutral_hashes(printer, found.unknown), chunk=chunk
    )
    terms = lift_terms(lift, printer, lift.shape)
    finder = TravelFinder(found.begin_line)
    shapes = FixedShapes(terms)
    splicer = Splicer(splice_terms(lift, printer, lift.shape, found))
    labels = _Labels(lift.object)
    strokes = Strokes()
    tally = np.zeros(len(REASONS), np.int64)
    digest = hashlib.sha256()
    rows = 0
    line_end = b"\n"
    tail = b""
    for window in reader.windows():
        if rows == 0:
            line_end = _line_end(window)
        travels = finder.find(window.moves)
        reason = admit(travels, terms, labels.allowed(window, travels))
        if found.state[S_DECIMALS] > MOST_PLACES:
            reason[reason == FREE] = TOO_FINE
        lifts = shapes.plan(window.moves, travels, reason)
        out = splicer.apply(window, travels, lifts)
        strokes.add(window.moves, travels, lifts)
        tally += np.bincount(lifts.reason, minlength=len(REASONS))
        rows += len(window.moves) - 1
        digest.update(out)
        sink.write(out)
        tail = bytes(out[-1:]) or tail
        tick(reader.size)
    if tail not in (b"\n", b"\r"):
        digest.update(line_end)
        sink.write(line_end)
    stamp = stamp_line(digest.hexdigest(), line_end)
    digest.update(stamp)
    sink.write(stamp)
    seen = int(tally.sum() - tally[NO_WAY])
    return Writing(
        rewritten=int(tally[FREE]),
        seen=seen,
        counts={"moves": rows, "travels": seen, "rewritten": int(tally[FREE]), **strokes.counts()},
        travels={("rewritten" if k == FREE else REASONS[k]): int(n) for k, n in enumerate(tally) if n and k != NO_WAY},
        measures=strokes.measures(),
        sha256=digest.hexdigest(),
    )


def _line_end(window: Window) -> bytes:
    """The line end of the job's first line."""
    text = window.buf[: window.size]
    ends = np.flatnonzero((text[: 1 << 16] == 10) | (text[: 1 << 16] == 13))
    if not len(ends):
        return b"\n"
    k = int(ends[0])
    if text[k] == 10:
        return b"\n"
    return b"\r\n" if k + 1 < len(text) and text[k + 1] == 10 else b"\r"


class _Labels:
    """Which object labels the rule's glob admits; label numbers as the reader gives them."""

    def __init__(self, glob: str | None) -> None:
        self._glob = glob.casefold() if glob else None
        self._names: dict[int, str] = {}

    def allowed(self, window: Window, travels: Travels) -> NDArray[np.bool_] | None:
        """One truth per travel, or None where the rule names no object."""
        if self._glob is None:
            return None
        moves = window.moves
        for r in np.flatnonzero(moves.kind == LABEL):
            text = bytes(window.buf[max(0, moves.start[r]) : moves.end[r]]).decode("utf-8", "replace")
            label, code = int(moves.label[r]), int(moves.code[r])
            if code == 2 and label >= 0:
                self._names[label] = text.partition("A")[2].strip().strip('"')
            elif code == 3:
                self._names[label] = text.upper().partition("NAME=")[2].split()[0] if "NAME=" in text.upper() else ""
            elif code == 1:
                self._names.setdefault(label, str(label))
        fits = {n for n, name in self._names.items() if n >= 0 and fnmatchcase(name.casefold(), self._glob)}
        return np.isin(travels.label, np.array(sorted(fits), np.int64))
