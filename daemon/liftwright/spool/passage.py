"""The passage of jobs through the share, a group at a time: claimed → proved → published → closed.

1. A step is announced in the journal, durably, before it is done; one sync serves the whole group.
2. What is handed on lies finished and synced in the working folder before `proved` is written; publishing is a rename
   that replaces nothing. So the outbox holds whole files only, and the file's absence from the working folder proves
   that it was published.
3. Every step can be done again: after an OSError the same call continues where it stopped, and recovery after a crash
   is nothing but that.
"""

import hashlib
import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from liftwright import states
from liftwright.settings import Settings
from liftwright.spool import faults, ledger
from liftwright.spool.durable import open_folder, rename_new, replace_file, split_name, sync_folder, write_new
from liftwright.spool.inbox import Candidate
from liftwright.spool.journal import COMPACT_AT_BYTES, Entry, Journal, NoRoom
from liftwright.spool.names import day_of, new_id, numbered
from liftwright.spool.record import Record, delivery, to_bytes
from liftwright.spool.writing import draft, ledger_line, now_text, why_text

WHY = ".why.txt"
UNPROVED = ".unproved"
MOST_NUMBERS = 10_000


class Passage:
    """The open working folder and its journal."""

    def __init__(self, settings: Settings, journal: Journal) -> None:
        self.settings = settings
        self.journal = journal
        self.working = settings.folder("working")
        self._folder = os.open(self.working, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        self._in_ledger: set[str] = set()
        self._unsynced: list[Path] = []

    def close(self) -> None:
        """Close the journal and the folder."""
        os.close(self._folder)
        self.journal.close()

    def path(self, entry: Entry, ending: str) -> Path:
        """A file of this job in the working folder."""
        return self.working / f"{entry.id}{ending}"

    def claim(self, candidates: Sequence[Candidate], claimed: list[Entry]) -> None:
        """Take candidates out of the inbox and add each to CLAIMED as it is taken, even if a later one fails.

        Those that went away in the meantime are left out.
        """
        pairs = [(candidate, _entry(candidate)) for candidate in candidates]
        for _, entry in pairs:
            self.journal.claim(entry)
        try:
            faults.reach("claim.journal")
            self.journal.sync()
        except (NoRoom, OSError):
            self.journal.unclaim(entry for _, entry in pairs)
            raise
        try:
            for candidate, entry in pairs:
                self._take(candidate, entry)
        finally:
            for _, entry in pairs:
                if os.path.lexists(self.path(entry, ".in")):
                    claimed.append(entry)
                else:
                    self.journal.note(states.DROPPED, entry)
        faults.reach("claim.sync")
        os.fsync(self._folder)
        for parts in {split_name(entry.relative)[0] for _, entry in pairs}:
            with suppress(FileNotFoundError):
                sync_folder(self.settings.folder("inbox").joinpath(*parts))

    def _take(self, candidate: Candidate, entry: Entry) -> None:
        parts, name = split_name(candidate.relative)
        try:
            folder = open_folder(self.settings.folder("inbox"), parts)
        except (FileNotFoundError, NotADirectoryError):
            return
        try:
            faults.reach("claim.rename")
            rename_new(folder, name, self._folder, f"{entry.id}.in")
            # The job before its side files: of two daemons at one inbox, the one that has the job takes them.
            self._take_side(folder, name, entry)
        except FileNotFoundError:
            return
        finally:
            os.close(folder)

    def _take_side(self, folder: int, name: str, entry: Entry) -> None:
        for ending in entry.side:
            faults.reach("claim.side")
            try:
                rename_new(folder, name + ending, self._folder, entry.id + ending)
            except (FileNotFoundError, FileExistsError):
                # Withdrawn at the last moment: the job goes on without it. Or taken before a crash.
                continue

    def take_side_again(self, entry: Entry) -> None:
        """Recovery: side files that a crash left in the inbox, unless a new job of that name lies there by now."""
        parts, name = split_name(entry.relative)
        try:
            folder = open_folder(self.settings.folder("inbox"), parts)
        except OSError:
            return
        try:
            if name not in os.listdir(folder):
                self._take_side(folder, name, entry)
        finally:
            os.close(folder)

    def prove(self, pairs: Iterable[tuple[Entry, dict[str, Any], str]]) -> None:
        """Decide where finished jobs go, and announce it: (entry, the worker's finding, mode) each."""
        for entry, finding, mode in pairs:
            record = draft(entry, finding, mode)
            place = record.delivered.folder
            self.announce(entry, record, place, finding.get("output", ""), entry.relative)

    def announce(self, entry: Entry, record: Record, place: str, output: str, wanted: str) -> None:
        """Queue `proved`: RECORD goes to PLACE under the name WANTED, or the nearest free one."""
        target = self._free_name(entry, place, wanted)
        record = record.model_copy(update={"delivered": delivery(record.delivered.folder, target)})
        why = why_text(record) if record.outcome == states.HELD else ""
        self.journal.note(
            states.PROVED,
            entry,
            place=place,
            target=target,
            output=output,
            why=why,
            record=record.model_dump(mode="json"),
        )

    def _free_name(self, own: Entry, place: str, wanted: str) -> str:
        """The job's own name, or a numbered one where it is taken on the disk or by a job on its way."""
        root = self.settings.folder(_folder_of(place))
        parts, name = split_name(wanted)
        others = [entry for entry in self.journal.entries.values() if entry.state == states.PROVED and entry is not own]
        spoken_for = {entry.target for entry in others if _folder_of(entry.place) == _folder_of(place)}
        ending = WHY if place != states.TO_OUTBOX else ""
        for number in range(1, MOST_NUMBERS):
            candidate = "/".join((*parts, numbered(name, number, ending)))
            taken = candidate in spoken_for or os.path.lexists(root / candidate)
            if not taken and not (ending and os.path.lexists(root / (candidate + ending))):
                return candidate
        raise FileExistsError(17, f"{MOST_NUMBERS} files of this name are there already", str(root / wanted))

    def publish(self, entries: Sequence[Entry]) -> None:
        """Hand on every proved job of ENTRIES."""
        waiting = [entry for entry in entries if entry.state == states.PROVED]
        if not waiting:
            return
        faults.reach("prove.journal")
        self.journal.sync()
        folders: dict[tuple[str, tuple[str, ...]], int] = {}
        try:
            for entry in waiting:
                self._hand_on(entry, folders)
            faults.reach("publish.sync")
            for folder in folders.values():
                os.fsync(folder)
            os.fsync(self._folder)
        finally:
            for folder in folders.values():
                os.close(folder)
        for entry in waiting:
            self.journal.note(states.PUBLISHED, entry)
        faults.reach("published.journal")
        self.journal.sync()

    def _hand_on(self, entry: Entry, folders: dict[tuple[str, tuple[str, ...]], int]) -> None:
        while True:
            parts, name = split_name(entry.target)
            key = (_folder_of(entry.place), parts)
            try:
                if key not in folders:
                    faults.reach("publish.folder")
                    folders[key] = open_folder(self.settings.folder(key[0]), parts, make=True)
                self._rename_out(entry, folders[key], name)
            except FileExistsError:
                self._rename_target(entry, entry.relative)
            except NotADirectoryError:
                # A file (or a link) has the name of the folder: the job goes to the top instead.
                self._rename_target(entry, name)
            else:
                return

    def _rename_target(self, entry: Entry, wanted: str) -> None:
        record = Record.model_validate(entry.record)
        self.announce(entry, record, entry.place, entry.output, wanted)
        self.journal.sync()

    def _rename_out(self, entry: Entry, folder: int, name: str) -> None:
        if entry.place != states.TO_NOWHERE and (self.working / entry.output).exists():
            faults.reach("publish.rename")
            rename_new(self._folder, entry.output, folder, name)
        if entry.why:
            faults.reach("publish.why")
            _write_once(folder, name + WHY, entry.why.encode("utf-8", "backslashreplace"))
        evidence = self.path(entry, f".{entry.begun}.bad")
        if evidence.exists():
            rename_new(self._folder, evidence.name, folder, name + UNPROVED)

    def finish(self, entries: Sequence[Entry]) -> list[Record]:
        """Put the uploads of published jobs into originals/, write records and ledger; returns the records."""
        waiting = [entry for entry in entries if entry.state == states.PUBLISHED]
        if not waiting:
            return []
        for entry in waiting:
            faults.reach("close.original")
            self._keep_original(entry)
        for day in {day_of(entry.id) for entry in waiting}:
            sync_folder(self.settings.folder("originals") / day)
        records = [Record.model_validate(entry.record) for entry in waiting]
        self.write_records(records)
        faults.reach("close.journal")
        for entry in waiting:
            self.journal.note(states.CLOSED, entry)
            # The journal's file keeps it for recovery; in memory it would be what grows between compactions.
            entry.record = {}
        return records

    def _keep_original(self, entry: Entry) -> None:
        folder = open_folder(self.settings.folder("originals"), (day_of(entry.id),), make=True)
        try:
            for ending, kept in ((".in", _suffix(entry, self.settings)), *((one, one) for one in entry.side)):
                try:
                    rename_new(self._folder, entry.id + ending, folder, entry.id + kept)
                except FileNotFoundError:
                    # Moved by the run that crashed.
                    continue
        finally:
            os.close(folder)

    def write_records(self, records: Sequence[Record]) -> None:
        """Records and ledger lines; the ledger is durable at once, the records before the journal forgets them."""
        if not records:
            return
        events = []
        for record in records:
            faults.reach("close.record")
            data = to_bytes(record)
            path = record_path(self.settings, record.id)
            if not path.parent.is_dir():
                os.close(open_folder(self.settings.folder("records"), (path.parent.name,), make=True))
            replace_file(path, data, durable=False)
            self._unsynced.append(path)
            if record.id not in self._in_ledger:
                events.append(ledger_line(record, hashlib.sha256(data).hexdigest()))
        faults.reach("close.ledger")
        ledger.append(self.settings.folder("records"), events)
        self._in_ledger.update(record.id for record in records)

    def know_ledger(self) -> None:
        """Read which jobs the ledger already holds, so that recovery writes none twice."""
        self._in_ledger = ledger.jobs_in(self.settings.folder("records"))

    def compact(self, now: bool = False) -> None:
        """Let the journal forget closed jobs, once their records are durable."""
        if not now and self.journal.size < COMPACT_AT_BYTES:
            return
        for path in self._unsynced:
            _sync_file(path)
        for folder in {path.parent for path in self._unsynced}:
            sync_folder(folder)
        open_entries = [entry for entry in self.journal.entries.values() if entry.state != states.CLOSED]
        self.journal.flush()
        self.journal.compact(open_entries)
        self._unsynced.clear()
        self._in_ledger.clear()

    def discard(self, entry: Entry, attempt: int) -> None:
        """Remove what an attempt that came to nothing may have left."""
        for ending in (".out", ".bad"):
            self.path(entry, f".{attempt}{ending}").unlink(missing_ok=True)


def record_path(settings: Settings, job: str) -> Path:
    """Where the record of a job stands."""
    return settings.folder("records") / day_of(job) / f"{job}.json"


def _entry(candidate: Candidate) -> Entry:
    return Entry(
        id=new_id(),
        relative=candidate.relative,
        side=candidate.side,
        settled_by=candidate.settled_by,
        received=now_text(),
        refusal=candidate.refusal,
        copy=candidate.copy,
    )


def _folder_of(place: str) -> str:
    return "outbox" if place == states.TO_OUTBOX else "held"


def _suffix(entry: Entry, settings: Settings) -> str:
    """The kept upload's suffix: one of the known ones, or `.upload` for whatever else came."""
    lower = entry.relative.lower()
    return next((suffix for suffix in settings.suffixes if lower.endswith(suffix)), ".upload")


def _write_once(folder: int, name: str, data: bytes) -> None:
    try:
        write_new(folder, name, data)
    except FileExistsError:
        # Written by the run that crashed: the name was free when it was chosen.
        return


def _sync_file(path: Path) -> None:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        # Retention was quicker.
        return
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
