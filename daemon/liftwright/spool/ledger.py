"""The ledger: one line an event, each holding the digest of the line before, so that no line can be changed unseen.

`append` adds lines durably, under a lock, because `liftwright release` writes beside the daemon. `verify` reads the
chain and the records it names. A last line without its end is what a crash leaves: it is cut off, and its job's line
is written again from the journal.
"""

import fcntl
import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from liftwright.spool.durable import give_to_owner, sync, write_all
from liftwright.spool.names import day_of

NAME = "ledger.jsonl"
FIRST = "0" * 64
_TAIL = 1 << 16


def append(folder: Path, events: Sequence[dict[str, Any]]) -> None:
    """Add EVENTS to FOLDER/ledger.jsonl; each gets `n`, `prev`; all of them are durable afterwards, or OSError."""
    if not events:
        return
    fd = os.open(folder / NAME, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
    try:
        fcntl.flock(fd, fcntl.LOCK_EX)
        _belong(fd, folder)
        end, number, previous = _last(fd)
        lines = []
        for event in events:
            number += 1
            line = _line(number, previous, event)
            previous = hashlib.sha256(line).hexdigest()
            lines.append(line)
        os.ftruncate(fd, end)
        os.lseek(fd, end, os.SEEK_SET)
        try:
            write_all(fd, b"".join(lines))
            sync(fd)
        except OSError:
            os.ftruncate(fd, end)
            raise
    finally:
        os.close(fd)


def _belong(fd: int, folder: Path) -> None:
    owner = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        give_to_owner(fd, owner)
    finally:
        os.close(owner)


def _line(number: int, previous: str, event: dict[str, Any]) -> bytes:
    text = json.dumps({"n": number, "prev": previous, **event}, ensure_ascii=True, separators=(",", ":"))
    return text.encode("ascii") + b"\n"


def _last(fd: int) -> tuple[int, int, str]:
    """(where the next line begins, number of the last line, its digest); what follows the last line end is ignored."""
    size = os.fstat(fd).st_size
    reach = _TAIL
    while True:
        start = max(0, size - reach)
        tail = os.pread(fd, size - start, start)
        whole = tail[: tail.rfind(b"\n") + 1]
        before = whole.rfind(b"\n", 0, len(whole) - 1)
        if whole and (before >= 0 or start == 0):
            line = whole[before + 1 :]
            return start + len(whole), int(json.loads(line)["n"]), hashlib.sha256(line).hexdigest()
        if start == 0:
            return 0, 0, FIRST
        reach *= 4


def events(folder: Path) -> Iterator[dict[str, Any]]:
    """Every whole line, oldest first; a line that is no JSON object is skipped (`verify` names it)."""
    try:
        with (folder / NAME).open("rb") as lines:
            for line in lines:
                event = _parse(line)
                if event is not None:
                    yield event
    except FileNotFoundError:
        return


def jobs_in(folder: Path) -> set[str]:
    """The ids of the jobs whose end the ledger holds."""
    return {event["id"] for event in events(folder) if event.get("event") == "job"}


def verify(folder: Path) -> list[str]:
    """What is wrong with the ledger and the records it names, in plain words; an empty list when all is as written."""
    faults: list[str] = []
    previous, number = FIRST, 0
    named: dict[str, str] = {}
    expired: set[str] = set()
    path = folder / NAME
    if not path.exists():
        # Before the first job there is neither a ledger nor a record.
        strangers = _strangers(folder, set())
        return [f"{path}: is missing", *strangers] if strangers else []
    with path.open("rb") as lines:
        for number, line in enumerate(lines, 1):
            event = _parse(line)
            if event is None:
                faults.append(f"{NAME}:{number}: is no whole line of JSON")
            elif event.get("prev") != previous or event.get("n") != number:
                faults.append(f"{NAME}:{number}: does not follow the line before: something was changed or removed")
            if event is not None and event.get("event") == "job":
                job = str(event.get("id"))
                if job in named:
                    faults.append(f"{NAME}:{number}: job {job} ended twice")
                named[job] = str(event.get("record_sha256"))
            if event is not None and event.get("event") == "expired":
                expired.update(event.get("ids", ()))
            previous = hashlib.sha256(line).hexdigest()
    for job, digest in named.items():
        if job not in expired:
            faults.extend(_record_faults(folder, job, digest))
    return faults + _strangers(folder, set(named))


def _record_faults(folder: Path, job: str, digest: str) -> list[str]:
    place = Path(day_of(job)) / f"{job}.json"
    try:
        data = (folder / place).read_bytes()
    except FileNotFoundError:
        return [f"{place}: the record is missing"]
    return [] if hashlib.sha256(data).hexdigest() == digest else [f"{place}: the record was changed"]


def _strangers(folder: Path, named: set[str]) -> list[str]:
    found = sorted(path for path in folder.glob("*/*.json") if path.stem not in named)
    return [f"{path.relative_to(folder)}: the ledger knows no such job" for path in found]


def _parse(line: bytes) -> dict[str, Any] | None:
    if not line.endswith(b"\n"):
        return None
    try:
        value = json.loads(line)
    except ValueError:
        return None
    return value if isinstance(value, dict) else None
