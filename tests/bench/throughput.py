"""Throughput against the plain script: `python tests/bench/throughput.py [--megabytes 50] [--pairs 5]`.

Both sides read the same job from disk and publish a whole file (flushed, synced, renamed), in one process on one
core, warm, in turns; ours does everything it does for a farm: survey, plan, splice, proof, hashes. With
`--processors 2` ours has the second thread that a worker gives it. Prints every pair and the median ratio, by wall
clock and by processor time (steadier on a machine that does other things too), and the rate of a bare copy line by
line. `flat` takes lifts away: its job is the same with a square lift on each travel.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from bench_rules import rule_set
from big_job import write_job
from plain_script import lift

from liftwright.job.facts import Fact
from liftwright.rewrite import rewrite
from liftwright.threads import second_thread

SHAPES = ("terrain", "flat", "triangle", "square", "sawtooth", "trapezoid")


def main() -> None:
    """Make the job, warm up, run the pairs, print."""
    asked = _parse()
    if asked.processors == 1:
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        plain, lifted, out = (Path(folder) / f"{name}.gcode" for name in ("plain", "lifted", "out"))
        write_job(plain, 1_000_000)
        _lift(plain, lifted)
        for shape in asked.shapes:
            _ours(lifted if shape == "flat" else plain, out, shape)
        write_job(plain, int(asked.megabytes * 1e6))
        _lift(plain, lifted)
        _line_copy(plain, out)
        wall, _ = _timed(_line_copy, plain, out)
        print(f"bare copy line by line {plain.stat().st_size / 1e6 / wall:.0f} MB/s")
        for shape in asked.shapes:
            job = lifted if shape == "flat" else plain
            size = job.stat().st_size / 1e6
            with job.open("rb") as source:
                lines = sum(1 for _ in source)
            print(f"{shape}: job of {size:.1f} MB and {lines} lines")
            _pairs(job, out, shape, asked.pairs, size, lines)


def _pairs(job: Path, out: Path, shape: str, pairs: int, size: float, lines: int) -> None:
    walls, busies = [], []
    for pair in range(pairs):
        order: list[Callable[[], tuple[float, float]]] = [
            lambda: _timed(_plain, job, out), lambda: _timed(_ours, job, out, shape),
        ]  # fmt: skip
        if pair % 2:
            order.reverse()
        first, second = order[0](), order[1]()
        plain, ours = (second, first) if pair % 2 else (first, second)
        walls.append(plain[0] / ours[0])
        busies.append(plain[1] / ours[1])
        print(
            f"  {shape}: plain {size / plain[0]:5.1f} MB/s, {1e6 * plain[0] / lines:.2f} µs a line; "
            f"ours {size / ours[0]:6.1f} MB/s, {1e6 * ours[0] / lines:.3f} µs a line; "
            f"ratio {walls[-1]:.2f} by the clock, {busies[-1]:.2f} by processor time"
        )
    print(f"{shape}: median of {pairs}: {statistics.median(walls):.2f} times the plain script by the clock, "
          f"{statistics.median(busies):.2f} by processor time")


def _timed(what: Callable[..., None], *arguments: object) -> tuple[float, float]:
    wall, busy = time.perf_counter(), time.process_time()
    what(*arguments)
    return time.perf_counter() - wall, time.process_time() - busy


def _plain(job: Path, out: Path) -> None:
    part = _part(out)
    with job.open(encoding="latin-1", newline="") as source, part.open("w", encoding="latin-1", newline="") as sink:
        lift(source, sink)
        sink.flush()
        os.fsync(sink.fileno())
    part.replace(out)


def _ours(job: Path, out: Path, shape: str) -> None:
    rules = rule_set({"shape": shape, "min_travel_mm": 1.0, "unretracted": "lift"})
    with job.open("rb") as source, _part(out).open("w+b") as sink:
        with second_thread() as aside:
            result = rewrite(source, sink, rules, [Fact("printer", "bench", "benchmark")], {}, None, aside=aside)
        if result.outcome != "rewritten":
            raise SystemExit(f"not rewritten: {result.reason}")
        sink.flush()
        os.fsync(sink.fileno())
    _part(out).replace(out)


def _lift(plain: Path, lifted: Path) -> None:
    """The job with square lifts, as if they were its own: without the stamp."""
    _ours(plain, lifted, "square")
    with lifted.open("r+b") as file:
        file.truncate(file.read().rindex(b";liftwright stamp"))


def _line_copy(job: Path, out: Path) -> None:
    with job.open("rb") as source, _part(out).open("wb") as sink:
        for line in source:
            sink.write(line)
    _part(out).replace(out)


def _part(out: Path) -> Path:
    return out.with_suffix(".part")


def _parse() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megabytes", type=float, default=50.0)
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--shapes", nargs="+", default=list(SHAPES))
    parser.add_argument("--processors", type=int, default=1, choices=(1, 2))
    parser.add_argument("--folder", help="where the files go; default: the system's temporary folder")
    return parser.parse_args()


if __name__ == "__main__":
    main()
