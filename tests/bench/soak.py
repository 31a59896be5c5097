"""Mixed load with random kills for a while: the invariant at the end, and how the daemon's memory grew.

`python tests/bench/soak.py [MINUTES] [--stand-in] [--seed N]`. Every so often the daemon is killed; in the second half
it is left alone, so that its memory can be watched: the growth per ten minutes after warm-up is printed.
"""

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from end_to_end.farm import Farm

# Few that end their worker: each costs three restarts, and the load must stay below what two workers can do.
ORDERS = (b"",) * 80 + (b";stand-in refuse\n",) * 10 + (b";stand-in unchanged\n",) * 10 + (b";stand-in exit\n",)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("minutes", nargs="?", type=float, default=20.0)
    parser.add_argument("--stand-in", action="store_true", help="a worker that obeys orders to misbehave")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    chance = random.Random(arguments.seed)
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        farm = Farm(Path(folder) / "farm", "stand-in" if arguments.stand_in else "real", slots=2)
        try:
            kills = with_kills(farm, chance, arguments.minutes * 30, arguments.stand_in)
            print(f"{kills} kills, {len(farm.uploads)} uploads")
            grown = undisturbed(farm, chance, arguments.minutes * 30, arguments.stand_in)
            print(f"memory of the daemon: {grown:+.2f} MB in ten minutes after warm-up")
            farm.wait_for_records(len(farm.uploads), 600)
            farm.check(good=False)
            print(f"invariant: holds, {len(farm.records())} records")
        finally:
            farm.kill()


def drop_some(farm: Farm, chance: random.Random, ordered: bool) -> None:
    for _ in range(chance.randrange(1, 20)):
        extra = chance.choice(ORDERS) if ordered else b""
        number = len(farm.uploads)
        farm.drop(f"folder-{number % 7}/job-{number}.gcode", farm.job(extra, chance.choice((0, 10_000, 200_000))))


def with_kills(farm: Farm, chance: random.Random, seconds: float, ordered: bool) -> int:
    farm.make_folders()
    kills, until = 0, time.monotonic() + seconds
    while time.monotonic() < until:
        farm.start(wait=False)
        life = time.monotonic() + chance.uniform(0.5, 15.0)
        while time.monotonic() < life:
            drop_some(farm, chance, ordered)
            time.sleep(chance.uniform(0.1, 1.0))
        farm.kill()
        kills += 1
    return kills


def undisturbed(farm: Farm, chance: random.Random, seconds: float, ordered: bool) -> float:
    farm.start()
    farm.wait_for_records(len(farm.uploads), 600)
    began = time.monotonic()
    samples: list[tuple[float, float]] = []
    while time.monotonic() - began < seconds:
        drop_some(farm, chance, ordered)
        time.sleep(chance.uniform(0.2, 1.5))
        if time.monotonic() - began > seconds / 4:
            samples.append((time.monotonic(), resident_mb(farm)))
    # The slope through all samples: single ones swing with the size of a group.
    mean_t = sum(t for t, _ in samples) / len(samples)
    mean_m = sum(m for _, m in samples) / len(samples)
    slope = sum((t - mean_t) * (m - mean_m) for t, m in samples) / sum((t - mean_t) ** 2 for t, _ in samples)
    return slope * 600


def resident_mb(farm: Farm) -> float:
    assert farm.process is not None
    status = Path(f"/proc/{farm.process.pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmRSS")).split()[1]) / 1024


if __name__ == "__main__":
    main()
