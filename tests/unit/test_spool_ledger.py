"""The ledger: a changed, removed or reordered line is found, a torn last line is repaired."""

import hashlib
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.spool import ledger
from liftwright.spool.names import day_of, new_id


def add(folder: Path, count: int) -> list[str]:
    """COUNT jobs with their records."""
    ids = []
    for _ in range(count):
        job = new_id()
        place = folder / day_of(job) / f"{job}.json"
        place.parent.mkdir(exist_ok=True)
        place.write_bytes(b'{"id": "%s"}\n' % job.encode())
        digest = hashlib.sha256(place.read_bytes()).hexdigest()
        ledger.append(folder, [{"event": "job", "id": job, "record_sha256": digest}])
        ids.append(job)
    return ids


def test_an_untouched_ledger_has_no_fault(tmp_path: Path) -> None:
    add(tmp_path, 5)
    assert ledger.verify(tmp_path) == []
    assert [event["n"] for event in ledger.events(tmp_path)] == [1, 2, 3, 4, 5]


def test_a_missing_ledger_is_a_fault_once_there_are_records(tmp_path: Path) -> None:
    """Before the first job there is neither."""
    assert ledger.verify(tmp_path) == []
    place = tmp_path / "2026-11-25/20261125T104512-0123456789.json"
    place.parent.mkdir()
    place.write_bytes(b"{}")
    assert "is missing" in ledger.verify(tmp_path)[0]


@given(st.integers(0, 10**6), st.integers(1, 255))
def test_any_changed_byte_is_found(tmp_path_factory: pytest.TempPathFactory, place: int, change: int) -> None:
    folder = tmp_path_factory.mktemp("ledger")
    add(folder, 3)
    data = bytearray((folder / ledger.NAME).read_bytes())
    data[place % len(data)] ^= change
    (folder / ledger.NAME).write_bytes(data)
    assert ledger.verify(folder)


@pytest.mark.parametrize("line", [0, 1, 2])
def test_a_removed_line_is_found(tmp_path: Path, line: int) -> None:
    """The last one too: its record is there, and nothing names it."""
    add(tmp_path, 3)
    lines = (tmp_path / ledger.NAME).read_bytes().splitlines(keepends=True)
    del lines[line]
    (tmp_path / ledger.NAME).write_bytes(b"".join(lines))
    assert ledger.verify(tmp_path)


def test_a_changed_and_a_missing_record_are_found(tmp_path: Path) -> None:
    one, two, _ = add(tmp_path, 3)
    (tmp_path / day_of(one) / f"{one}.json").write_bytes(b"{}\n")
    (tmp_path / day_of(two) / f"{two}.json").unlink()
    first, second = ledger.verify(tmp_path)
    assert "was changed" in first
    assert "is missing" in second


def test_a_torn_last_line_is_cut_off_by_the_next_append(tmp_path: Path) -> None:
    add(tmp_path, 2)
    with (tmp_path / ledger.NAME).open("ab") as file:
        file.write(b'{"n":3,"prev":"')
    assert ledger.verify(tmp_path)
    add(tmp_path, 1)
    assert ledger.verify(tmp_path) == []


def test_records_that_retention_removed_are_no_fault(tmp_path: Path) -> None:
    one, _ = add(tmp_path, 2)
    ledger.append(tmp_path, [{"event": "expired", "ids": [one]}])
    (tmp_path / day_of(one) / f"{one}.json").unlink()
    assert ledger.verify(tmp_path) == []


def test_a_line_longer_than_the_first_look_back_is_still_found(tmp_path: Path) -> None:
    ledger.append(tmp_path, [{"event": "expired", "ids": ["x" * 200_000]}])
    ledger.append(tmp_path, [{"event": "expired", "ids": []}])
    assert ledger.verify(tmp_path) == []


def test_lines_are_ascii_json_whatever_the_names(tmp_path: Path) -> None:
    ledger.append(tmp_path, [{"event": "note", "name": 'a\n{"n":9}\udcff\u2028'}])
    data = (tmp_path / ledger.NAME).read_bytes()
    assert data.count(b"\n") == 1
    assert json.loads(data.decode("ascii"))["n"] == 1
