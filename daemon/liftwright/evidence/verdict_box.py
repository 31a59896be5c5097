"""The folder verdicts/: files that people drop there are recorded and put aside, or refused with a word beside them.

1. A file is read once it looked the same twice and nobody has it open for writing. The listing is the truth.
2. Recorded in the ledger first, durably; then moved into verdicts/recorded/. A crash in between does no harm: the line
   names the file, and what it names is only moved.
3. A refused file stays where it is, with NAME.why.txt beside it, and is read again when it changes. Nothing is deleted
   but our own .why.txt.
4. What can't be done here never stands in the way of jobs: it is logged and tried again.
"""

import hashlib
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from liftwright import log
from liftwright.errors import LiftwrightError, UsageError
from liftwright.evidence.verdict import MOST_BYTES, Verdict, read_verdict
from liftwright.evidence.verdict_book import Book, PrintKey, Source, enter, read_book
from liftwright.evidence.verdict_subject import subject_of
from liftwright.settings import Settings
from liftwright.spool import settle
from liftwright.spool.durable import FOLDER_FLAGS, READ_FLAGS, is_plain, rename_new, write_new
from liftwright.spool.inbox import LEFT_ALONE, UNFINISHED
from liftwright.spool.names import numbered, printable
from liftwright.spool.settle import Signature

ENDING = ".yaml"
WHY = ".why.txt"
RECORDED = "recorded"
MOST_A_LOOK = 50
MOST_NUMBERS = 1000
BACK_OFF_S = 30.0


class NotYet(Exception):
    """Somebody still writes into the file."""


@dataclass(slots=True)
class VerdictBox:
    """`seen`: each file as it looked last; `refused`: those that were refused, as they looked then."""

    settings: Settings
    logger: Any
    seen: dict[str, Signature] = field(default_factory=dict)
    refused: dict[str, Signature] = field(default_factory=dict)
    blocked: str = ""
    _again_at: float = 0.0

    def look(self) -> None:
        """Read what lies still since the look before; raises nothing that a file, a disk or a permission causes."""
        if time.monotonic() < self._again_at:
            return
        trouble: OSError | None = None
        try:
            with _opened(self.settings.folder("verdicts")) as folder:
                trouble = self._take_all(folder, self._due(folder)[:MOST_A_LOOK])
        except OSError as error:
            trouble = error
        self._say(trouble)

    def _take_all(self, folder: int, names: list[str]) -> OSError | None:
        """Take each; what one file meets doesn't keep the others waiting. The ledger is read once."""
        trouble = None
        book = read_book(self.settings) if names else Book()
        entered: set[PrintKey] = set()
        for name in names:
            try:
                self._take(folder, name, book, entered)
            except OSError as error:
                trouble = error
        return trouble

    def _due(self, folder: int) -> list[str]:
        """Names of files that look as they did before and were not refused so."""
        before, self.seen = self.seen, {}
        with os.scandir(folder) as entries:
            for entry in entries:
                if _counts(entry.name) and not entry.is_dir(follow_symlinks=False):
                    with suppress(FileNotFoundError):
                        self.seen[entry.name] = Signature.of(entry.stat(follow_symlinks=False))
        for name in self.refused.keys() - self.seen.keys():
            # Taken away by whoever put it there: the word beside it has nobody to speak to.
            _remove(folder, _why_name(name))
        self.refused = {name: known for name, known in self.refused.items() if self.seen.get(name) == known}
        return sorted(name for name, now in self.seen.items() if before.get(name) == now and name not in self.refused)

    def _take(self, folder: int, name: str, book: Book, entered: set[PrintKey]) -> None:
        try:
            data, mtime_ns = _read(folder, name)
            source = Source(printable(name)[0], hashlib.sha256(data).hexdigest(), mtime_ns)
            if source not in book.sources:
                self._record(book, read_verdict(data, source.file), source, entered)
        except (NotYet, FileNotFoundError):
            return
        except LiftwrightError as error:
            self._refuse(folder, name, str(error))
            return
        _remove(folder, _why_name(name))
        _put_aside(folder, name)

    def _record(self, book: Book, verdict: Verdict, source: Source, entered: set[PrintKey]) -> None:
        subject = subject_of(self.settings, verdict, book.jobs, book.released)
        key = (subject.id, subject.letter, verdict.print)
        if key in entered:
            # It corrects a line that this book doesn't hold yet.
            raise NotYet
        found = enter(self.settings, book, verdict, source)
        entered.add(key)
        corrects = found.corrects["n"] if found.corrects else None
        self.logger.info(
            log.VERDICT, file=source.file, id=subject.id, letter=subject.letter, new=found.is_new, corrects=corrects
        )

    def _refuse(self, folder: int, name: str, why: str) -> None:
        self.refused[name] = self.seen[name]
        self.logger.warning(log.VERDICT_REFUSED, file=printable(name)[0], why=why)
        _write_why(folder, _why_name(name), _words(printable(name)[0], why))

    def _say(self, trouble: OSError | None) -> None:
        why = f"{trouble.filename or self.settings.folder('verdicts')}: {trouble.strerror}" if trouble else ""
        if why and why != self.blocked:
            self.logger.warning(log.VERDICTS_BLOCKED, why=why)
        self.blocked = why
        self._again_at = time.monotonic() + BACK_OFF_S if why else 0.0


