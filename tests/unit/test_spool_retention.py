"""Retention: the oldest of ours goes, by age and by size, and nothing else."""

from datetime import date
from pathlib import Path

import pytest

from liftwright.settings import Settings
from liftwright.spool import ledger
from liftwright.spool.retention import expire


@pytest.fixture
def share(tmp_path: Path) -> Path:
    for name in ("originals", "records"):
        (tmp_path / name).mkdir()
    return tmp_path


def keep(share: Path, folder: str, day: str, number: int, size: int = 10) -> Path:
    job = f"{day.replace('-', '')}T120000-{number:010x}"
    place = share / folder / day / f"{job}.{'json' if folder == 'records' else 'gcode'}"
    place.parent.mkdir(exist_ok=True)
    place.write_bytes(b"x" * size)
    return place


def test_what_is_too_old_goes_and_the_ledger_says_which_records(share: Path) -> None:
    settings = Settings(share=str(share), originals_keep_days=30, records_keep_days=60)
    old, older = keep(share, "originals", "2026-10-01", 1), keep(share, "records", "2026-09-01", 2)
    new = [keep(share, "originals", f"2026-11-2{day}", day) for day in (1, 2, 4)]
    for day in (1, 2, 4):
        keep(share, "records", f"2026-11-2{day}", day)
    assert expire(settings, date(2026, 11, 25)) == {"originals": 1, "records": 1, "bytes": 8192}
    assert not old.exists()
    assert not old.parent.exists()
    assert not older.exists()
    assert all(path.exists() for path in new)
    assert [event["ids"] for event in ledger.events(share / "records")] == [[older.stem]]


def test_a_folder_that_only_looks_like_a_day_is_left_alone(share: Path) -> None:
    settings = Settings(share=str(share))
    odd = settings.folder("originals") / "2026-99-99"
    odd.mkdir()
    (odd / "20250101T000000-0123456789.gcode").write_bytes(b"theirs")
    expire(settings, date(2026, 11, 25))
    assert list(odd.iterdir())


def test_the_oldest_go_first_when_there_is_too_much(share: Path) -> None:
    settings = Settings(share=str(share), originals_keep_mb=1)
    files = [keep(share, "originals", "2026-11-24", number, 400_000) for number in range(4)]
    expire(settings, date(2026, 11, 25))
    assert [path.exists() for path in files] == [False, False, True, True]


def test_what_is_not_ours_stays(share: Path) -> None:
    settings = Settings(share=str(share), originals_keep_days=1)
    keep(share, "originals", "2026-11-24", 1)
    strange = [share / "originals/notes.txt", share / "originals/2020-01-01/holiday.jpg"]
    (share / "originals/2020-01-01").mkdir()
    for path in strange:
        path.write_bytes(b"x")
    (share / "originals/2020-01-02").symlink_to(share / "originals/2020-01-01")
    expire(settings, date(2026, 11, 25))
    assert all(path.exists() for path in strange)


def test_a_clock_that_jumped_far_ahead_removes_nothing_by_age(share: Path) -> None:
    settings = Settings(share=str(share), originals_keep_days=30)
    kept = [keep(share, "originals", f"2026-11-2{day}", day) for day in (2, 3, 4)]
    assert expire(settings, date(2099, 1, 1)) == {}
    # Not even once a job has come under the wrong date.
    keep(share, "originals", "2099-01-01", 5)
    assert expire(settings, date(2099, 1, 1)) == {}
    assert all(path.exists() for path in kept)


def test_what_came_before_the_clock_was_set_is_not_old(share: Path) -> None:
    """A machine without a clock of its own starts in 1970; the next minute it may be years later."""
    settings = Settings(share=str(share), originals_keep_days=30)
    early = keep(share, "originals", "1970-01-01", 1)
    for day in (2, 3, 4):
        keep(share, "originals", f"2026-11-2{day}", day)
    assert expire(settings, date(2026, 11, 25)) == {}
    assert early.exists()
