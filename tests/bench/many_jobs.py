"""5,000 small jobs dropped at once: jobs a second through the real daemon, beside the disk's own rate of syncs.

Each is a pot of 10 kB with leaning walls, unlike any other, and is surveyed, lifted by `terrain`, and proved.

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
from end_to_end.pots import RULES, pot_job

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
    (farm.folder("rules") / "10-all.yaml").write_bytes(RULES)
    jobs = [pot_job(number, SIZE) for number in range(count)]
    farm.start()
    workers = farm.status()["workers"]
    before = [processor_s(pid) for pid in (farm.process.pid, *workers)]
    began = time.monotonic()
    for number, data in enumerate(jobs):
        farm.drop(f"job-{number:05d}.gcode", data)
    dropped = time.monotonic()
    records = farm.folder("records")
    # Counting files would cost more than the daemon does.
    ledger = records / "ledger.jsonl"
    while not ledger.exists() or ledger.read_bytes().count(b"\n") < count:
        if farm.process.poll() is not None:
            raise SystemExit(farm.tail())
        time.sleep(0.2)
    ended = time.monotonic()
    spent = [1e3 * (processor_s(pid) - b) / count for pid, b in zip((farm.process.pid, *workers), before, strict=True)]
    print(f"dropped {count} jobs of about {SIZE} bytes in {dropped - began:.1f} s")
    print(f"all recorded {ended - began:.1f} s after the first drop: {count / (ended - began):.0f} jobs/s")
    print(f"processor time a job: {spent[0]:.1f} ms in the daemon, {sum(spent[1:]):.1f} ms in the workers; "
          f"load of the machine at the end: {os.getloadavg()[0]:.1f}")
    outcomes = {}
    for record in farm.records():
        outcomes[record["outcome"]] = outcomes.get(record["outcome"], 0) + 1
    print(f"outcomes: {outcomes}; files in the outbox: {len(os.listdir(farm.folder('outbox')))}")
    farm.check(good=False)
    print("invariant: holds")


def processor_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


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
