"""Jobs for pages and trials, small enough to read: a wall with a travel across it, and a box that leans out."""

from typing import Any

from liftwright.job.facts import Fact
from liftwright.rules.load import load_rules
from liftwright.rules.schema import RuleSet

GIVEN = (Fact("printer", "bench", "test"),)
RULES = """\
printers:
  - name: bench
    bed_mm: {x: [0, 300], y: [0, 300]}
    z_max_mm: 300
    z_speed_mm_s: 12
    z_accel_mm_s2: 120
    travel_accel_mm_s2: 3000
materials:
  - name: PETG
rules:
  - name: all
    when: {}
    lift: {shape: SHAPE, min_travel_mm: 1.0, unretracted: lift}
MORE
when_unmatched: unchanged
when_refused: held
"""

# What a stranger may have called a job: it would end an attribute, an element and a title, and run something.
HOSTILE = '"><script>alert(1)</script><img src=x onerror=alert(2)>@data@ </title>\u2028'

# A wall along Y at X 50, five layers of 0.2 mm; then a bead at Z 0.8 on either side of it, and a travel across.
WALL = ["M83", "G28", "G1 X50 Y0 Z0.2 F6000"] + [
    line for k in range(1, 6) for line in (f"G1 Z{0.2 * k:.1f}", f"G1 Y{20 * (k % 2)} E0.7 F1800")
]
ACROSS = ["G1 X10 Y10 Z0.8 F6000", "G1 X20 Y10 E0.4 F1800", "G1 X80 Y10 F9000", "G1 X90 Y10 E0.4 F1800"]


def rules(shape: str = "terrain", more: str = "", **lift: Any) -> RuleSet:
    """One printer, one rule that fits every job."""
    text = RULES.replace("SHAPE", ", ".join([shape, *(f"{key}: {value}" for key, value in lift.items())]))
    return load_rules({"rules.yaml": text.replace("MORE", more).encode()})


def wall_job() -> bytes:
    """The wall and the way across."""
    return "\n".join([*WALL, *ACROSS, "M104 S0", ""]).encode()


def leaning_job(layers: int = 8) -> bytes:
    """A box whose walls lean outwards by 0.3 mm a layer, two posts beside it, travels across their edges."""
    lines = [";material = PETG", "G21", "G90", "M83", "G28"]
    for layer in range(1, layers + 1):
        height, reach = 0.2 * layer, 10 + 0.3 * layer
        lines.append(f"G1 X{50 - reach:.3f} Y{50 - reach:.3f} Z{height:.3f} F9000")
        for x, y in ((1, -1), (1, 1), (-1, 1), (-1, -1)):
            lines.append(f"G1 X{50 + x * reach:.3f} Y{50 + y * reach:.3f} E{0.07 * reach:.5f} F1200")
        lines += ["G1 E-0.8 F1800", f"G1 X80.000 Y{50 + 0.1 * layer:.3f} F9000", "G1 E0.8 F1800"]
        lines += [
            "G1 X90 Y50 E0.5 F1200",
            "G1 E-0.8 F1800",
            "G1 X20 Y50 F9000",
            "G1 E0.8 F1800",
            "G1 X12 Y50 E0.4 F1200",
        ]
    return "\n".join([*lines, "M104 S0", "M84", ""]).encode()
