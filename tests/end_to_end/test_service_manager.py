"""The daemon under a service manager, played by the test: who is told what, and what a hang comes to.

Sources: sd_notify(3) for the socket and the assignments, systemd.service(5) for WatchdogSec=: a service that does not
send WATCHDOG=1 within that time is ended with SIGABRT and started again.
"""

import os
import signal
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from end_to_end.farm import PATIENCE_S, Farm

# Generous where the daemon must not be ended, so that a busy machine is no hang either.
GENEROUS_S = 8.0
SHORT_S = 4.0


class Manager:
    """Listens where NOTIFY_SOCKET points to; `told` is every assignment so far."""

    def __init__(self, place: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(place))
        self.told: list[str] = []
        self.place = place
        self.limit_s = GENEROUS_S

    @property
    def environment(self) -> dict[str, str]:
        return {"NOTIFY_SOCKET": str(self.place), "WATCHDOG_USEC": str(int(self.limit_s * 1e6))}

    def close(self) -> None:
        self._socket.close()

    def hear(self, seconds: float) -> bool:
        """Whether something came within the time."""
        self._socket.settimeout(seconds)
        try:
            self.told += self._socket.recv(4096).decode().splitlines()
        except TimeoutError:
            return False
        return True

    def watch(self, farm: Farm, done: Callable[[], object]) -> bool:
        """As the manager does after READY=1; False when the service was silent for too long and was ended."""
        while "READY=1" not in self.told:
            assert self.hear(PATIENCE_S), "nothing before READY=1"
        last, until = time.monotonic(), time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < until, farm.tail()
            before = self.told.count("WATCHDOG=1")
            self.hear(0.05)
            if self.told.count("WATCHDOG=1") > before:
                last = time.monotonic()
            elif time.monotonic() - last > self.limit_s:
                assert farm.stop(signal.SIGABRT) == -signal.SIGABRT
                return False
        return True


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path / "notify")
    yield made
    made.close()


def test_ready_is_said_once_all_is_ready_and_more_time_is_asked_for_before(farm: Farm, manager: Manager) -> None:
    """The first listing is done and a worker is ready by then; at the end the manager hears of the stopping."""
    farm.make_folders()
    farm.drop("clip.gcode")
    farm.start(manager.environment, wait=False)
    assert manager.watch(farm, lambda: farm.records())
    ready = manager.told.index("READY=1")
    assert manager.told[0].startswith("EXTEND_TIMEOUT_USEC=")
    assert not [word for word in manager.told[:ready] if word == "WATCHDOG=1"]
    assert farm.stop() == 0
    while manager.hear(0.2):
        pass
    assert "STOPPING=1" in manager.told
    farm.check()


def test_a_slow_disk_is_no_hang(farm: Farm, manager: Manager) -> None:
    """Torture case 81: each sync takes a good part of the allowed time, and a job needs more of them than fit.

    Every sync that came to its end is told; so a single one may take as long as the manager allows.
    """
    farm.make_folders()
    farm.drop("clip.gcode")
    farm.start({**manager.environment, "LIFTWRIGHT_TEST_FAULT": f"slow:sync:{GENEROUS_S * 0.15}"}, wait=False)
    assert manager.watch(farm, lambda: farm.log_lines("job")), "a slow disk was taken for a hang"
    farm.kill()
    farm.check()


@pytest.mark.parametrize("step", ["prove.journal", "sync", pytest.param("claim.rename", marks=pytest.mark.long)])
def test_a_loop_that_hangs_falls_silent_and_is_started_again(farm: Farm, manager: Manager, step: str) -> None:
    """Torture case 94: nothing but the loop and its own progress sends a ping."""
    nth = 30 if step == "sync" else 1
    manager.limit_s = SHORT_S
    farm.make_folders()
    for number in range(3):
        farm.drop(f"clip-{number}.gcode")
        farm.drop(f"pots-{number}/lattice.gcode")
    farm.start({**manager.environment, "LIFTWRIGHT_TEST_FAULT": f"hang:{step}:{nth}"}, wait=False)
    assert not manager.watch(farm, lambda: False)
    farm.start()
    farm.wait_for_records(6)
    farm.check()


def test_without_a_manager_nobody_is_told(farm: Farm) -> None:
    """Neither the socket nor the time is there: the daemon runs as from a terminal."""
    assert "NOTIFY_SOCKET" not in os.environ
    farm.start()
    farm.drop("clip.gcode")
    farm.wait_for_records(1)
    farm.check()
