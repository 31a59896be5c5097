"""The passage of jobs through the share, a group at a time: claimed → proved → published → closed.

`claiming.py` has the way in and `closing.py` the end; what lies between, and the order of it all, is here.

1. A step is announced in the journal, durably, before it is done; one sync serves the whole group.
2. What is handed on lies finished and synced in the working folder before `proved` is written; publishing is a rename
   that replaces nothing. So the outbox holds whole files only, and the file's absence from the working folder proves
   that it was published.
3. Every step can be done again: after an OSError the same call continues where it stopped, and recovery after a crash
   is nothing but that.
"""

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from liftwright import states
from liftwright.besides import remove_output
from liftwright.settings import Settings
from liftwright.spool import faults
from liftwright.spool.closing import Closing, record_path
from liftwright.spool.durable import open_folder, rename_new, split_name, sync, write_new
from liftwright.spool.journal import COMPACT_AT_BYTES, Entry, Journal
from liftwright.spool.names import numbered
from liftwright.spool.record import Record, delivery
from liftwright.spool.writing import draft, why_text

__all__ = ["MOST_NUMBERS", "UNPROVED", "WHY", "Passage", "record_path"]

WHY = ".why.txt"
UNPROVED = ".unproved"
MOST_NUMBERS = 10_000


class Passage:
    """The open working folder, its journal, and what ended jobs leave behind."""

    def __init__(self, settings: Settings, journal: Journal) -> None:
        self.settings = settings
        self.journal = journal
        self.working = settings.folder("working")
        self.folder = os.open(self.working, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        self.closing = Closing(settings, self.folder)

    def close(self) -> None:
        """Close the journal and the folder."""
        os.close(self.folder)
        self.journal.close()

    def path(self, entry: Entry, ending: str) -> Path:
        """A file of this job in the working folder."""
        return self.working / f"{entry.id}{ending}"

    def prove(self, pairs: Iterable[tuple[Entry, dict[str, Any], str]]) -> None:
        """Decide where finished jobs go, and announce it: (entry, the worker's finding, mode) each."""
        for entry, finding, mode in pairs:
            record = draft(entry, finding, mode)
            place = record.delivered.folder
            self.announce(entry, record, place, finding.get("output", ""), wanted_name(entry, record))

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
                sync(folder)
            sync(self.folder)
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
                self._rename_target(entry, wanted_name(entry, Record.model_validate(entry.record)))
            except (NotADirectoryError, PermissionError):
                # A file (or a link) has the name of the folder, or it is somebody else's: to the top instead.
                if not parts:
                    raise
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
            rename_new(self.folder, entry.output, folder, name)
        if entry.why:
            faults.reach("publish.why")
            _write_once(folder, name + WHY, entry.why.encode("utf-8", "backslashreplace"))
        evidence = self.path(entry, f".{entry.begun}.bad")
        if evidence.exists():
            rename_new(self.folder, evidence.name, folder, name + UNPROVED)

    def finish(self, entries: Sequence[Entry]) -> list[Record]:
        """Put the uploads of published jobs into originals/, write records and ledger; returns the records."""
        waiting = [entry for entry in entries if entry.state == states.PUBLISHED]
        if not waiting:
            return []
        self.closing.keep_originals(waiting)
        records = [Record.model_validate(entry.record) for entry in waiting]
        self.closing.write_records(records)
        for entry, record in zip(waiting, records, strict=True):
            if record.details.get("page"):
                self.closing.put_page(record.id, self.path(entry, f".{entry.begun}.page"))
        faults.reach("close.journal")
        for entry in waiting:
            self.journal.note(states.CLOSED, entry)
            # The journal's file keeps it for recovery; in memory it would be what grows between compactions.
            entry.record = {}
        return records

    def compact(self, now: bool = False) -> None:
        """Let the journal forget closed jobs, once their records are durable."""
        if not now and self.journal.size < COMPACT_AT_BYTES:
            return
        self.closing.make_durable()
        open_entries = [entry for entry in self.journal.entries.values() if entry.state != states.CLOSED]
        self.journal.flush()
        self.journal.compact(open_entries)
        self.closing.forget()

    def discard(self, entry: Entry, attempt: int) -> None:
        """Remove what an attempt that came to nothing may have left."""
        for ending in (".out", ".bad", ".trial.out", ".page"):
            remove_output(self.path(entry, f".{attempt}{ending}"))


def wanted_name(entry: Entry, record: Record) -> str:
    """Where a job wants to go: its path in the inbox; a trial's folder, the same with another ending."""
    if record.outcome != states.REWRITTEN or "trial" not in record.details:
        return entry.relative
    parts, name = split_name(entry.relative)
    return "/".join((*parts, f"{numbered(name, 1, '.trial').rpartition('.')[0] or name}.trial"))


def _folder_of(place: str) -> str:
    return "outbox" if place == states.TO_OUTBOX else "held"


def _write_once(folder: int, name: str, data: bytes) -> None:
    try:
        write_new(folder, name, data)
    except FileExistsError:
        # Written by the run that crashed: the name was free when it was chosen.
        return
