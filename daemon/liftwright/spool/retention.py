"""Old uploads and records go, by age and by size, the oldest first; the ledger stays and says which records went.

Touches only files that carry our own numbers, in folders that are days; whatever else lies there is not ours. Age
counts from the day in a job's number. A clock that is wrong must not empty the folders: what carries a day before this
program existed came while the clock was not set yet, and stays; and nothing is removed by age before jobs came on three
different days of the time that is kept, since a clock that has just jumped ahead can't show that.
"""

import os
import re
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from liftwright.settings import MB, Settings
from liftwright.spool import ledger
from liftwright.spool.names import ID
from liftwright.spool.writing import now_text

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
FIRST_TRUE_DAY = date(2026, 1, 1)
TRUSTED_DAYS = 3


@dataclass(frozen=True, slots=True)
class Kept:
    """One file of ours; `job` is its number, `size` in bytes."""

    path: Path
    job: str
    size: int


def expire(settings: Settings, today: date | None = None) -> dict[str, int]:
    """Remove what is too old or too much; returns how many files and bytes went, nothing when none did."""
    now = today or datetime.now(UTC).date()
    old = list(_too_much(settings.folder("originals"), settings.originals_keep_days, settings.originals_keep_mb, now))
    records = settings.folder("records")
    old_records = list(_too_much(records, settings.records_keep_days, settings.records_keep_mb, now))
    if old_records:
        # The ledger first: a record that is missing without a word would look like tampering.
        ids = [kept.job for kept in old_records]
        ledger.append(records, [{"event": "expired", "at": now_text(), "ids": ids}])
    for kept in (*old, *old_records):
        kept.path.unlink(missing_ok=True)
    _remove_empty_days({kept.path.parent for kept in (*old, *old_records)})
    if not old and not old_records:
        return {}
    return {"originals": len(old), "records": len(old_records), "bytes": sum(k.size for k in (*old, *old_records))}


def _too_much(folder: Path, days: int, most_mb: int, today: date) -> Iterator[Kept]:
    """The oldest beyond the size, and all beyond the age, oldest first.

    A folder may hold a million files: they are counted one by one, and only the days that lose some are held in memory.
    """
    sizes: dict[date, int] = {}
    for day in _days(folder):
        for kept in _ours(folder, day):
            sizes[day] = sizes.get(day, 0) + kept.size
    oldest = today - timedelta(days=days)
    by_age = sum(oldest <= day <= today for day in sizes) >= min(TRUSTED_DAYS, days + 1)
    room = sum(sizes.values()) - most_mb * MB
    for day in sorted(sizes):
        is_old = by_age and FIRST_TRUE_DAY <= day < oldest
        if not is_old and room <= 0:
            continue
        for kept in sorted(_ours(folder, day), key=lambda kept: (kept.job, kept.path.name)):
            if not is_old and room <= 0:
                break
            yield kept
            room -= kept.size


def _days(folder: Path) -> list[date]:
    with os.scandir(folder) as entries:
        names = [entry.name for entry in entries if _DAY.fullmatch(entry.name) and entry.is_dir(follow_symlinks=False)]
    found = []
    for name in names:
        # A folder of somebody's that only looks like a day is not ours.
        with suppress(ValueError):
            found.append(date.fromisoformat(name))
    return found


def _ours(folder: Path, day: date) -> Iterator[Kept]:
    with os.scandir(folder / day.isoformat()) as files:
        for file in files:
            job = file.name.partition(".")[0]
            if ID.fullmatch(job) and not file.is_dir(follow_symlinks=False):
                yield Kept(Path(file.path), job, file.stat(follow_symlinks=False).st_blocks * 512)


def _remove_empty_days(folders: set[Path]) -> None:
    for folder in folders:
        try:
            folder.rmdir()
        except OSError:
            # Something else lies there: not ours to judge.
            continue
