"""Small literal jobs for the tests of the core: a bead, a gap to play with, a bead; rules that lift it; what came out.

The gap goes from (20, 10) to (60, 10) at Z 0.2. Feeds as a file writes them, in mm/min.
"""

import io
from types import SimpleNamespace
from typing import Any

import numpy as np

from liftwright.job.facts import Fact
from liftwright.job.moves import MoveReader
from liftwright.plan.travels import REASONS, TravelFinder
from liftwright.result import Result
from liftwright.rewrite import rewrite
from liftwright.rules.schema import Lift, Material, Printer, RectBed, Rule, RuleSet

BEFORE = ["M83", "G28", "G1 X10 Y10 Z0.2 F6000", "G1 X20 Y10 E0.5 F1200"]
RETRACT, PRIME = "G1 E-1 F1800", "G1 E1 F1800"
TRAVEL = "G1 X60 Y10 F9000"
AFTER = ["G1 X70 Y10 E0.5 F1200", "M104 S0"]
PLAIN_GAP = [RETRACT, TRAVEL, PRIME]

PRINTER = {
    "name": "bench",
    "bed_mm": RectBed(x=(0.0, 200.0), y=(0.0, 200.0)),
    "z_max_mm": 100.0,
    "z_speed_mm_s": 10.0,
    "z_accel_mm_s2": 100.0,
    "travel_accel_mm_s2": 1000.0,
}
GIVEN = (Fact("printer", "bench", "test"),)


def job(*gap: str, before: list[str] = BEFORE, after: list[str] = AFTER, eol: str = "\n") -> bytes:
    """A whole job around the lines of one gap."""
    return "".join(line + eol for line in [*before, *gap, *after]).encode("latin-1")


def rules(*, printer: dict[str, Any] | None = None, leave: bool = False, **lift: Any) -> RuleSet:
    """One printer, one rule that fits every job: a square of 0.4 mm on travels from 1 mm unless told otherwise."""
    lift = {"shape": "square", "min_travel_mm": 1.0} | lift
    rule = Rule(name="all", when={}, leave=True) if leave else Rule(name="all", when={}, lift=Lift(**lift))
    return RuleSet((Printer(**PRINTER | (printer or {})),), (Material(name="PLA"),), (rule,), "unchanged", "held")


def run(text: bytes, ruleset: RuleSet | None = None, *, chunk: int = 1 << 19, **lift: Any) -> tuple[Result, bytes]:
    """(result, bytes handed on); every rewrite is proved on the way."""
    sink = io.BytesIO()
    result = rewrite(io.BytesIO(text), sink, ruleset or rules(**lift), GIVEN, chunk=chunk)
    assert not result.violations, result.violations
    return result, sink.getvalue() if result.outcome == "rewritten" else text


def lines_of(text: bytes) -> list[str]:
    """Its lines without their ends and without the stamp."""
    lines = text.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return [line for line in lines if line and not line.startswith(";liftwright stamp")]


def gap_of(*gap: str, ruleset: RuleSet | None = None, before: list[str] = BEFORE, **lift: Any) -> list[str]:
    """The lines that stand between the two beads of `job(*gap)` after rewriting."""
    _, text = run(job(*gap, before=before), ruleset, **lift)
    lines = lines_of(text)
    assert lines[: len(before)] == before
    assert lines[-len(AFTER) :] == AFTER
    return lines[len(before) : -len(AFTER)]


def reason_of(*gap: str, before: list[str] = BEFORE, after: list[str] = AFTER, **reading: Any) -> str:
    """The reason of the one gap of `job(*gap)`."""
    return str(travels_of(job(*gap, before=before, after=after), **reading).reason[-1])


def moves_of(text: bytes, **reading: Any) -> dict[str, np.ndarray]:
    """All rows of a job as columns, without those that only begin a window."""
    names = ("kind", "words", "x", "y", "z", "de", "f", "feed", "known", "line", "tool", "label")
    parts = [
        [getattr(window.moves, name)[1:].copy() for name in names]
        for window in MoveReader(io.BytesIO(text), **reading).windows()
    ]
    return {name: np.concatenate(part) for name, part in zip(names, zip(*parts, strict=True), strict=True)}


def travels_of(text: bytes, begin_line: int = 0, **reading: Any) -> SimpleNamespace:
    """The travels of a job as columns, `reason` in words; `active` lists the line numbers of their active rows.

    `begin_line` 0 lets the print begin at its first bead.
    """
    reader, finder = MoveReader(io.BytesIO(text), **reading), TravelFinder(begin_line)
    names = ("retracted", "to_tool", "reason", "layer", "label", "length", "z0", "z1", "top", "height", "speed")
    columns: dict[str, list[Any]] = {name: [] for name in (*names, "active")}
    for window in reader.windows():
        found = finder.find(window.moves)
        for name in names:
            columns[name] += getattr(found, name).tolist()
        columns["active"] += [window.moves.line[a:b].tolist() for a, b in zip(found.first, found.last, strict=True)]
    columns["reason"] = [REASONS[k] for k in columns["reason"]]
    return SimpleNamespace(**columns)
