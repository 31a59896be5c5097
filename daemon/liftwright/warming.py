"""Compile every kernel before the daemon says ready: a small job with a leaning wall goes the whole way once a shape.

Without it the first job of the day would pay for the compiler. With a warm cache this takes a fraction of a second.
"""

import io
from collections.abc import Iterator

from liftwright.rewrite import rewrite
from liftwright.rules.load import load_rules
from liftwright.rules.schema import RuleSet

SHAPES = ("terrain", "square", "trapezoid")

_RULES = """\
printers:
  - name: warm
    bed_mm: {x: [0, 300], y: [0, 300]}
    z_max_mm: 300
    z_speed_mm_s: 12
    z_accel_mm_s2: 120
    travel_accel_mm_s2: 3000
    head: {radius_mm: 20, clear_mm: 0.5}
    neutral: ["LIGHTS_*"]
materials:
  - name: PETG
rules:
  - name: nothing is like this, but it has to be measured
    when: {slenderness: {min: 1000}, islands: {min: 1000}, overhang_share: {min: 1000}}
    leave: true
  - name: warm
    when: {}
    lift: {shape: SHAPE, min_travel_mm: 1.0, unretracted: lift}
when_unmatched: unchanged
when_refused: unchanged
"""


def warm() -> list[str]:
    """Run the job; returns the outcomes, one a shape."""
    job = "\n".join(_lines()).encode() + b"\n"
    return [rewrite(io.BytesIO(job), io.BytesIO(), rules_for(shape)).outcome for shape in SHAPES]


def rules_for(shape: str) -> RuleSet:
    """A rule set that lifts everything in one shape."""
    return load_rules({"warm.yaml": _RULES.replace("SHAPE", shape).encode()})


def _lines() -> Iterator[str]:
    """A box whose walls lean outwards, an arc, a wipe, a label, and a travel across its own edge on each layer."""
    yield from (";material = PETG", ";printer = warm", "G21", "G90", "M82", "G28", "M204 S1500")
    extruded = 0.0
    for layer in range(1, 9):
        height, reach = 0.2 * layer, 10 + 0.5 * layer
        yield from ("M117 layer", f"G1 X{50 - reach:.3f} Y{50 - reach:.3f} Z{height:.3f} F9000")
        for x, y in ((1, -1), (1, 1), (-1, 1), (-1, -1)):
            extruded += 0.07 * reach
            yield f"G1 X{50 + x * reach:.3f} Y{50 + y * reach:.3f} E{extruded:.5f} F1200"
        yield f"G1 X{52 - reach:.3f} Y{50 - reach:.3f} E{extruded - 0.3:.5f} F3000 ; wipe"
        yield f"G1 E{extruded - 0.8:.5f} F1800"
        yield f"G1 X{60 + reach:.3f} Y{60 + reach:.3f} F9000"
        yield f"G1 E{extruded:.5f} F1800"
        extruded += 0.5
        yield f"G2 X{70 + reach:.3f} Y{60 + reach:.3f} I5 J0 E{extruded:.5f} F1200"
    yield from ("M104 S0", "M84")
