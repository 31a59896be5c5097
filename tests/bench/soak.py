"""Mixed load with random kills for a while: the invariant at the end, and how the daemon's memory grew.

`python tests/bench/soak.py [MINUTES] [--stand-in] [--seed N]`. For 40 % of the time the daemon is killed at random
moments and started again; for the rest it is left alone, so that its memory can be watched, and only workers are
killed. The growth is that of the line through all samples after a warm-up, scaled to ten minutes.
"""

import argparse
import contextlib
import hashlib
import os
import random
import signal
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from end_to_end.farm import JOB, RULES, Farm
from end_to_end.pots import RULES as POT_RULES
from end_to_end.pots import pot_job
from liftwright.spool.history import history

SIZES = (4_000,) * 20 + (10_000,) * 20 + (40_000,) * 5 + (300_000,)
# What the stand-in is ordered to do; few end their worker, since each costs three restarts.
ORDERS = (b"",) * 80 + (b";stand-in refuse\n",) * 10 + (b";stand-in unchanged\n",) * 10 + (b";stand-in exit\n",)


@dataclass
class Soaked:
    """What came of it: kills of the daemon and of workers, records by outcome, MB grown in ten minutes."""

    kills: int
    worker_kills: int
    outcomes: dict[str, int]
    taken: int
    grown_mb: float
    by_minute_mb: list[float]


class Soak:
    """One farm under load; `uploads` and `taken` of the farm remember what must be true at the end."""

    def __init__(self, folder: Path, seed: int, real: bool) -> None:
        self.chance = random.Random(seed)
        self.real = real
        self.farm = Farm(folder / "farm", "real" if real else "stand-in", slots=2)
        self.farm.make_folders()
        (self.farm.folder("rules") / "10-all.yaml").write_bytes(self.rules)
        self.number = 0
        self.worker_kills = 0

    @property
    def rules(self) -> bytes:
        return POT_RULES if self.real else RULES

    def run(self, minutes: float) -> Soaked:
        """Kills first, then peace; AssertionError where something is not as it must be."""
        farm = self.farm
        try:
            kills = self._with_kills(minutes * 60 * 0.4)
            samples = self._undisturbed(minutes * 60 * 0.6)
            farm.wait_for(self._all_ended, "the end of all jobs", 600)
            farm.settings.pause_file.unlink(missing_ok=True)
            farm.check()
            outcomes: dict[str, int] = {}
            for record in farm.records():
                key = f"{record['outcome']} ({record['reason_code']})"
                outcomes[key] = outcomes.get(key, 0) + 1
            return Soaked(kills, self.worker_kills, outcomes, len(farm.taken), slope(samples) * 600, by_minute(samples))
        finally:
            farm.kill()

    def _all_ended(self) -> bool:
        status = self.farm.status()
        busy = status["in_inbox"] + status["claimed"] + len(status["working"])
        return not busy and not list(self.farm.folder("working").glob("*.in"))

    def _with_kills(self, seconds: float) -> int:
        kills, until = 0, time.monotonic() + seconds
        while time.monotonic() < until:
            self.farm.start(wait=False)
            life = time.monotonic() + self.chance.uniform(0.5, 15.0)
            while time.monotonic() < life:
                self._live()
            self.farm.kill()
            kills += 1
        return kills

    def _undisturbed(self, seconds: float) -> list[tuple[float, float]]:
        self.farm.start()
        began = time.monotonic()
        samples: list[tuple[float, float]] = []
        while time.monotonic() - began < seconds:
            self._live()
            self._take()
            if time.monotonic() - began > seconds / 6:
                samples.append((time.monotonic(), resident_mb(self.farm)))
        return samples

    def _live(self) -> None:
        """People drop jobs, edit rules, pause and look; now and then a worker dies."""
        for _ in range(self.chance.randrange(1, 16)):
            self._drop()
        match self.chance.randrange(60):
            case 0:
                self.farm.settings.pause_file.touch()
            case 1 | 2 | 3:
                self.farm.settings.pause_file.unlink(missing_ok=True)
            case 4:
                place = self.farm.folder("rules") / "10-all.yaml"
                place.write_bytes(self.rules + b"# looked at %d\n" % self.number)
            case 5:
                sum(1 for _ in history(self.farm.settings, outcome="held"))
            case 6 | 7:
                self._kill_a_worker()
        time.sleep(self.chance.uniform(0.2, 1.5))

    def _kill_a_worker(self) -> None:
        workers = self.farm.status().get("workers") or []
        with contextlib.suppress(ProcessLookupError, IndexError):
            os.kill(self.chance.choice(workers), signal.SIGKILL)
            self.worker_kills += 1

    def _drop(self) -> None:
        self.number += 1
        name, data = f"job-{self.number}.gcode", self._job()
        if self.chance.random() < 0.1:
            (self.farm.folder("inbox") / f"{name}.tags.yaml").write_bytes(b"material: PETG\n")
            self.farm.drop(name, data, expected=False)
        else:
            self.farm.drop(f"folder-{self.number % 7}/{name}", data, expected=False)
        # The bytes of thousands of jobs need not be kept: their digests tell.
        self.farm.uploads[hashlib.sha256(data).hexdigest()] = b""

    def _job(self) -> bytes:
        if not self.real:
            return self.farm.job(self.chance.choice(ORDERS), self.chance.choice(SIZES))
        size = self.chance.choice(SIZES)
        match self.chance.randrange(20):
            case 0:
                return pot_job(self.number, size, "calibration cube")
            case 1:
                return pot_job(self.number, size)[:-40]  # cut, with the heaters on
            case 2:
                return b"\xff\xd8\xff\xe0 picture %d" % self.number + bytes(range(256)) * 20
            case 3:
                return JOB.replace(b"gantry-300", b"unheard-of") + b";order %d\n" % self.number
            case 4:
                return self._one_that_comes_back() or pot_job(self.number, size)
        return pot_job(self.number, size)

    def _one_that_comes_back(self) -> bytes | None:
        """A rewritten job dropped again, once."""
        for path in self.farm.folder("outbox").rglob("*.gcode"):
            with contextlib.suppress(FileNotFoundError):
                data = path.read_bytes()
                again = hashlib.sha256(data).hexdigest() in self.farm.uploads
                if b";liftwright stamp" in data[-120:] and not again:
                    return data
        return None

    def _take(self) -> None:
        """The printers fetch what is finished, when the journal is through with it: whole files of unique names."""
        root = self.farm.folder("outbox")
        for path in list(root.rglob("*.gcode"))[:-50]:
            self.farm.taken[str(path.relative_to(root))] = hashlib.sha256(path.read_bytes()).hexdigest()
            path.unlink()


