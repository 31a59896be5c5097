"""Uploads: every habit of programs that put files into a share, whole ones and those that are cut off."""

import hashlib
import os
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from end_to_end.farm import Farm
from end_to_end.stand_in import ADDED


def stays_in_inbox(farm: Farm, name: str, why: str) -> None:
    """The daemon has looked at the file long after the quiet period, and left it where it is, for this reason."""

    def said() -> bool:
        return any(seen["name"] == name and why in seen["why"] for seen in farm.status()["waiting"])

    farm.wait_for(said, f"the status to say of {name}: {why}")
    assert (farm.folder("inbox") / name).exists()
    assert name not in farm.outbox()


def test_a_slow_writer_in_steps_is_left_alone_until_it_is_through(farm: Farm) -> None:
    """Torture cases 1 and 3: the file rests longer than the quiet period, but its writer still holds it open."""
    farm.start()
    data = farm.job(size=300_000)
    with (farm.folder("inbox") / "slow.gcode").open("wb", buffering=0) as upload:
        for start in range(0, len(data), 100_000):
            upload.write(data[start : start + 100_000])
            time.sleep(0.9)
            assert farm.records() == []
    farm.expect(data)
    farm.wait_for_records(1)
    assert farm.outbox() == {"slow.gcode": data + ADDED}
    farm.check()


@pytest.mark.parametrize("size", [pytest.param(5, id="5 MB"), pytest.param(500, id="500 MB", marks=pytest.mark.long)])
def test_a_big_job_passes_in_bounded_memory(farm: Farm, size: int) -> None:
    """Torture case 2: the daemon itself never holds a job."""
    farm.start()
    data = farm.job(size=size * 1_000_000)
    farm.drop("big.gcode", data)
    farm.wait_for_records(1, patience=300)
    status = Path(f"/proc/{farm.process.pid}/status").read_text()
    peak_kb = int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1])
    assert peak_kb < 150_000
    farm.check()


def test_an_upload_that_is_still_open_waits_and_the_others_flow(farm: Farm) -> None:
    """Torture cases 5, 29 and 106: a writer that keeps its file open, for a day if need be."""
    farm.start()
    data = farm.job()
    with (farm.folder("inbox") / "open.gcode").open("wb", buffering=0) as upload:
        upload.write(data)
        stays_in_inbox(farm, "open.gcode", "still has the file open")
        farm.drop("other.gcode")
        farm.wait_for_records(1)
    farm.expect(data)
    farm.wait_for_records(2)
    farm.check()


def test_an_empty_file_waits_and_is_held_as_incomplete_at_last(make_farm: Callable[..., Farm]) -> None:
    """Torture cases 4 (at 0 bytes), 5 and 50."""
    farm = make_farm(incomplete_after_h=0.0006)
    farm.start()
    farm.drop("empty.gcode", b"")
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["reason_code"]) == ("held", "incomplete")
    farm.check()


@pytest.mark.parametrize("hole", [True, False], ids=["a hole", "real zero bytes"])
def test_a_file_of_full_size_whose_end_was_never_written_is_held(make_farm: Callable[..., Farm], hole: bool) -> None:
    """Torture cases 6 and 7: reserved at full size, then the client died half-way."""
    farm = make_farm(incomplete_after_h=0.0006)
    farm.start()
    half = farm.job(size=50_000)
    data = half + bytes(200_000)
    with (farm.folder("inbox") / "half.gcode").open("wb") as upload:
        upload.truncate(len(data))
        upload.write(half if hole else data)
    farm.expect(data)
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["reason_code"]) == ("held", "incomplete")
    assert record["sha256_in"] is not None
    assert farm.outbox() == {}
    farm.check()


def test_a_placeholder_that_is_filled_later_is_one_job(make_farm: Callable[..., Farm]) -> None:
    """Torture case 8: created empty and closed, then opened again and written."""
    farm = make_farm()
    farm.start()
    (farm.folder("inbox") / "late.gcode").write_bytes(b"")
    stays_in_inbox(farm, "late.gcode", "empty so far")
    farm.drop("late.gcode")
    farm.wait_for_records(1)
    farm.check()
    assert len(farm.records()) == 2  # it, and the good one


