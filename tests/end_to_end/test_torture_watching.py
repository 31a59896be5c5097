"""Watching and clocks: events that don't come, folders that are swapped, times that jump."""

import os
import shutil
import subprocess
import threading
from pathlib import Path

import pytest

from end_to_end.farm import Farm
from liftwright.watching import Hints, Watch, _Listener

# The limit of a user namespace alone. Its namesake below /proc/sys/fs is the whole machine's: root in a namespace that
# writes there changes it for everybody.
LIMIT = Path("/proc/sys/user/max_inotify_instances")
MACHINE = Path("/proc/sys/fs/inotify/max_user_instances")
FAKE_CLOCK = sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))


@pytest.fixture
def hints():
    reader, writer = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
    yield Hints(writer)
    os.close(reader)
    os.close(writer)


def test_a_dead_observer_is_noticed_and_replaced(tmp_path: Path, hints: Hints) -> None:
    """Torture case 92: the observer's thread ended without a word."""
    watch = Watch(tmp_path, hints)
    watch.start()
    assert watch.check() == ""
    watch._observer.stop()
    watch._observer.join()
    assert watch.check() != ""
    watch.restart()
    assert watch.check() == ""
    watch.stop()


def test_a_dead_emitter_is_noticed(tmp_path: Path, hints: Hints) -> None:
    """Torture case 92: the observer lives, its emitter does not."""
    watch = Watch(tmp_path, hints)
    watch.start()
    for emitter in watch._observer.emitters:
        emitter.stop()
        emitter.join()
    assert "emitter" in watch.check()
    watch.stop()


def test_a_renamed_and_a_recreated_root_are_noticed(tmp_path: Path, hints: Hints) -> None:
    """Torture case 92: the observer looks alive in both cases."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    watch = Watch(inbox, hints)
    watch.start()
    inbox.rename(tmp_path / "away")
    assert "gone" in watch.check()
    inbox.mkdir()
    assert "replaced" in watch.check()
    watch.restart()
    assert watch.check() == ""
    watch.stop()


def test_no_exception_can_come_out_of_the_listener(hints: Hints) -> None:
    """Torture case 92: an exception in a handler would end the observer's thread; a full pipe is none."""
    for _ in range(70_000):
        hints.changed()
    changed, doubt, finished = hints.take()
    assert (changed, doubt, finished) == (True, "", set())
    assert _Listener(hints) is not None


def test_an_overflow_of_the_kernel_queue_is_a_doubt(tmp_path: Path, hints: Hints) -> None:
    """Torture case 20: the library tells of it in its log alone."""
    import logging

    watch = Watch(tmp_path, hints)
    watch.start()
    logging.getLogger("watchdog.observers.inotify_c").warning("Inotify queue overflowed; filesystem events were lost")
    watch.stop()
    assert "overflowed" in hints.take()[1]


def test_an_inbox_that_was_renamed_ends_the_daemon_and_nothing_is_lost(farm: Farm) -> None:
    """Torture cases 92 and 105: noticed within one check, exit code 6, and all goes on after the restart."""
    farm.start()
    inbox = farm.folder("inbox")
    inbox.rename(farm.share / "inbox-away")
    assert farm.process.wait(30) == 6
    farm.process = None
    (farm.share / "inbox-away").rename(inbox)
    farm.drop("clip.gcode")
    farm.start()
    farm.wait_for_records(1)
    farm.check()


def test_without_inotify_the_daemon_lives_on_listings_and_says_so(farm: Farm) -> None:
    """Torture case 93: the limit of instances is 0 in a user namespace of its own."""
    command = ["unshare", "--user", "--map-root-user", "sh", "-c", f'echo 0 > {LIMIT}; exec "$@"', "sh"]
    if shutil.which("unshare") is None or subprocess.run([*command, "true"], capture_output=True).stderr:
        pytest.skip("no user namespaces here")
    before = LIMIT.read_text(), MACHINE.read_text()
    farm.make_folders()
    farm.start(under=command)
    farm.drop("clip.gcode")
    farm.wait_for_records(1)
    assert farm.status()["degraded"]
    assert farm.log_lines("watching")
    assert (LIMIT.read_text(), MACHINE.read_text()) == before, "the limit was meant for the namespace alone"
    farm.stop()
    farm.check()


@pytest.mark.skipif(not FAKE_CLOCK, reason="libfaketime is not installed (package faketime)")
def test_jumps_of_the_wall_clock_change_nothing(farm: Farm) -> None:
    """Torture cases 99, 100 and 102: the clock of the daemon and its workers jumps by days, and to 1970 and back.

    The library answers in place of the system's clock; the monotonic clock, which never jumps, stays the system's.
    """
    clock = farm.root / "clock"
    clock.write_text("+0")
    farm.start(
        {
            "LD_PRELOAD": str(FAKE_CLOCK[0]),
            "FAKETIME_TIMESTAMP_FILE": str(clock),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            "TZ": "Pacific/Apia",
        }
    )
    days = set()
    for number, jump in enumerate(("+1d", "-2d", "1970-01-02 00:00:00", "+400d", "+0"), 1):
        farm.drop(f"clip-{number}.gcode")
        clock.write_text(jump)
        farm.wait_for_records(number)
        days.update(record["id"][:8] for record in farm.records())
    assert len(days) >= 4, "the clock did not jump"
    assert {record["outcome"] for record in farm.records()} == {"rewritten"}
    farm.stop()
    farm.check()


def test_no_decision_of_the_daemon_looks_at_the_wall_clock() -> None:
    """Torture cases 99 to 102: in the rooms that decide, only the monotonic clock is read."""
    source = Path(__file__).parents[2] / "daemon/liftwright"
    for name in (
        "service.py",
        "pulse.py",
        "health.py",
        "crew.py",
        "intake.py",
        "slots.py",
        "watching.py",
        "spool/inbox.py",
        "spool/settle.py",
        "spool/passage.py",
        "spool/claiming.py",
    ):
        text = (source / name).read_text()
        assert "time.time(" not in text, name
        assert "datetime.now" not in text, name


def test_records_order_is_kept_by_the_ledger_and_a_monotonic_time(farm: Farm) -> None:
    """Torture case 101: a step of the clock at boot can't reorder the records."""
    farm.start()
    farm.drop("one.gcode")
    farm.wait_for_records(1)
    farm.drop("two.gcode")
    farm.wait_for_records(2)
    one, two = farm.record_of("one.gcode"), farm.record_of("two.gcode")
    assert one["boot"] == two["boot"]
    assert one["monotonic_s"] < two["monotonic_s"]
    farm.check()


def test_a_reader_of_the_outbox_sees_whole_files_alone(farm: Farm) -> None:
    """Torture case 107: somebody copies from the outbox all the while."""
    farm.start()
    stop, seen = threading.Event(), []

    def read() -> None:
        while not stop.is_set():
            seen.extend(path.read_bytes() for path in farm.folder("outbox").glob("*.gcode"))

    reader = threading.Thread(target=read)
    reader.start()
    try:
        for number in range(8):
            farm.drop("same.gcode", farm.job(size=20_000))
            farm.wait_for_records(number + 1)
    finally:
        stop.set()
        reader.join()
    assert seen
    assert all(data.endswith(b";stand-in was here\n") for data in seen)
    farm.check()
