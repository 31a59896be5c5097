"""The disk: full, out of inodes, read-only, failing, slow, or not the one it should be."""

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from end_to_end import disks
from end_to_end.farm import Farm

IN_THE_LOOP = [
    "claim.journal",
    "claim.rename",
    "claim.sync",
    "prove.journal",
    "publish.folder",
    "publish.rename",
    "publish.why",
    "publish.sync",
    "published.journal",
    "close.original",
    "close.record",
    "close.ledger",
]


@pytest.mark.parametrize("error", ["ENOSPC", "EDQUOT", "EIO", "EROFS"])
@pytest.mark.parametrize("step", [*IN_THE_LOOP, "work.open", "work.write", "work.sync"])
def test_an_error_at_any_step_keeps_the_source_and_is_tried_again(
    farm: Farm, step: str, error: str, long: bool
) -> None:
    """Torture cases 73, 74, 77 and 78: each step fails once, then all is well."""
    if not long and error != ("ENOSPC" if "journal" not in step else "EDQUOT"):
        pytest.skip("one error a step is enough for the short run: run with --long")
    farm.make_folders()
    farm.start({"LIFTWRIGHT_TEST_FAULT": f"{error}:{step}:1"})
    farm.drop("clip.gcode")
    farm.drop("odd.gcode", farm.job(b";stand-in refuse\n"))
    farm.wait_for_records(2)
    assert farm.log_lines("trouble")
    assert list(farm.outbox()) == ["clip.gcode"]
    farm.check()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[str], Path]]:
    """Mounts a small tmpfs; needs root."""
    mounts: list[disks.Disk] = []

    def mount(options: str) -> Path:
        mounts.append(disks.tmpfs(tmp_path / f"disk-{len(mounts)}", options))
        return mounts[-1].place

    yield mount
    for disk in mounts:
        disk.forget()


def farm_on(disk: Path, **settings: object) -> Farm:
    return Farm(disk / "farm", **settings)


def test_a_full_disk_publishes_no_stump_and_goes_on_when_there_is_room(small_disk: Callable[[str], Path]) -> None:
    """Torture case 73, on a real file system of 3 MB."""
    farm = farm_on(small_disk("size=3m"))
    try:
        farm.start()
        ballast = farm.root / "ballast"
        farm.drop("big.gcode", farm.job(size=900_000))
        free = os.statvfs(farm.share)
        ballast.write_bytes(bytes(max(0, free.f_bavail * free.f_frsize - 300_000)))
        farm.wait_for(lambda: farm.log_lines("trouble"), "the trouble to be logged")
        assert farm.outbox() == {}
        ballast.unlink()
        farm.wait_for_records(1)
        farm.check()
    finally:
        farm.kill()


def test_without_inodes_nothing_is_lost(small_disk: Callable[[str], Path]) -> None:
    """Torture case 75."""
    farm = farm_on(small_disk("size=20m,nr_inodes=60"))
    try:
        farm.start()
        farm.drop("clip.gcode")
        stuffing = []
        try:
            for number in range(60):
                stuffing.append(farm.root / f"stuffing-{number}")
                stuffing[-1].touch()
        except OSError:
            stuffing.pop()
        farm.wait_for(lambda: farm.log_lines("trouble") or farm.records(), "trouble, or the job to have been quicker")
        for path in stuffing:
            path.unlink()
        farm.wait_for_records(1)
        farm.check()
    finally:
        farm.kill()


def test_a_disk_that_is_full_at_the_start_is_refused_with_a_sentence(small_disk: Callable[[str], Path]) -> None:
    """Torture case 73: not a bug of ours (exit code 70), and all goes on when there is room."""
    farm = farm_on(small_disk("size=2m"))
    try:
        farm.make_folders()
        farm.drop("clip.gcode")
        log = farm.root / "daemon.log"
        log.write_bytes(b"#" * 4000 + b"\n")
        ballast = farm.root / "ballast"
        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        assert farm.run_to_its_end() == 6
        ballast.unlink()
        farm.start()
        farm.wait_for_records(1)
        farm.check()
    finally:
        farm.kill()


def test_rules_that_change_while_the_disk_is_full_end_nothing(small_disk: Callable[[str], Path]) -> None:
    """The rules before stay in force until there is room for the new ones."""
    disk = small_disk("size=2m")
    farm = Farm(disk.parent / "farm", share=disk / "share")
    try:
        farm.start()
        before = farm.status()["rules_sha256"]
        rules = farm.folder("rules") / "10-all.yaml"
        ballast = disk / "ballast"
        rules.write_bytes(rules.read_bytes().replace(b"0.4", b"0.6"))
        with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        farm.wait_for(lambda: farm.log_lines("trouble"), "the trouble to be logged")
        ballast.unlink()
        farm.wait_for(lambda: farm.status()["rules_sha256"] not in (None, before), "the new rules to be in force")
        farm.drop("clip.gcode")
        farm.wait_for_records(1)
        farm.check()
    finally:
        farm.kill()