def test_three_open_append_close_cycles_are_one_job_with_all_data(make_farm: Callable[..., Farm]) -> None:
    """Torture case 9: each close looks like an end; the pauses are shorter than the quiet period."""
    farm = make_farm(quiet_s=3.0)
    farm.start()
    data = farm.job(size=30_000)
    for start in range(0, len(data), len(data) // 3 + 1):
        with (farm.folder("inbox") / "parts.gcode").open("ab") as upload:
            upload.write(data[start : start + len(data) // 3 + 1])
        time.sleep(0.5)
    farm.expect(data)
    (record,) = farm.wait_for_records(1)
    assert record["size_in"] == len(data)
    farm.check()


def test_writing_that_goes_on_after_the_claim_makes_a_second_job_never_a_mix(farm: Farm) -> None:
    """Torture cases 10 and 25: a new file of the same name while the first is in work."""
    farm.start()
    first = farm.drop("same.gcode", farm.job(b";stand-in hang 2\n"))
    farm.wait_for(lambda: not (farm.folder("inbox") / "same.gcode").exists(), "the claim")
    second = farm.drop("same.gcode", farm.job())
    farm.wait_for_records(2)
    assert sorted(farm.outbox().values()) == sorted([first + ADDED, second + ADDED])
    farm.check()


def test_a_rename_from_part_is_certain_and_needs_no_quiet_period(make_farm: Callable[..., Farm]) -> None:
    """Torture case 11: uploaded as NAME.part, then renamed; the quiet period here is an hour."""
    farm = make_farm(quiet_s=3600.0)
    farm.start()
    inbox = farm.folder("inbox")
    data = farm.job()
    farm.expect(data)
    (inbox / "sure.gcode.part").write_bytes(data)
    (inbox / "sure.gcode.part").rename(inbox / "sure.gcode")
    (record,) = farm.wait_for_records(1)
    assert record["settled_by"] == "renamed"
    farm.stop()
    farm.check(good=False)


def test_a_digest_beside_the_job_is_certain_too(make_farm: Callable[..., Farm]) -> None:
    """The side file is read as sha256sum writes it; a file that does not match it yet is left alone."""
    farm = make_farm(quiet_s=3600.0)
    farm.start()
    data = farm.job()
    line = f"{hashlib.sha256(data).hexdigest()}  sure.gcode\n"
    (farm.folder("inbox") / "sure.gcode.sha256").write_text(line)
    farm.drop("sure.gcode", data[:-20], expected=False)
    stays_in_inbox(farm, "sure.gcode", "does not match the digest")
    farm.drop("sure.gcode", data)
    (record,) = farm.wait_for_records(1)
    assert record["settled_by"] == "digest"
    assert list(farm.folder("inbox").iterdir()) == []
    farm.stop()
    farm.check(good=False)


@pytest.mark.parametrize("options", [[], ["--inplace"]], ids=["plain", "in place"])
def test_rsync_delivers_one_job(farm: Farm, tmp_path: Path, options: list[str]) -> None:
    """Torture case 12."""
    if shutil.which("rsync") is None:
        pytest.skip("rsync is not installed")
    farm.start()
    data = farm.job(size=100_000)
    farm.expect(data)
    (tmp_path / "synced.gcode").write_bytes(data)
    subprocess.run(["rsync", *options, str(tmp_path / "synced.gcode"), f"{farm.folder('inbox')}/"], check=True)
    (record,) = farm.wait_for_records(1)
    assert record["name"] == "synced.gcode"
    farm.check()


@pytest.mark.parametrize("option", ["--partial", "--inplace"])
def test_a_killed_rsync_leaves_a_stump_that_the_core_gets_to_judge(farm: Farm, tmp_path: Path, option: str) -> None:
    """Torture cases 13 and 14: the stump has the final name and, with --partial, a time in 1970.

    A stump that ends in mid-line waits three times as long; whether it is a whole job only the core can say (it refuses
    suspected cuts), so here it must be recorded once, as the bytes that came, and never mixed with what comes later.
    """
    if shutil.which("rsync") is None:
        pytest.skip("rsync is not installed")
    farm.start()
    data = farm.job(size=4_000_000)
    (tmp_path / "cut.gcode").write_bytes(data)
    command = ["rsync", option, "--bwlimit=1000", str(tmp_path / "cut.gcode"), f"{farm.folder('inbox')}/"]
    running = subprocess.Popen(command)
    inbox = farm.folder("inbox")
    farm.wait_for(lambda: any(path.stat().st_size > 100_000 for path in inbox.iterdir()), "a part of the upload")
    running.send_signal(signal.SIGTERM)
    running.wait()
    farm.wait_for_records(1)
    record = farm.record_of("cut.gcode")
    assert record["size_in"] < len(data)
    farm.check()


@pytest.mark.parametrize("year", [1970, 2001, 2099])
def test_the_time_written_on_a_file_has_no_say(make_farm: Callable[..., Farm], year: int) -> None:
    """Torture cases 15 and 16: a copy with its old time is not taken at once, one from the future not never."""
    farm = make_farm(quiet_s=1.5)
    farm.start()
    began = time.monotonic()
    farm.drop("dated.gcode")
    moment = (year - 1970) * 365.25 * 86_400
    os.utime(farm.folder("inbox") / "dated.gcode", (moment, moment))
    farm.wait_for(lambda: not (farm.folder("inbox") / "dated.gcode").exists(), "the claim")
    assert time.monotonic() - began >= 1.5
    farm.wait_for_records(1)
    farm.check()


def test_moved_in_from_the_same_and_from_another_file_system(farm: Farm, tmp_path: Path) -> None:
    """Torture cases 17 and 18."""
    farm.start()
    for name, source in (("near.gcode", tmp_path / "near.gcode"), ("far.gcode", Path("/dev/shm/lw-far.gcode"))):
        data = farm.job()
        farm.expect(data)
        source.write_bytes(data)
        shutil.move(source, farm.folder("inbox") / name)
    farm.wait_for_records(2)
    farm.check()


@pytest.mark.parametrize("count", [pytest.param(300, id="300"), pytest.param(5000, id="5000", marks=pytest.mark.long)])
def test_many_files_while_the_daemon_is_stopped_are_all_found(make_farm: Callable[..., Farm], count: int) -> None:
    """Torture cases 19, 20 and 21."""
    farm = make_farm(slots=2)
    farm.start()
    farm.process.send_signal(signal.SIGSTOP)
    for number in range(count):
        farm.drop(f"job-{number}.gcode")
    farm.process.send_signal(signal.SIGCONT)
    farm.wait_for_records(count, patience=300)
    assert len(farm.outbox()) == count
    farm.check()


def test_a_folder_dropped_and_a_folder_renamed_in_are_processed(farm: Farm, tmp_path: Path) -> None:
    """Torture case 22: trees arrive in any way."""
    farm.start()
    for number in range(30):
        farm.drop(f"tree-{number % 5}/{number}/clip.gcode")
    data = farm.job()
    farm.expect(data)
    (tmp_path / "batch/deep").mkdir(parents=True)
    (tmp_path / "batch/deep/clip.gcode").write_bytes(data)
    (tmp_path / "batch").rename(farm.folder("inbox") / "batch")
    farm.wait_for_records(31)
    assert "batch/deep/clip.gcode" in farm.outbox()
    farm.check()


def test_a_file_withdrawn_during_the_quiet_period_is_noted_and_forgotten(make_farm: Callable[..., Farm]) -> None:
    """Torture case 23."""
    farm = make_farm(quiet_s=3.0)
    farm.start()
    farm.drop("never-mind.gcode", expected=False)
    farm.wait_for(lambda: farm.status()["in_inbox"] == 1, "the file to be seen")
    (farm.folder("inbox") / "never-mind.gcode").unlink()
    farm.wait_for(lambda: farm.log_lines("withdrawn"), "the log to say so")
    assert farm.records() == []
    farm.check()


def test_deleting_renaming_and_overwriting_during_the_claim_gives_old_or_new_but_whole(farm: Farm) -> None:
    """Torture case 24: a user who changes files all the while."""
    farm.start()
    inbox = farm.folder("inbox")
    until = time.monotonic() + 4
    versions = set()
    while time.monotonic() < until:
        data = farm.job(size=2000)
        versions.add(data)
        (inbox / ".fresh").write_bytes(data)
        (inbox / ".fresh").rename(inbox / "busy.gcode")
        time.sleep(0.35)
    farm.wait_for(lambda: not (inbox / "busy.gcode").exists(), "the last version to be claimed")
    farm.wait_for(lambda: not list(farm.folder("working").glob("*.in")), "the end of the work")
    assert farm.outbox()
    assert all(data.removesuffix(ADDED) in versions for data in farm.outbox().values())
    farm.check()


def test_the_same_content_twice_is_two_jobs(farm: Farm) -> None:
    """Torture case 26: an operator who drops a job twice wants two prints."""
    farm.start()
    data = farm.job()
    farm.drop("one.gcode", data, expected=False)
    farm.drop("two.gcode", data, expected=False)
    farm.wait_for_records(2)
    assert sorted(farm.outbox()) == ["one.gcode", "two.gcode"]
    farm.check()


def test_side_data_of_a_desktop_is_left_alone(farm: Farm) -> None:
    """Torture cases 27 and 28: one job, whatever a desktop writes beside it."""
    farm.start()
    for name in ("._clip.gcode", ".DS_Store", "Thumbs.db", "~$clip.gcode", "desktop.ini"):
        (farm.folder("inbox") / name).write_bytes(b"\0\5\26\7")
    farm.drop("clip.gcode")
    farm.wait_for_records(1)
    farm.stop()
    assert len(farm.records()) == 1
    left = {path.name for path in farm.folder("inbox").iterdir()}
    assert left == {"._clip.gcode", ".DS_Store", "Thumbs.db", "desktop.ini", "~$clip.gcode"}


def test_a_writer_with_an_old_descriptor_delays_its_claimed_job(farm: Farm) -> None:
    """Torture case 30: opened for appending after the claim through /proc, as a descriptor from before would be."""
    farm.start()
    for number in range(4):
        farm.drop(f"busy-{number}.gcode", farm.job(b";stand-in hang 1\n"))
    data = farm.job()
    inbox = farm.folder("inbox") / "late.gcode"
    inbox.write_bytes(data)
    fd = os.open(inbox, os.O_RDONLY)
    farm.wait_for(lambda: not inbox.exists(), "the claim")
    writer = os.open(f"/proc/self/fd/{fd}", os.O_WRONLY | os.O_APPEND)
    os.close(fd)
    more = b";and a last line\n"
    os.write(writer, more)
    time.sleep(0.5)
    os.close(writer)
    farm.wait_for_records(5)
    (published,) = [value for name, value in farm.outbox().items() if name == "late.gcode"]
    assert published in (data + ADDED, data + more + ADDED)
    farm.stop()


def test_an_upload_by_many_clients_at_once_loses_none(make_farm: Callable[..., Farm], long: bool) -> None:
    """Torture case 103 without a server: the one with a server is among the tests of the share."""
    farm = make_farm(slots=2)
    farm.start()
    clients, each = (50, 100) if long else (10, 10)
    lock = threading.Lock()

    def client(number: int) -> None:
        for count in range(each):
            with lock:
                data = farm.job(size=3000)
                farm.expect(data)
            place = farm.folder("inbox") / f"client-{number}" / f"job-{count}.gcode"
            place.parent.mkdir(exist_ok=True)
            with place.open("wb", buffering=0) as upload:
                upload.write(data[:1000])
                time.sleep(0.01)
                upload.write(data[1000:])

    threads = [threading.Thread(target=client, args=(number,)) for number in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    farm.wait_for_records(clients * each, patience=300)
    assert len(farm.outbox()) == clients * each
    farm.check()