@contextmanager
def _opened(place: Path) -> Iterator[int]:
    folder = os.open(place, FOLDER_FLAGS)
    try:
        yield folder
    finally:
        os.close(folder)


def _counts(name: str) -> bool:
    lower = name.lower()
    return not (name.startswith((".", "~")) or lower.endswith((WHY, *UNFINISHED)) or lower in LEFT_ALONE)


def _read(folder: int, name: str) -> tuple[bytes, int]:
    """(bytes, mtime in ns) of a finished file; UsageError for what is no verdict by its kind alone."""
    if not name.lower().endswith(ENDING):
        raise UsageError(f"its name does not end in {ENDING}; wanted a name such as pot-verdict{ENDING}")
    try:
        fd = os.open(name, READ_FLAGS, dir_fd=folder)
    except FileNotFoundError:
        raise
    except OSError as error:
        raise UsageError(f"it can't be opened: {error.strerror}; wanted a plain file") from None
    try:
        info = os.fstat(fd)
        if not is_plain(info):
            raise UsageError("it is a link, a pipe or a device; wanted a plain file")
        if info.st_size > MOST_BYTES:
            raise UsageError(f"it has {info.st_size} bytes; wanted at most {MOST_BYTES}")
        if settle.ask_lease(fd) == settle.BUSY:
            raise NotYet
        return os.pread(fd, MOST_BYTES + 1, 0), info.st_mtime_ns
    finally:
        os.close(fd)


def _put_aside(folder: int, name: str) -> None:
    aside = _recorded_folder(folder)
    try:
        for number in range(1, MOST_NUMBERS):
            try:
                rename_new(folder, name, aside, numbered(name, number))
            except FileExistsError:
                continue
            except FileNotFoundError:
                # Taken away by whoever put it there: it is recorded all the same.
                return
            return
    finally:
        os.close(aside)


def _recorded_folder(folder: int) -> int:
    with suppress(FileExistsError):
        os.mkdir(RECORDED, 0o750, dir_fd=folder)
    return os.open(RECORDED, FOLDER_FLAGS, dir_fd=folder)


def _why_name(name: str) -> str:
    return numbered(name, 1, WHY) + WHY


def _write_why(folder: int, name: str, text: str) -> None:
    """Whole or not at all, and never through somebody's link: a new file takes the place of whatever has the name."""
    new = f".why-{secrets.token_hex(8)}"
    write_new(folder, new, text.encode("utf-8", "backslashreplace"))
    try:
        os.replace(new, name, src_dir_fd=folder, dst_dir_fd=folder)
    except OSError:
        _remove(folder, new)
        raise


def _remove(folder: int, name: str) -> None:
    with suppress(FileNotFoundError):
        os.unlink(name, dir_fd=folder)


def _words(name: str, why: str) -> str:
    return f"""{name} was not taken as a verdict.

Why:
{why}

Put it right and save it again: it is read again when it changes. A verdict looks like this:

job: 20261125T101500-0123456789
stayed: true
strings: 2
finish: 4
note: one thread at the rim

strings is 0 (none) to 5 (a web); finish is 0 (scrap) to 5 (as good as it gets). For a trial, job is its number and
letter says which arm was printed. This file goes away by itself.
"""
