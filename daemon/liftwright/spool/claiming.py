"""Claiming: candidates of the inbox become jobs in the working folder, by renames that replace nothing.

The claim is announced in the journal, durably, before the first rename; whatever is then in the working folder is
claimed, and whatever is not was withdrawn in the meantime.
"""

import os
from collections.abc import Sequence
from contextlib import suppress

from liftwright import states
from liftwright.spool import faults
from liftwright.spool.durable import open_folder, rename_new, split_name, sync, sync_folder
from liftwright.spool.inbox import Candidate
from liftwright.spool.journal import Entry, NoRoom
from liftwright.spool.names import new_id
from liftwright.spool.passage import Passage
from liftwright.spool.writing import now_text


def claim(passage: Passage, candidates: Sequence[Candidate], claimed: list[Entry]) -> dict[str, str]:
    """Take candidates out of the inbox and add each to CLAIMED as it is taken, even if a later one fails.

    Those that went away in the meantime are left out. Returns why those that may not be moved stay where they are: one
    folder of somebody else must not keep the others waiting.
    """
    stuck: dict[str, str] = {}
    pairs = [(candidate, _entry(candidate)) for candidate in candidates]
    for _, entry in pairs:
        passage.journal.claim(entry)
    try:
        faults.reach("claim.journal")
        passage.journal.sync()
    except (NoRoom, OSError):
        passage.journal.unclaim(entry for _, entry in pairs)
        raise
    try:
        for candidate, entry in pairs:
            try:
                _take(passage, candidate, entry)
            except PermissionError as error:
                stuck[candidate.relative] = f"it can't be moved out of its folder: {error.strerror}"
    finally:
        for _, entry in pairs:
            if os.path.lexists(passage.path(entry, ".in")):
                claimed.append(entry)
            else:
                passage.journal.note(states.DROPPED, entry)
    faults.reach("claim.sync")
    sync(passage.folder)
    for parts in {split_name(entry.relative)[0] for _, entry in pairs}:
        with suppress(FileNotFoundError):
            sync_folder(passage.settings.folder("inbox").joinpath(*parts))
    return stuck


def take_side_again(passage: Passage, entry: Entry) -> None:
    """Recovery: side files that a crash left in the inbox, unless a new job of that name lies there by now."""
    parts, name = split_name(entry.relative)
    try:
        folder = open_folder(passage.settings.folder("inbox"), parts)
    except OSError:
        return
    try:
        if name not in os.listdir(folder):
            _take_side(passage, folder, name, entry)
    finally:
        os.close(folder)


def _take(passage: Passage, candidate: Candidate, entry: Entry) -> None:
    parts, name = split_name(candidate.relative)
    try:
        folder = open_folder(passage.settings.folder("inbox"), parts)
    except (FileNotFoundError, NotADirectoryError):
        return
    try:
        faults.reach("claim.rename")
        rename_new(folder, name, passage.folder, f"{entry.id}.in")
        # The job before its side files: of two daemons at one inbox, the one that has the job takes them.
        _take_side(passage, folder, name, entry)
    except FileNotFoundError:
        return
    finally:
        os.close(folder)


def _take_side(passage: Passage, folder: int, name: str, entry: Entry) -> None:
    for ending in entry.side:
        faults.reach("claim.side")
        try:
            rename_new(folder, name + ending, passage.folder, entry.id + ending)
        except (FileNotFoundError, FileExistsError):
            # Withdrawn at the last moment: the job goes on without it. Or taken before a crash.
            continue


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
