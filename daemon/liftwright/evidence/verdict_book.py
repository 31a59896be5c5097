"""Verdicts in the ledger: one line each, chained like all others, holding what was seen and of which print.

A second verdict on the same print is a line of its own that names the line it corrects; nothing is ever overwritten.
A line holds all that standings need, so that it outlives the job's record.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any, TypeAlias

from liftwright.evidence.trial_record import Trial
from liftwright.evidence.verdict import Verdict
from liftwright.evidence.verdict_subject import Subject, subject_of
from liftwright.settings import Settings
from liftwright.spool import ledger
from liftwright.spool.writing import now_text

EVENT = "verdict"
SEEN = ("stayed", "strings", "finish", "minutes", "note")
JOB_KEYS = frozenset(
    ("id", "name", "outcome", "reason_code", "rule", "printer", "folder", "delivered", "sha256_in", "sha256_out")
)
VERDICT_KEYS = frozenset(
    ("n", "id", "letter", "print", "seen", "source", "shape", "height_mm", "material", "printer", "rule")
)

Line: TypeAlias = dict[str, Any]
PrintKey: TypeAlias = tuple[str, str | None, int]


@dataclass(frozen=True, slots=True)
class Source:
    """The file that a verdict came in: enough to know it again after a crash, whatever else was recorded since."""

    file: str
    sha256: str
    mtime_ns: int


@dataclass(frozen=True, slots=True)
class Book:
    """The ledger, as verdicts see it. `standing`: the verdict that holds for each print."""

    jobs: dict[str, Line] = field(default_factory=dict)
    released: frozenset[str] = frozenset()
    standing: dict[PrintKey, Line] = field(default_factory=dict)
    sources: frozenset[Source] = frozenset()


@dataclass(frozen=True, slots=True)
class Entered:
    """What became of a verdict. corrects: the verdict that stood before; is_new: False where the same one stood."""

    subject: Subject
    corrects: Line | None
    is_new: bool


def read_book(settings: Settings) -> Book:
    """The whole ledger, read once; a line that lacks what it should hold is passed over (`ledger.verify` names it)."""
    jobs: dict[str, Line] = {}
    released, standing, sources = set(), {}, set()
    for line in ledger.events(settings.folder("records")):
        event = line.get("event")
        if event == "job" and line.keys() >= JOB_KEYS:
            jobs[line["id"]] = line
        elif event == "released":
            released.add(line.get("id", ""))
        elif event == EVENT and line.keys() >= VERDICT_KEYS and line["seen"].keys() >= set(SEEN):
            standing[print_key(line)] = line
            if line["source"]:
                sources.add(Source(**line["source"]))
    return Book(jobs, frozenset(released), standing, frozenset(sources))


def print_key(line: Line) -> PrintKey:
    """What makes a print one print."""
    return line["id"], line["letter"], line["print"]


def enter(
    settings: Settings, book: Book, verdict: Verdict, source: Source | None = None, trials: Iterable[Trial] = ()
) -> Entered:
    """Record a verdict durably. UsageError where it names no print; OSError where the ledger can't be written.

    `book` must have been read just now. One that says what stands already is not written again. trials: known besides
    those in the share.
    """
    subject = subject_of(settings, verdict, book.jobs, book.released, trials)
    seen = {key: value for key, value in verdict.model_dump().items() if key in SEEN}
    before = book.standing.get((subject.id, subject.letter, verdict.print))
    if before is not None and before["seen"] == seen:
        return Entered(subject, before, is_new=False)
    line: Line = {
        "event": EVENT,
        "at": now_text(),
        **asdict(subject),
        "print": verdict.print,
        "seen": seen,
        "corrects": before["n"] if before else None,
        "source": asdict(source) if source else None,
    }
    ledger.append(settings.folder("records"), [line])
    return Entered(subject, before, is_new=True)
