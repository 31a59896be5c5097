"""What gentle slopes save on a lead-screw Z axis, 5 mm/s and 100 mm/s² (the commonest limits there are).

By hand, from [KLP] docs/Kinematics.md: 0.4 mm from rest to rest takes 2·√(0.4/100) = 0.126 s, up and down 0.253 s. A
slope costs nothing while it is at most min(5/150, 100/3000) = 1 in 30: 0.4 mm over 12 mm.
"""

import io
from pathlib import Path

import pytest

from bench.bench_rules import rule_set
from liftwright.comparison import Row, compare
from liftwright.job.facts import Fact
from liftwright.rewrite import rewrite

POSTS = (Path(__file__).parents[1] / "reference" / "motion" / "posts.gcode").read_bytes()
LEAD_SCREW = {"z_speed_mm_s": 5.0, "z_accel_mm_s2": 100.0}
GIVEN = [Fact("printer", "bench", "the test")]

# A wall along Y at X 50, three layers of 0.2 mm; then a bead at Z 0.4 on either side and a travel of 80 mm across.
WALL = ["M83", "G28", "G1 X50 Y0 Z0.2 F6000"] + [
    line for k in range(1, 4) for line in (f"G1 Z{0.2 * k:.1f}", f"G1 Y{20 * (k % 2)} E0.7 F1800")
]
ACROSS = ["G1 X0 Y10 Z0.4 F6000", "G1 X10 E0.4 F1800", "G1 E-0.8", "G1 X90 F9000", "G1 E0.8", "G1 X99 E0.4 F1800"]


def table(text: bytes, shape: str) -> dict[str, Row]:
    rules = rule_set({"shape": shape, "height_mm": 0.4}, printer=LEAD_SCREW)
    return {row.shape: row for row in compare(io.BytesIO(text), rules, GIVEN).rows}


def test_twelve_travels_of_80_mm_cost_three_seconds_straight_up_and_nothing_at_the_free_slope() -> None:
    """Against the job without any lift: 0.24 s a travel (corners take a little off the 0.253), and less than nothing,
    since the slope takes in the job's own steps to the next layer."""
    rows = table(POSTS, "trapezoid")
    without = rows["flat"].added_s
    assert rows["square"].lifted == rows["trapezoid"].lifted == 12
    assert rows["square"].added_s - without == pytest.approx(12 * 0.24, abs=0.05)
    for shape in ("trapezoid", "triangle"):
        assert -0.1 < rows[shape].added_s - without < 0.0


def test_a_trapezoid_climbs_and_falls_at_the_free_slope_where_the_travel_is_long_enough() -> None:
    """From X 115 to 195 at 150 mm/s: up within 12 mm, along, down within 12 mm."""
    out = io.BytesIO()
    rewrite(io.BytesIO(POSTS), out, rule_set({"shape": "trapezoid", "height_mm": 0.4}, printer=LEAD_SCREW), GIVEN)
    lines = out.getvalue().decode().splitlines()
    begin = lines.index("G1 X127.000 Y155.000 Z0.600 F9000 ;lw trapezoid +0.40")
    assert lines[begin + 1 : begin + 3] == ["G1 X183.000 Y155.000 Z0.600", "G1 X195.000 Y155.000 Z0.200"]


def test_terrain_costs_nothing_over_what_stands_far_from_both_ends() -> None:
    """The taut string is the gentlest path there is: 0.35 mm within 40 mm (0.2 mm and the clearance of 0.15 mm),
    well below 1 in 30. Straight up and down the same travel takes 0.2 s."""
    rows = table("\n".join([*WALL, *ACROSS, ""]).encode(), "terrain")
    assert rows["terrain"].strikes < rows["as it came"].strikes == 1
    assert rows["terrain"].tallest_lift_mm == pytest.approx(0.35, abs=0.005)
    assert rows["terrain"].added_s == pytest.approx(0.0, abs=2e-3)
    assert rows["square"].added_s > 0.2
