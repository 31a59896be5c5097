"""The write-ahead journal of one working folder: what was decided about each job, before it is done.

1. A line is `CRC JSON`; a step that may follow is written and synced before what it announces is carried out.
2. A torn or garbled line is ignored, and the job's state is taken from the lines before it and from the folders.
3. After a failed sync nothing more is written: the system may have thrown the pages away and said so only once.
   The process ends and reads the disk afresh.
4. A journal of another format is refused, never guessed at.
"""

import json
import os
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from liftwright import states
from liftwright.errors import DeliveryError
from liftwright.spool import durable, faults
from liftwright.spool.durable import sync_folder, write_all

HEADER = "liftwright journal 1\n"
COMPACT_AT_BYTES = 2_000_000


class NoRoom(DeliveryError):
    """Nothing could be written now; what was queued stays queued, and the same step may be tried again later."""


@dataclass(slots=True)
class Entry:
    """One claimed job as the journal knows it; `relative` is its path in the inbox (surrogates for odd bytes)."""

    id: str
    relative: str
    state: str = states.CLAIMED
    side: tuple[str, ...] = ()
    settled_by: str = ""
    received: str = ""
    refusal: tuple[str, str] | None = None
    copy: bool = True
    failures: tuple[str, ...] = ()
    begun: int = 0
    ended: int = 0
    # From `proved` on: where it goes, under which name, and the record as far as it is known.
    place: str = ""
    target: str = ""
    output: str = ""
    why: str = ""
    record: dict[str, Any] = field(default_factory=dict)

    @property
    def interruptions(self) -> int:
        """Times a worker had begun this job when everything stopped at once."""
        return self.begun - self.ended - len(self.failures)


class Journal:
    """The open journal; `entries` holds the jobs not dropped since the last compaction, closed ones included."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.entries: dict[str, Entry] = {}
        self.damaged = 0
        self._pending: list[tuple[str, bytes]] = []
        self._broken = ""
        self._fd = -1
        self.size = 0
        for line in self._lines():
            self._apply(line)
        self.compact(self.entries.values())

    def note(self, step: str, entry: Entry, **values: Any) -> None:
        """Queue a step; `sync` or `flush` writes it."""
        line = {"step": step, "id": entry.id, **values}
        self._apply(line)
        self._pending.append((entry.id, _checked(line)))

    def claim(self, entry: Entry) -> None:
        """Queue the announcement of a claim."""
        self.entries[entry.id] = entry
        self._pending.append((entry.id, _whole(entry)))

    def unclaim(self, entries: Iterable[Entry]) -> None:
        """Take back claims that were queued and could not be written."""
        ids = {entry.id for entry in entries}
        self._pending = [(job, line) for job, line in self._pending if job not in ids]
        for job in ids:
            self.entries.pop(job, None)

    def flush(self) -> None:
        """Hand the queued lines to the system: they survive the end of this process, not of the machine."""
        self._write(sync=False)

    def sync(self) -> None:
        """Make the queued lines durable; nothing they announce may be done before."""
        self._write(sync=True)

    def _write(self, sync: bool) -> None:
        if self._broken:
            raise DeliveryError(self._broken)
        data = b"".join(line for _, line in self._pending)
        try:
            write_all(self._fd, data)
        except OSError as error:
            self._step_back(error)
            raise NoRoom(f"{self.path}: can't be written: {error.strerror}; wanted room for one more line") from error
        self.size += len(data)
        self._pending.clear()
        if not sync:
            return
        try:
            durable.sync(self._fd)
        except OSError as error:
            self._broken = f"{self.path}: can't be made durable: {error.strerror}; wanted a disk that keeps it"
            raise DeliveryError(self._broken) from error

    def _step_back(self, error: OSError) -> None:
        """Cut a half-written line off, so that the queued lines can be written again when there is room."""
        try:
            os.ftruncate(self._fd, self.size)
            os.lseek(self._fd, self.size, os.SEEK_SET)
        except OSError:
            self._broken = f"{self.path}: a half-written line can't be removed after: {error.strerror}"

    def compact(self, keep: Iterable[Entry]) -> None:
        """Start the journal anew with the entries of KEEP; the old one stays until the new one is durable."""
        kept = {entry.id: entry for entry in keep}
        temp = self.path.with_name(f".{self.path.name}.new")
        fd = os.open(temp, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640)
        try:
            faults.reach("compact.write")
            data = HEADER.encode() + b"".join(_whole(entry) for entry in kept.values())
            write_all(fd, data)
            durable.sync(fd)
            faults.reach("compact.rename")
            os.replace(temp, self.path)
            sync_folder(self.path.parent)
        except OSError:
            os.close(fd)
            raise
        if self._fd >= 0:
            os.close(self._fd)
        self._fd, self.size, self.entries = fd, len(data), kept

    def close(self) -> None:
        """Close the file; lines still queued are dropped, as a crash would drop them."""
        os.close(self._fd)

    def _lines(self) -> Iterator[dict[str, Any]]:
        try:
            text = self.path.read_bytes()
        except FileNotFoundError:
            return
        head, _, body = text.partition(b"\n")
        if text and head != HEADER.encode().rstrip():
            found = head[:40].decode("ascii", "backslashreplace")
            raise DeliveryError(
                f"{self.path}: its first line is {found!r}; wanted {HEADER.rstrip()!r}. It was written by another "
                "version of liftwright: finish the open jobs with that one, or move the file away"
            )
        for line in body.splitlines(keepends=True):
            checked = _check(line)
            if checked is None:
                self.damaged += 1
            else:
                yield checked

    def _apply(self, line: dict[str, Any]) -> None:
        step = line["step"]
        if step == "entry":
            values: dict[str, Any] = {key: _frozen(value) for key, value in line["values"].items()}
            self.entries[line["id"]] = Entry(**values)
            return
        entry = self.entries.get(line["id"])
        if entry is None:
            # Its claim stood in a damaged line; the folders tell what becomes of its file.
            return
        match step:
            case "begun":
                entry.begun += 1
            case "ended":
                entry.ended += 1
            case "failed":
                entry.failures = (*entry.failures, line["why"])
            case _:
                self._advance(entry, line)

    def _advance(self, entry: Entry, line: dict[str, Any]) -> None:
        step = line["step"]
        if step not in states.MAY_FOLLOW[entry.state]:
            raise DeliveryError(f"{self.path}: job {entry.id} is {entry.state}; {step!r} can't follow")
        entry.state = step
        if step == states.PROVED:
            for key in ("place", "target", "output", "why", "record"):
                setattr(entry, key, line[key])
        elif step == states.DROPPED:
            del self.entries[entry.id]


def _whole(entry: Entry) -> bytes:
    values = {name: getattr(entry, name) for name in Entry.__slots__}
    return _checked({"step": "entry", "id": entry.id, "values": values})


def _checked(line: dict[str, Any]) -> bytes:
    text = json.dumps(line, separators=(",", ":"))
    return f"{zlib.crc32(text.encode()):08x} {text}\n".encode()


def _frozen(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _check(line: bytes) -> dict[str, Any] | None:
    """The content of an undamaged line; None for a torn or garbled one."""
    crc, _, text = line.rstrip(b"\n").partition(b" ")
    if not line.endswith(b"\n") or crc != b"%08x" % zlib.crc32(text):
        return None
    value = json.loads(text)
    return value if isinstance(value, dict) else None
