"""The product's core for tests: one job's bytes and a lift in, the result and the bytes that go on out."""

import io
from dataclasses import dataclass

from liftwright.job.facts import Fact
from liftwright.result import REWRITTEN, Result
from liftwright.rewrite import rewrite
from liftwright.rules.load import load_rules
from liftwright.rules.schema import RuleSet

SHAPES = ("flat", "square", "triangle", "sawtooth", "trapezoid", "terrain")
RULES = """
printers:
  - name: bench
    bed_mm: {{x: [-50, 350], y: [-50, 350]}}
    z_max_mm: 340
    z_speed_mm_s: 12
    z_accel_mm_s2: 120
    travel_accel_mm_s2: 3000
{printer}
materials: []
rules:
  - name: all
    when: {{}}
    lift: {{shape: {shape}, min_travel_mm: 1.0{lift}}}
when_unmatched: unchanged
when_refused: held
"""
PRINTER = Fact("printer", "bench", "a test")


@dataclass(frozen=True)
class Rewritten:
    """`text` is what goes on: the rewritten bytes, or the job's own where nothing was rewritten."""

    result: Result
    text: bytes

    @property
    def is_rewritten(self) -> bool:
        return self.result.outcome == REWRITTEN


def rules_for(shape: str = "triangle", lift: str = "", printer: str = "") -> RuleSet:
    """One printer, one rule; `lift` and `printer` hold further keys, e.g. "height_mm: 0.6"."""
    more = f", {lift}" if lift else ""
    lines = "\n".join(f"    {line}" for line in printer.splitlines())
    return load_rules({"rules.yaml": RULES.format(shape=shape, lift=more, printer=lines).encode()})


def press(job: bytes, shape: str = "triangle", lift: str = "", printer: str = "", chunk: int = 1 << 20) -> Rewritten:
    """Rewrite one job for the printer `bench`; `chunk` is the size of the windows."""
    sink = io.BytesIO()
    result = rewrite(io.BytesIO(job), sink, rules_for(shape, lift, printer), [PRINTER], chunk=chunk)
    return Rewritten(result, sink.getvalue() if result.outcome == REWRITTEN else job)
