"""After a crash: what stands in the journal and in the folders → every job either finished or ready to be done again.

claimed     the upload is in the working folder: it is done again, the same bytes come out; it is not: the claim is void
proved      the finished file is in the working folder: publish it. It is not, but stands in its place: go on. Neither:
            somebody may have taken it: held, since a second print on an occupied bed is worse than a late one
published   finish: originals/, record, ledger
closed      its record is compared with the journal, and written again if the machine's crash took it

A crash during recovery changes nothing: it begins again.
"""

import os
from pathlib import Path

from liftwright import states
from liftwright.besides import remove_output
from liftwright.spool import faults
from liftwright.spool.claiming import take_side_again
from liftwright.spool.closing import record_path
from liftwright.spool.durable import NEW_FLAGS, READ_FLAGS, copy_bytes, digest_of, open_folder, rename_new
from liftwright.spool.journal import Entry
from liftwright.spool.names import ID, day_of
from liftwright.spool.passage import Passage
from liftwright.spool.record import Record, to_bytes
from liftwright.spool.writing import now_text

LOST_WORDS = "the journal no longer tells where this upload came from, or whether it was handed on before"
TAKEN_WORDS = (
    "the daemon was stopped at the moment of handing this job on, and its file is no longer in the outbox. Somebody "
    "may have fetched it already, so it is not handed on a second time"
)


def recover(passage: Passage) -> list[Entry]:
    """Bring every job to where the daemon can go on; returns those to be done (again)."""
    passage.closing.know_ledger()
    _adopt_strays(passage)
    for entry in list(passage.journal.entries.values()):
        faults.reach("recover.entry")
        if entry.state == states.CLAIMED and not os.path.lexists(passage.path(entry, ".in")):
            passage.journal.note(states.DROPPED, entry)
        elif entry.state == states.CLAIMED:
            take_side_again(passage, entry)
        elif entry.state == states.PROVED:
            _look_for_output(passage, entry)
    entries = list(passage.journal.entries.values())
    closed = [entry for entry in entries if entry.state == states.CLOSED]
    passage.closing.write_records([record for entry in closed if (record := _lost_record(passage, entry))])
    passage.publish(entries)
    passage.finish(entries)
    passage.compact(now=True)
    _sweep(passage)
    return list(passage.journal.entries.values())


def _look_for_output(passage: Passage, entry: Entry) -> None:
    record = Record.model_validate(entry.record)
    output = passage.working / entry.output
    if entry.place == states.TO_NOWHERE:
        return
    if output.exists():
        if not _is_whole(output, record):
            remove_output(output)
            passage.journal.note(states.CLAIMED, entry)
        return
    folder = "outbox" if entry.place == states.TO_OUTBOX else "held"
    published = passage.settings.folder(folder) / entry.target
    if folder == "held" or _is_there(published, record):
        return
    _hold(passage, entry, record)


def _hold(passage: Passage, entry: Entry, record: Record) -> None:
    """It may have been taken: the original is held, with the reason."""
    output = f"{entry.id}.held.out"
    source = os.open(passage.path(entry, ".in"), READ_FLAGS)
    passage.working.joinpath(output).unlink(missing_ok=True)
    target = os.open(passage.working / output, NEW_FLAGS, 0o640)
    try:
        size = copy_bytes(source, target)
    finally:
        os.close(source)
        os.close(target)
    changes = {
        "outcome": states.HELD,
        "reason_code": "may_have_been_taken",
        "reason": TAKEN_WORDS,
        "sha256_out": record.sha256_in,
        "size_out": size,
        "finished": now_text(),
        "would_be": {"outcome": record.outcome, "sha256_out": record.sha256_out, "name": record.delivered.name},
        "delivered": record.delivered.model_copy(update={"folder": "held"}),
    }
    passage.announce(entry, record.model_copy(update=changes), states.TO_HELD, output, entry.relative)


def _adopt_strays(passage: Passage) -> None:
    """Uploads in the working folder that the journal does not know are held: they may have been handed on before."""
    for path in sorted(passage.working.glob("*.in")):
        job = path.name.removesuffix(".in")
        if ID.fullmatch(job) and job not in passage.journal.entries:
            entry = Entry(job, f"{job}.upload", settled_by="recovered", received=now_text())
            entry.refusal = ("journal_lost", LOST_WORDS)
            passage.journal.claim(entry)
    passage.journal.sync()


def _lost_record(passage: Passage, entry: Entry) -> Record | None:
    record = Record.model_validate(entry.record)
    try:
        whole = record_path(passage.settings, entry.id).read_bytes() == to_bytes(record)
    except FileNotFoundError:
        whole = False
    return None if whole else record


def _sweep(passage: Passage) -> None:
    """Remove what attempts left behind, by our own names only; side files without a job are kept as originals."""
    for path in sorted(passage.working.iterdir()):
        job, _, ending = path.name.partition(".")
        if not ID.fullmatch(job):
            continue
        if ending.endswith(("out", "bad", "page")):
            remove_output(path)
        elif job not in passage.journal.entries and ending != "in":
            _keep(passage, job, path)


def _keep(passage: Passage, job: str, path: Path) -> None:
    folder = open_folder(passage.settings.folder("originals"), (day_of(job),), make=True)
    working = os.open(passage.working, os.O_RDONLY | os.O_DIRECTORY)
    try:
        rename_new(working, path.name, folder, path.name)
    finally:
        os.close(working)
        os.close(folder)


def _is_whole(output: Path, record: Record) -> bool:
    """Is a finished output what the record says: the one file, or every arm of a trial in its folder?"""
    if not output.is_dir():
        return _digest(output) == record.sha256_out
    arms = record.details.get("trial", {}).get("arms", ())
    return bool(arms) and all(_digest(output / arm["file"]) == arm["sha256"] for arm in arms)


def _is_there(published: Path, record: Record) -> bool:
    """Does a published output stand in its place? Of a trial's folder single arms may have been taken by now."""
    if "trial" in record.details:
        return published.is_dir()
    return _digest(published) == record.sha256_out


def _digest(path: Path) -> str | None:
    try:
        fd = os.open(path, READ_FLAGS)
    except OSError:
        return None
    try:
        return digest_of(fd)
    finally:
        os.close(fd)