@pytest.mark.parametrize("error", ["EIO", "ENOSPC"])
def test_a_sync_that_fails_ends_the_daemon_and_all_goes_on_after_the_restart(farm: Farm, error: str) -> None:
    """Torture case 77: the system may have thrown the pages away and says so only once, so nothing goes on as before.

    Source: https://wiki.postgresql.org/wiki/Fsync_Errors
    """
    farm.make_folders()
    farm.drop("clip.gcode")
    assert farm.run_to_its_end({"LIFTWRIGHT_TEST_FAULT": f"{error}:sync:1"}) == 6
    farm.start()
    farm.wait_for_records(1)
    farm.check()


def test_below_the_floor_of_free_space_no_job_is_taken(make_farm: Callable[..., Farm]) -> None:
    """Uploads stay in the inbox; the status says why."""
    farm = make_farm(free_space_floor_mb=10**9)
    farm.start()
    farm.drop("clip.gcode")
    farm.wait_for(lambda: "MB free" in (farm.status().get("trouble") or ""), "the status to say so")
    assert farm.records() == []
    farm.stop()
    farm.check(good=False)


def test_a_limit_on_file_sizes_holds_the_job_that_runs_into_it(make_farm: Callable[..., Farm]) -> None:
    """Torture case 76: RLIMIT_FSIZE of 1 MB; the job of 3 MB comes to an end, the small ones flow."""
    farm = make_farm(slots=2)
    farm.make_folders()
    farm.start(under=["prlimit", "--fsize=1000000"])
    farm.drop("big.gcode", farm.job(size=3_000_000))
    farm.drop("clip.gcode")
    farm.wait_for_records(2)
    assert farm.record_of("clip.gcode")["outcome"] == "rewritten"
    assert farm.record_of("big.gcode")["outcome"] == "held"
    farm.stop()
    farm.check()


def test_a_missing_outbox_is_refused_at_start_and_not_made_anew(farm: Farm) -> None:
    """Torture case 79: something is not mounted."""
    farm.start()
    farm.stop()
    farm.folder("outbox").rmdir()
    assert farm.run_to_its_end() == 6
    assert "wanted the outbox folder" in farm.tail()
    assert not farm.folder("outbox").exists()


def test_a_missing_share_is_refused_at_start(farm: Farm) -> None:
    """Torture case 79."""
    farm.configure(share=str(farm.root / "not-mounted"))
    assert farm.run_to_its_end() == 6
    assert "wanted the share" in farm.tail()


def test_an_outbox_on_another_file_system_is_refused_at_start(make_farm: Callable[..., Farm]) -> None:
    """Torture case 79: a file can't be renamed there, and a copy could be seen half."""
    other = Path("/dev/shm/lw-outbox")
    other.mkdir(exist_ok=True)
    farm = make_farm()
    farm.make_folders()
    farm.configure(folders={"outbox": str(other)})
    try:
        assert farm.run_to_its_end() == 6
        assert "on the same file system" in farm.tail()
    finally:
        other.rmdir()


def test_an_outbox_that_becomes_a_link_ends_the_daemon(farm: Farm) -> None:
    """Torture case 46: noticed by the check, nothing is written outside."""
    farm.start()
    outside = farm.root / "outside"
    outside.mkdir()
    farm.folder("outbox").rename(farm.share / "outbox-away")
    farm.folder("outbox").symlink_to(outside)
    assert farm.process.wait(30) == 6
    assert list(outside.iterdir()) == []
    farm.process = None
    assert farm.run_to_its_end() == 6
    farm.folder("outbox").unlink()
    (farm.share / "outbox-away").rename(farm.folder("outbox"))
    farm.check()


def test_a_ledger_that_cannot_be_written_stops_the_closing_of_jobs(farm: Farm) -> None:
    """Torture case 82: nothing ends unrecorded; jobs taken so far wait, and go on when it can be written again."""
    farm.start()
    farm.drop("first.gcode")
    farm.wait_for_records(1)
    ledger = farm.folder("records") / "ledger.jsonl"
    ledger.rename(ledger.with_suffix(".away"))
    ledger.mkdir()
    farm.drop("second.gcode")
    farm.wait_for(lambda: farm.log_lines("trouble"), "the trouble to be logged")
    assert not farm.log_lines("job")[1:]
    ledger.rmdir()
    ledger.with_suffix(".away").rename(ledger)
    farm.wait_for(lambda: len(farm.log_lines("job")) == 2, "the second job to end")
    farm.check()
