"""Old uploads and records go, by age and by size, the oldest first; the ledger stays and says which records went.

Touches only files that carry our own numbers, in folders that are days; whatever else lies there is not ours. Age
counts from the day in a job's number. A clock that jumps far ahead must not empty the folders: nothing is removed by
age when the newest thing there seems older than a week, since then rather the clock is wrong.
"""

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from liftwright.settings import MB, Settings
from liftwright.spool import ledger
from liftwright.spool.names import ID
from liftwright.spool.writing import now_text

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
TRUSTED_GAP = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Kept:
    """One file of ours; `job` is its number, `size` in bytes."""

    path: Path
    job: str
    day: date
    size: int


def expire(settings: Settings, today: date | None = None) -> dict[str, int]:
    """Remove what is too old or too much; returns how many files and bytes went, nothing when none did."""
    now = today or datetime.now(UTC).date()
    originals, records = _kept(settings.folder("originals")), _kept(settings.folder("records"))
    old = _too_much(originals, settings.originals_keep_days, settings.originals_keep_mb, now)
    old_records = _too_much(records, settings.records_keep_days, settings.records_keep_mb, now)
    if old_records:
        # The ledger first: a record that is missing without a word would look like tampering.
        ids = [kept.job for kept in old_records]
        ledger.append(settings.folder("records"), [{"event": "expired", "at": now_text(), "ids": ids}])
    for kept in (*old, *old_records):
        kept.path.unlink(missing_ok=True)
    _remove_empty_days({kept.path.parent for kept in (*old, *old_records)})
    if not old and not old_records:
        return {}
    return {"originals": len(old), "records": len(old_records), "bytes": sum(k.size for k in (*old, *old_records))}


def _kept(folder: Path) -> list[Kept]:
    return sorted(_ours(folder), key=lambda kept: (kept.job, kept.path.name))


def _ours(folder: Path) -> Iterator[Kept]:
    with os.scandir(folder) as days:
        for day in days:
            if not _DAY.fullmatch(day.name) or not day.is_dir(follow_symlinks=False):
                continue
            with os.scandir(day.path) as files:
                for file in files:
                    job = file.name.partition(".")[0]
                    if ID.fullmatch(job) and not file.is_dir(follow_symlinks=False):
                        size = file.stat(follow_symlinks=False).st_blocks * 512
                        yield Kept(Path(file.path), job, date.fromisoformat(day.name), size)


def _too_much(kept: list[Kept], days: int, most_mb: int, today: date) -> list[Kept]:
    """The oldest beyond the size, and all beyond the age; KEPT is sorted, oldest first."""
    newest = max((one.day for one in kept), default=today)
    by_age = today - newest <= TRUSTED_GAP
    room = sum(one.size for one in kept) - most_mb * MB
    gone = []
    for one in kept:
        if room > 0 or (by_age and today - one.day > timedelta(days=days)):
            gone.append(one)
            room -= one.size
        elif not by_age:
            break
    return gone


def _remove_empty_days(folders: set[Path]) -> None:
    for folder in folders:
        try:
            folder.rmdir()
        except OSError:
            # Something else lies there: not ours to judge.
            continue
