"""Settling and listing: which files may be claimed, and why the others may not yet."""

import os
from pathlib import Path

import pytest

from liftwright.settings import Settings
from liftwright.spool import settle
from liftwright.spool.inbox import LONGEST_LOOK_S, Inbox, kind_of
from liftwright.spool.names import ID, LONGEST, new_id, numbered, printable


@pytest.fixture
def inbox(tmp_path: Path) -> Inbox:
    (tmp_path / "inbox").mkdir()
    return Inbox(Settings(share=str(tmp_path), quiet_s=10.0, incomplete_after_h=1.0))


def finish(path: Path) -> settle.Finish:
    fd = os.open(path, os.O_RDONLY)
    try:
        return settle.finish_of(fd, os.fstat(fd).st_size)
    finally:
        os.close(fd)


def test_a_read_lease_tells_of_a_writer_in_another_descriptor(tmp_path: Path) -> None:
    """fcntl(2), F_SETLEASE: a read lease can't be had while the file is open for writing anywhere."""
    with (tmp_path / "x").open("wb") as writer:
        writer.write(b"G1 X1\n")
        writer.flush()
        assert finish(tmp_path / "x").code == settle.STILL_WRITTEN
    assert finish(tmp_path / "x") == settle.Finish(settle.COMPLETE, True, True)


@pytest.mark.parametrize(
    ("data", "size", "code"),
    [
        (b"", 0, settle.EMPTY),
        (b"G1 X1\n", 100_000, settle.HOLE),
        (b"G1 X1\n" + bytes(100_000), 0, settle.NULS),
        (b"G1\0X1\n", 0, settle.COMPLETE),
        (b"G1 X1", 0, settle.COMPLETE),
    ],
)
def test_the_end_of_a_file_tells_whether_it_was_written(tmp_path: Path, data: bytes, size: int, code: str) -> None:
    with (tmp_path / "x").open("wb") as file:
        file.truncate(size)
        file.write(data)
    assert finish(tmp_path / "x").code == code


def test_nothing_is_picked_before_the_quiet_period_is_over(inbox: Inbox, tmp_path: Path) -> None:
    (tmp_path / "inbox/a.gcode").write_bytes(b"G1 X1\n")
    inbox.list(100.0)
    assert list(inbox.pick(109.9, 9)) == []
    (candidate,) = inbox.pick(110.0, 9)
    assert (candidate.relative, candidate.refusal) == ("a.gcode", None)


def test_any_change_starts_the_quiet_period_anew(inbox: Inbox, tmp_path: Path) -> None:
    """Of size, times or mode: the change time of the inode tells, and it can't be set by a client."""
    (tmp_path / "inbox/a.gcode").write_bytes(b"G1 X1\n")
    inbox.list(100.0)
    os.utime(tmp_path / "inbox/a.gcode", (0, 0))
    inbox.list(109.0)
    assert list(inbox.pick(111.0, 9)) == []
    assert len(list(inbox.pick(119.0, 9))) == 1


def test_a_change_between_the_listing_and_the_claim_is_noticed(inbox: Inbox, tmp_path: Path) -> None:
    (tmp_path / "inbox/a.gcode").write_bytes(b"G1 X1\n")
    inbox.list(100.0)
    (tmp_path / "inbox/a.gcode").write_bytes(b"G1 X1\nG1 X2\n")
    assert list(inbox.pick(111.0, 9)) == []


def test_a_long_gap_between_two_looks_counts_for_a_minute(inbox: Inbox, tmp_path: Path) -> None:
    """A process that was stopped for a day has not watched for a day: nothing is given up for that."""
    (tmp_path / "inbox/a.gcode").write_bytes(b"")
    inbox.list(0.0)
    inbox.list(86_400.0)
    assert inbox.seen[next(iter(inbox.seen))].watched == LONGEST_LOOK_S
    assert list(inbox.pick(86_400.0, 9)) == []


def test_a_last_line_without_its_end_waits_three_times_as_long(inbox: Inbox, tmp_path: Path) -> None:
    (tmp_path / "inbox/a.gcode").write_bytes(b"G1 X1")
    inbox.list(0.0)
    assert list(inbox.pick(29.0, 9)) == []
    assert len(list(inbox.pick(30.0, 9))) == 1


def test_an_upload_that_never_gets_finished_is_refused_as_incomplete_at_last(inbox: Inbox, tmp_path: Path) -> None:
    (tmp_path / "inbox/a.gcode.part").write_bytes(b"G1 X1\n")
    for minute in range(60):
        inbox.list(minute * 60.0)
        assert list(inbox.pick(minute * 60.0, 9)) == []
    inbox.list(3600.0)
    (candidate,) = inbox.pick(3600.0, 9)
    assert candidate.refusal is not None
    assert candidate.refusal[0] == "incomplete"


def test_a_link_that_got_the_number_of_a_file_that_is_gone_is_a_link(inbox: Inbox) -> None:
    """File systems use the number of a removed file again, so what an entry is must be looked at each time."""
    place = inbox.settings.folder("inbox") / "pot.gcode"
    place.write_bytes(b"G1 X1\n")
    inbox.list(0.0)
    (sighting,) = inbox.seen.values()
    place.unlink()
    place.symlink_to("elsewhere")
    info = place.lstat()
    inbox.seen = {(info.st_dev, info.st_ino): sighting}  # as if the numbers were the same
    inbox.list(1.0)
    inbox.list(1.0 + LONGEST_LOOK_S)
    inbox.list(2.0 + 2 * LONGEST_LOOK_S)
    (candidate,) = inbox.pick(2.0 + 2 * LONGEST_LOOK_S, 5)
    assert candidate.refusal is not None
    assert candidate.refusal[0] == "not_a_plain_file"


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("a.gcode", "job"),
        ("A.GCODE", "job"),
        ("a.gcode.part", "unfinished"),
        ("a.gcode.tags.yaml", "side"),
        ("a.gcode.sha256", "side"),
        ("a.gcode.zip", "other"),
        ("gcode", "other"),
    ],
)
def test_a_name_alone_tells_the_kind(inbox: Inbox, name: str, kind: str) -> None:
    assert kind_of(f"pots/{name}", inbox.settings) == kind


def test_numbered_names_fit_a_file_system_and_keep_their_suffix() -> None:
    assert numbered("pot.gcode", 1) == "pot.gcode"
    assert numbered("pot.gcode", 2) == "pot-2.gcode"
    long = numbered("é" * 124 + ".gcode", 12, ".why.txt")
    assert len((long + ".why.txt").encode()) <= LONGEST
    assert long.endswith("-12.gcode")


def test_a_printable_name_holds_no_control_character_and_says_when_it_differs() -> None:
    assert printable("pot.gcode") == ("pot.gcode", None)
    text, odd = printable("a\nb\x1b\udcff.gcode")
    assert text == "a\\nb\\x1b\\udcff.gcode"
    assert odd == b"a\nb\x1b\xff.gcode".hex()


def test_ids_are_unlike_each_other_and_readable() -> None:
    ids = {new_id() for _ in range(1000)}
    assert len(ids) == 1000
    assert all(ID.fullmatch(job) for job in ids)
