"""5,000 small jobs dropped at once: jobs a second through the real daemon, beside the disk's own rate of syncs.

`python tests/bench/many_jobs.py [COUNT] [--stand-in] [--slots N]`; prints one line a figure, asserts nothing.
"""

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from end_to_end.farm import Farm

SIZE = 10_000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("count", nargs="?", type=int, default=5000)
    parser.add_argument("--stand-in", action="store_true", help="a worker without the core: the shell's own cost")
    parser.add_argument("--slots", type=int, default=2)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="throughput-") as folder:
        print(f"file syncs a second, alone on this disk: {sync_rate(Path(folder)):.0f}")
        farm = Farm(Path(folder) / "farm", "stand-in" if arguments.stand_in else "real", slots=arguments.slots)
        try:
            run(farm, arguments.count)
        finally:
            farm.kill()


def run(farm: Farm, count: int) -> None:
    farm.start()
    began = time.monotonic()
    for number in range(count):
        farm.drop(f"job-{number:05d}.gcode", farm.job(size=SIZE))
    dropped = time.monotonic()
    records = farm.folder("records")
    # Counting files would cost more than the daemon does.
    ledger = records / "ledger.jsonl"
    while not ledger.exists() or ledger.read_bytes().count(b"\n") < count:
        if farm.process.poll() is not None:
            raise SystemExit(farm.tail())
        time.sleep(0.2)
    ended = time.monotonic()
    print(f"dropped {count} jobs of {SIZE} bytes in {dropped - began:.1f} s")
    print(f"all recorded {ended - began:.1f} s after the first drop: {count / (ended - began):.0f} jobs/s")
    outcomes = {}
    for record in farm.records():
        outcomes[record["outcome"]] = outcomes.get(record["outcome"], 0) + 1
    print(f"outcomes: {outcomes}; files in the outbox: {len(os.listdir(farm.folder('outbox')))}")
    farm.check(good=False)
    print("invariant: holds")


def sync_rate(folder: Path) -> float:
    data, began = os.urandom(SIZE), time.monotonic()
    for number in range(200):
        fd = os.open(folder / f"sync-{number}", os.O_WRONLY | os.O_CREAT)
        os.write(fd, data)
        os.fsync(fd)
        os.close(fd)
    return 200 / (time.monotonic() - began)


if __name__ == "__main__":
    main()
