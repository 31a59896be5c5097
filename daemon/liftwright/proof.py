"""An independent proof that a rewritten job breaks none of its promises, made by reading both files afresh.

In: the original and the rewritten job as binary files, and the printer's limits. Out: whether the promises hold, and
the first violations, each with its promise's number and name and its line in both files. It imports no other part of
liftwright (but how kernels are kept on disk): a mistake of the reader, planner or splicer must not be the judge's, too.

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
from dataclasses import dataclass, field, replace
from typing import BinaryIO

import numpy as np

from liftwright import proof_bounds
from liftwright.proof_names import Names
from liftwright.proof_run import LONGEST_LINE, SHOWN, Run
from liftwright.proof_state import new_state
from liftwright.proof_text import Violation, violation
from liftwright.proof_window import WINDOW, Window

__all__ = ["LONGEST_LINE", "SHOWN", "WINDOW", "Limits", "Proof", "Proving", "Violation", "check_stamp", "prove"]

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
    whether it reached the end of both files, `sha` has read what stands before the stamp.

    `counts`: beads, travels, touched (gaps that differ), own_lines, lines_original, lines_rewritten.
    """

    holds: bool
    violations: tuple[Violation, ...]
    total: int
    complete: bool
    counts: dict[str, int]
    sha: "hashlib._Hash" = field(repr=False, compare=False)


def prove(original: BinaryIO, rewritten: BinaryIO, limits: Limits, *, stamped: bool = True) -> Proof:
    """Check promises 1 to 7 of `rewritten` against `original`; both must be seekable and are read from their start.

    stamped: False for a job whose stamp is still to come; `check_stamp` then has promise 7 judged. Memory: two windows
    of WINDOW bytes and the rows of one gap. Lines beyond LONGEST_LINE are a violation.
    """
    stamp, end = _find_stamp(rewritten) if stamped else ("", rewritten.seek(0, 2))
    proof = Proving(original, rewritten, limits).finish(end)
    return proof if not stamped or stamp == proof.sha.hexdigest() else _wrongly_stamped(proof, stamp)


class Proving:
    """The proof of a job that is still being written. It reads what stands in both files, and nothing else; between its
    turns the files may be read and written on, and stand where they stood."""

    def __init__(self, original: BinaryIO, rewritten: BinaryIO, limits: Limits) -> None:
        self._files, self._sha = (original, rewritten), hashlib.sha256()
        a, b = Window(original), Window(rewritten, self._sha)
        self._run = Run(a, b, _as_array(limits), new_state(limits.g90_sets_extrusion), Names(limits.neutral))
        here = original.tell()
        a.length, a.grows = original.seek(0, 2), False
        original.seek(here)

    def go_on(self, written: int) -> None:
        """The first `written` bytes of the rewritten job stand by now."""
        here = [file.tell() for file in self._files]
        self._run.b.length = written
        self._run.run()
        for file, place in zip(self._files, here, strict=True):
            file.seek(place)

    def finish(self, end: int) -> Proof:
        """The rewritten job ends with byte `end`; promises 1 to 6."""
        run = self._run
        run.b.length, run.b.grows = end, False
        run.run()
        run.b.rest()
        return Proof(
            holds=not run.violations,
            violations=tuple(run.violations[:SHOWN]),
            total=len(run.violations),
            complete=run.complete,
            counts=run.counts(),
            sha=self._sha,
        )


def check_stamp(rewritten: BinaryIO, proof: Proof) -> Proof:
    """Promise 7 for a job that has been given its stamp since it was proved, on top of what the proof says."""
    stamp, _ = _find_stamp(rewritten)
    return proof if stamp == proof.sha.hexdigest() else _wrongly_stamped(proof, stamp)


def _wrongly_stamped(proof: Proof, stamp: str) -> Proof:
    expected = f"a last line with the digest {proof.sha.hexdigest()}"
    found = f"the digest {stamp}" if stamp else "no stamp"
    wrong = violation(7, 0, proof.counts["lines_rewritten"] + 1, expected, found)
    return replace(proof, holds=False, violations=(*proof.violations, wrong)[:SHOWN], total=proof.total + 1)


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


def _as_array(limits: Limits) -> np.ndarray:
    """The limits as the kernels take them; what isn't known becomes infinite."""
    out = np.full(8, np.inf)
    bed = limits.bed
    if bed is None:
        out[proof_bounds.BED_KIND] = proof_bounds.NO_BED
    elif isinstance(bed, tuple):
        out[proof_bounds.BED_KIND] = proof_bounds.RECT_BED
        out[proof_bounds.BED_A : proof_bounds.BED_D + 1] = bed
    else:
        out[proof_bounds.BED_KIND] = proof_bounds.ROUND_BED
        out[proof_bounds.BED_A] = bed
    for slot, value in (
        (proof_bounds.Z_MAX, limits.z_max_mm),
        (proof_bounds.Z_SPEED, limits.z_speed_mm_s),
        (proof_bounds.OWN_LIFT, limits.own_lift_max_mm),
    ):
        if value is not None:
            out[slot] = value
    return out