def slope(samples: list[tuple[float, float]]) -> float:
    """Of the straight line through all samples: single ones swing with the size of a group."""
    mean_t = sum(t for t, _ in samples) / len(samples)
    mean_m = sum(m for _, m in samples) / len(samples)
    return sum((t - mean_t) * (m - mean_m) for t, m in samples) / sum((t - mean_t) ** 2 for t, _ in samples)


def by_minute(samples: list[tuple[float, float]]) -> list[float]:
    """Means, one a minute, to see a step from a slope."""
    minutes: dict[int, list[float]] = {}
    for moment, memory in samples:
        minutes.setdefault(int((moment - samples[0][0]) / 60), []).append(memory)
    return [round(sum(found) / len(found), 2) for found in minutes.values()]


def resident_mb(farm: Farm) -> float:
    assert farm.process is not None
    status = Path(f"/proc/{farm.process.pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("minutes", nargs="?", type=float, default=20.0)
    parser.add_argument("--stand-in", action="store_true", help="a worker that obeys orders to misbehave")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        found = Soak(Path(folder), arguments.seed, not arguments.stand_in).run(arguments.minutes)
    print(f"{arguments.minutes:g} minutes, {found.kills} kills of the daemon, {found.worker_kills} of workers")
    print(f"{sum(found.outcomes.values())} records: {found.outcomes}; {found.taken} taken from the outbox")
    print(f"memory of the daemon: {found.grown_mb:+.2f} MB in ten minutes after warm-up")
    print(f"minute by minute: {found.by_minute_mb}")
    print("invariant: holds")


if __name__ == "__main__":
    main()
