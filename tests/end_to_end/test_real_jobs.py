"""Every real job × the five fixed shapes × unretracted travels left or lifted: outcome and counts as pinned.

The jobs are strangers' and stand beside the repository, not in it; real_jobs.json holds names and numbers alone. Make
it anew after a change that is meant: python tests/end_to_end/test_real_jobs.py
"""

import hashlib
import io
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from liftwright.job.facts import Fact
from liftwright.job.moves import BEAD, MoveReader
from liftwright.proof import prove
from liftwright.result import Result
from liftwright.rewrite import rewrite
from liftwright.rules.schema import Lift, Printer, RectBed, Rule, RuleSet
from liftwright.terms import proof_limits

JOBS = Path(__file__).resolve().parents[3] / "shared" / "jobs"
TABLE = Path(__file__).with_name("real_jobs.json")
SHAPES = ("flat", "square", "triangle", "sawtooth", "trapezoid")
COLUMNS = ("default", "lift")
STAMP = b";liftwright stamp"
VENDOR = ("M991",)  # a notice to the machine's screen at each layer, in 48 gaps alone

# What the notes beside the jobs ask of a rule that lifts every travel of 1 mm. A flat lift only takes away, so without
# lifts of their own the jobs to rewrite are unchanged by it.
WANTED = {
    "abs-e-vertical-lift": "rewritten",
    "rel-e-lift-and-wipe": "rewritten",
    "object-labels-sloped-lift-arcs": "rewritten",
    "arcs-object-exclusion-crlf": "rewritten",
    "helical-lift-conditional-blocks": "either",
    "three-tools-rel-e": "rewritten",
    # All its 333 gaps dwell on purpose with the nozzle down: nothing else is there to rewrite.
    "firmware-retraction": "unchanged",
    "two-programs-joined": "rewritten",
    "continuous-rise": "either",
    "no-comments": "rewritten",
    "comments-broken-onto-command-lines": "rewritten",
    "cut-off-inside-a-number": "cut_off",
    "two-commands-on-a-line": "either",
    "not-a-print-arcs-without-e": "nothing_printed",
    "milling-program": "not_a_filament_print",
}


def printer(**more: Any) -> Printer:
    """A machine with room for all of them."""
    bed = RectBed(x=(-500.0, 500.0), y=(-500.0, 500.0))
    limits = {"z_speed_mm_s": 12.0, "z_accel_mm_s2": 120.0, "travel_accel_mm_s2": 3000.0}
    return Printer(name="any", bed_mm=bed, z_max_mm=500.0, **limits, **more)


def lift_of(shape: str, column: str) -> Lift:
    return Lift(shape=shape, min_travel_mm=1.0, unretracted=None if column == "default" else "lift")


def rewritten(text: bytes, lift: Lift, machine: Printer) -> tuple[Result, bytes]:
    """The result and the bytes handed on; the proof is part of it."""
    ruleset = RuleSet((machine,), (), (Rule(name="all", when={}, lift=lift),), "unchanged", "held")
    sink = io.BytesIO()
    result = rewrite(io.BytesIO(text), sink, ruleset, (Fact("printer", "any", "test"),))
    assert not result.violations
    return result, sink.getvalue() if result.outcome == "rewritten" else text


def measured(name: str, shape: str, column: str) -> dict[str, Any]:
    result, _ = rewritten((JOBS / f"{name}.gcode").read_bytes(), lift_of(shape, column), printer())
    return {"outcome": result.outcome, "reason": result.reason_code} | (
        {"travels": result.travels} if result.travels else {}
    )


def highest_per_gap(text: bytes) -> list[float]:
    """Highest Z between each two beads, the beads' own included."""
    tops: list[float] = []
    for window in MoveReader(io.BytesIO(text)).windows():
        beads = np.flatnonzero(window.moves.kind == BEAD)
        if len(beads):
            tops += np.maximum.reduceat(window.moves.z[: beads[-1] + 1], np.r_[0, beads[:-1]]).tolist()
    return tops


if __name__ == "__main__":
    found = {
        name: {column: {shape: measured(name, shape, column) for shape in SHAPES} for column in COLUMNS}
        for name in sorted(WANTED)
    }
    TABLE.write_text(json.dumps(found, indent=1) + "\n")
    sys.exit()

PINNED = json.loads(TABLE.read_text())
pytestmark = pytest.mark.skipif(not JOBS.exists(), reason="the collection of real jobs is not beside the repository")
CASES = [(name, shape, column) for name in sorted(WANTED) for shape in SHAPES for column in COLUMNS]


@pytest.mark.parametrize(("name", "shape", "column"), CASES)
def test_a_real_job_has_its_pinned_outcome_and_every_promise_holds(name, shape, column):
    """Outcome, reason, travels by what became of them; proved again from both files; handed in again the same; without
    its stamp it keeps all promises and no gap is higher than after the first rewrite."""
    original = (JOBS / f"{name}.gcode").read_bytes()
    lift, machine = lift_of(shape, column), printer()
    result, once = rewritten(original, lift, machine)
    pinned = PINNED[name][column][shape]
    assert {"outcome": result.outcome, "reason": result.reason_code} == {k: pinned[k] for k in ("outcome", "reason")}
    assert result.travels == pinned.get("travels", {})
    if result.outcome != "rewritten":
        assert once == original
        return
    assert result.sha256_out == hashlib.sha256(once).hexdigest()
    assert prove(io.BytesIO(original), io.BytesIO(once), proof_limits(machine, lift, True)).holds
    again, same = rewritten(once, lift, machine)
    assert (again.reason_code, same) == ("already_rewritten", once)
    bare = once[: once.rindex(STAMP)]
    second, twice = rewritten(bare, lift, machine)
    assert second.outcome == ("unchanged" if shape == "flat" else "rewritten")
    before, after = highest_per_gap(bare), highest_per_gap(twice)
    assert len(before) == len(after)
    assert max(b - a for a, b in zip(before, after, strict=True)) <= 0.0


@pytest.mark.parametrize("name", sorted(WANTED))
def test_the_pinned_outcomes_are_those_that_the_notes_beside_the_jobs_ask_for(name):
    """With unretracted travels lifted too: one job has no retraction at all."""
    wanted = WANTED[name]
    for shape in SHAPES:
        row = PINNED[name]["lift"][shape]
        if wanted in ("rewritten", "unchanged"):
            nothing_to_flatten = shape == "flat" and set(row["travels"]).isdisjoint({"rewritten"})
            assert row["outcome"] == ("unchanged" if nothing_to_flatten else wanted)
        elif wanted == "either":
            assert row["outcome"] in ("rewritten", "unchanged")
        else:
            assert (row["outcome"], row["reason"]) == ("held", wanted)


def test_every_real_job_has_its_row():
    assert {path.stem for path in JOBS.glob("*.gcode")} == set(WANTED) == set(PINNED)


def test_jobs_full_of_a_vendors_commands_are_rewritten_once_the_printer_entry_names_them():
    """By default every travel that holds one is left alone; named neutral, part of them are lifted."""
    text = (JOBS / "helical-lift-conditional-blocks.gcode").read_bytes()
    lift = lift_of("triangle", "default")
    unnamed, _ = rewritten(text, lift, printer())
    assert (unnamed.outcome, unnamed.travels["wall"]) == ("unchanged", 98)
    named, _ = rewritten(text, lift, printer(neutral=VENDOR))
    assert named.outcome == "rewritten"
    assert named.travels["wall"] == 98 - 48
