"""Loss of power and a file system that turns read-only, on a real ext4 of the test's own.

The power is lost as far as the file system can tell: everything that was not synced is gone, and the journal of the
file system is replayed at the next mount. What a disk does that lies about its syncs can't be shown.
"""

import random
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from end_to_end import disks
from end_to_end.farm import Farm
from end_to_end.test_torture_crash import BY_THE_DAEMON, fault


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[disks.Disk]:
    made = disks.ext4(tmp_path / "disk")
    yield made
    made.forget()


@pytest.fixture
def powered(disk: disks.Disk, make_farm: Callable[..., Farm]) -> Farm:
    """A farm whose share lies on the disk; its log and settings don't. All of it is durable before anything happens."""
    farm = make_farm(share=disk.place / "share")
    farm.make_folders()
    subprocess.run(["sync", "-f", str(disk.place)], check=True)
    return farm


def power_cut(farm: Farm, disk: disks.Disk) -> None:
    """The daemon dies with the machine; then the machine comes up again."""
    disks.lose_power(disk)
    farm.kill()
    disk.unmount()
    disk.mount()


# Those right before or after something was made durable; --long takes all.
SHORT = ("claim.rename", "claim.sync", "publish.rename", "published.journal", "close.ledger", "close.journal")


def test_power_lost_at_any_step_loses_nothing_and_repeats_nothing(powered: Farm, disk: disks.Disk, long: bool) -> None:
    """Torture case 96, at each step in turn: what the steps before had to make durable must be there afterwards."""
    steps = BY_THE_DAEMON if long else SHORT
    for number, step in enumerate(steps):
        (powered.root / "mark").unlink(missing_ok=True)
        (powered.folder("inbox") / f"clip-{number}.gcode.tags.yaml").write_bytes(b"material: PETG\n")
        powered.drop_durably(f"clip-{number}.gcode")
        powered.drop_durably(f"odd-{number}.gcode", powered.job(b";stand-in refuse\n"))
        powered.drop_durably(f"pots-{number}/lattice.gcode")
        assert powered.run_to_its_end(fault(powered.root, f"die:{step}:1")) == -signal.SIGKILL
        power_cut(powered, disk)
    powered.start()
    powered.wait_for_records(3 * len(steps))
    assert len(powered.outbox()) == 2 * len(steps)
    powered.check()


@pytest.mark.parametrize("cuts", [pytest.param(4, id="short"), pytest.param(100, id="full", marks=pytest.mark.long)])
def test_power_lost_at_random_times_loses_nothing(powered: Farm, disk: disks.Disk, cuts: int) -> None:
    """Torture case 96: the moments are drawn from a fixed seed."""
    moments = random.Random(96)
    for cut in range(cuts):
        powered.start(wait=False)
        until = time.monotonic() + moments.uniform(0.3, 2.5)
        while time.monotonic() < until:
            extra = moments.choice([b"", b"", b";stand-in refuse\n", b";stand-in hang 0.1\n"])
            powered.drop_durably(f"job-{cut}-{len(powered.uploads)}.gcode", powered.job(extra, 3000))
            time.sleep(moments.uniform(0.0, 0.1))
        power_cut(powered, disk)
    powered.start()
    powered.wait_for_records(len(powered.uploads), patience=120)
    powered.check()


def test_a_disk_that_turns_read_only_stops_the_work_and_nothing_is_lost(powered: Farm, disk: disks.Disk) -> None:
    """Torture case 78, as it happens: the kernel finds damage while files are open for writing."""
    powered.start()
    powered.drop_durably("first.gcode")
    powered.wait_for_records(1)
    powered.drop_durably("second.gcode", powered.job(b";stand-in hang 1\n"))
    powered.wait_for(powered.is_at_work, "the second job to be in work")
    disks.break_file_system(disk)
    with pytest.raises(OSError, match="Read-only file system"):
        (disk.place / "anything").touch()
    powered.wait_for(
        lambda: powered.log_lines("trouble") or powered.process.poll() is not None, "the daemon to say so, or to end"
    )
    assert list(powered.outbox()) == ["first.gcode"]
    powered.kill()
    disk.unmount()
    disk.mount()
    powered.start()
    powered.wait_for_records(2)
    powered.check()
