"""Letting a held job go: its copy moves from held/ to the outbox, or back into the inbox; the ledger says so.

Works beside a running daemon: everything is a rename that replaces nothing, and the ledger has its own lock.
"""

import os
from pathlib import Path
from typing import Any

from liftwright import states
from liftwright.errors import DeliveryError, UsageError
from liftwright.settings import Settings
from liftwright.spool import ledger
from liftwright.spool.closing import record_path
from liftwright.spool.durable import READ_FLAGS, digest_of, open_folder, rename_new, split_name, sync
from liftwright.spool.names import numbered
from liftwright.spool.passage import MOST_NUMBERS, UNPROVED, WHY
from liftwright.spool.record import Record
from liftwright.spool.writing import now_text


def release(settings: Settings, job: str, again: bool = False) -> str:
    """Release JOB (its id, or its name in held/) to the outbox, or to the inbox with AGAIN; returns where it went.

    UsageError when there is no such held job; DeliveryError when the disk refuses.
    """
    line = _held_line(settings, job)
    record = Record.model_validate_json(record_path(settings, line["id"]).read_bytes())
    name = os.fsdecode(bytes.fromhex(record.delivered.name_hex)) if record.delivered.name_hex else record.delivered.name
    goal = "inbox" if again else "outbox"
    try:
        target = _move(settings, name, goal)
    except OSError as error:
        held = settings.folder("held") / name
        raise DeliveryError(f"{held}: {error.strerror}; wanted to move it to {goal}/") from error
    place = settings.folder(goal) / target
    event = {"event": "released", "at": now_text(), "id": record.id, "folder": goal, "delivered": target}
    ledger.append(settings.folder("records"), [{**event, "sha256": record.sha256_in}])
    return str(place)


def _held_line(settings: Settings, job: str) -> dict[str, Any]:
    gone = set()
    found: list[dict[str, Any]] = []
    for line in ledger.events(settings.folder("records")):
        if line.get("event") == "released":
            gone.add(line["id"])
        elif line.get("event") == "job" and line["folder"] == states.TO_HELD and job in (line["id"], line["delivered"]):
            found.append(line)
    found = [line for line in found if line["id"] not in gone]
    if not found:
        raise UsageError(f"{job}: found no held job of this number or name; wanted one that lies in held/")
    return found[-1]


def _move(settings: Settings, name: str, goal: str) -> str:
    parts, base = split_name(name)
    source = open_folder(settings.folder("held"), parts)
    folder = open_folder(settings.folder(goal), parts, make=True)
    try:
        fd = os.open(base, READ_FLAGS, dir_fd=source)
        try:
            digest_of(fd)
        finally:
            os.close(fd)
        target = _rename_free(source, base, folder)
        sync(folder)
        for ending in (WHY, UNPROVED):
            _remove(source, base + ending)
        sync(source)
    finally:
        os.close(source)
        os.close(folder)
    return str(Path(*parts, target))


def _rename_free(source: int, name: str, folder: int) -> str:
    for number in range(1, MOST_NUMBERS):
        target = numbered(name, number)
        try:
            rename_new(source, name, folder, target)
        except FileExistsError:
            continue
        return target
    raise FileExistsError(17, f"{MOST_NUMBERS} files of this name are there already", name)


def _remove(folder: int, name: str) -> None:
    try:
        os.unlink(name, dir_fd=folder)
    except FileNotFoundError:
        return
