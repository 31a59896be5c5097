"""Peak memory, parent and workers together: `python tests/bench/memory.py [--megabytes 50 1000]`.

Runs `liftwright rewrite` on a job of each size, adds up the resident memory of the process and all its children ten
times a second, and prints the highest sum, the kernel's own peak of the process, and the ratio of the sizes.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from big_job import write_job
from command_runs import command, write_rules


def main() -> None:
    """Measure each size and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megabytes", type=float, nargs="+", default=[50.0, 1000.0])
    parser.add_argument("--shape", default="terrain")
    parser.add_argument("--folder", help="where the files go; needs twice the largest job")
    asked = parser.parse_args()
    peaks = []
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        rules = write_rules(Path(folder), asked.shape)
        for megabytes in asked.megabytes:
            job, out = Path(folder) / "job.gcode", Path(folder) / "out.gcode"
            write_job(job, int(megabytes * 1e6))
            began = time.perf_counter()
            peak, own = _peak(command(job, out, rules))
            peaks.append(peak)
            print(f"{job.stat().st_size / 1e6:7.1f} MB: peak {peak / 1e6:.0f} MB in all processes together, "
                  f"{own / 1e6:.0f} MB by the kernel's account of the first; {time.perf_counter() - began:.1f} s, "
                  f"output {out.stat().st_size / 1e6:.1f} MB", flush=True)
            out.unlink()
    print(f"the largest job takes {peaks[-1] / peaks[0]:.2f} times the memory of the smallest")


def _peak(words: list[str]) -> tuple[int, int]:
    """(highest sum of resident bytes of the process and its descendants, the process's own high-water mark)."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    highest = own = 0
    while process.poll() is None:
        family = _family(process.pid)
        highest = max(highest, sum(_status(pid, "VmRSS") for pid in family))
        own = max(own, _status(process.pid, "VmHWM"))
        time.sleep(0.1)
    if process.returncode:
        raise SystemExit(f"exit code {process.returncode}")
    return highest, own


def _family(pid: int) -> list[int]:
    found = [pid]
    for parent in found:
        try:
            children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
        except OSError:
            continue
        found += [int(child) for child in children]
    return found


def _status(pid: int, key: str) -> int:
    """One size of /proc/PID/status in bytes; 0 if the process has gone."""
    try:
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith(key + ":"):
                return int(line.split()[1]) * 1024
    except OSError:
        pass
    return 0


if __name__ == "__main__":
    os.environ.setdefault("COLUMNS", "120")
    main()
