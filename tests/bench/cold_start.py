"""Cold start of the command: `python tests/bench/cold_start.py [--runs 5]`.

Starts `liftwright rewrite` on a job of 1 MB in a new process each time, with the kernels' cache already filled by
one run before, and prints the seconds of each run, by the clock and by processor time, and the medians. Beside them:
a run on 20 kB (what starting costs alone).
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from big_job import write_job
from command_runs import command, write_rules


def main() -> None:
    """Fill the cache, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--shape", default="terrain")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rules = write_rules(Path(folder), asked.shape)
        for size in (20_000, 1_000_000):
            job, out = Path(folder) / f"{size}.gcode", Path(folder) / "out.gcode"
            write_job(job, size)
            words = command(job, out, rules)
            _run(words)
            runs = [_run(words) for _ in range(asked.runs)]
            shown = ", ".join(f"{wall:.2f} ({busy:.2f})" for wall, busy in runs)
            wall, busy = (statistics.median(column) for column in zip(*runs, strict=True))
            print(f"{job.stat().st_size / 1e6:.2f} MB: {shown} s; median {wall:.2f} s by the clock, {busy:.2f} s busy")


def _run(words: list[str]) -> tuple[float, float]:
    before, began = os.times(), time.perf_counter()
    subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    busy = after.children_user + after.children_system - before.children_user - before.children_system
    return time.perf_counter() - began, busy


if __name__ == "__main__":
    main()
