"""Each shape as it is tabulated, read back from the rewritten bytes at several lengths, ends and heights.

The table (z0 start, z1 end, top = max(z0, z1) + height):
flat: the job's own steps up to max(z0, z1). square: up at the start, across at top, down at the end. triangle: top at
L/2. sawtooth: top at L, then straight down. trapezoid: bounded slope up, cruise at top, the slope down; a triangle when
L is short. Too steep: the printer's free slope if it fits, that is min(v_z/v, a_z/a) or what its bends may have at v
(`unit/test_slopes.py`); steeper up to max_slope with the feed lowered; beyond it a straight step of the missing height.
"""

import math
from itertools import pairwise

import pytest

from unit.small_jobs import BEFORE, PRIME, RETRACT, job, lines_of, moves_of, rules, run

GRAIN = 0.001  # mm, of inserted numbers
LENGTHS = (1.2, 4.0, 40.0, 150.0)
ENDS = ((0.2, 0.2), (0.2, 0.4), (0.4, 0.2))
HEIGHTS = (0.1, 0.4, 2.0)
SPEED, Z_SPEED, Z_ACCEL, ACCEL = 150.0, 10.0, 100.0, 1000.0  # mm/s, mm/s²: those of the small jobs
CORNER = 5.0  # mm/s, the model's default

Points = list[tuple[float, float, float]]


def read_back(shape: str, length: float, z0: float, z1: float, height: float, **more: float) -> Points:
    """(s, z, feed in mm/s) of the emitted travel, from its start on; a move straight in X."""
    before = [*BEFORE[:2], f"G1 X10 Y10 Z{z0} F6000", BEFORE[3]]
    end = f"G1 X{20 + length:g} Y10 F{SPEED * 60:g}"
    step = [f"G1 Z{z1} F600"] if z1 != z0 else []
    text = job(RETRACT, *step, end, PRIME, before=before, after=["G1 Y20 E0.5 F1200", "M104 S0"])
    _, out = run(text, shape=shape, height_mm=height, **more)
    return points_of(out, z0)


def points_of(out: bytes, z0: float) -> Points:
    lines = lines_of(out)
    begin, end = lines.index(RETRACT) + 2, lines.index(PRIME) + 1  # line numbers of the rows between
    rows = moves_of(out)
    inside = [k for k in range(len(rows["line"])) if begin <= rows["line"][k] < end]
    return [(0.0, z0, 0.0)] + [(rows["x"][k] - 20, rows["z"][k], rows["feed"][k]) for k in inside]


def vertices(points: Points) -> list[tuple[float, float]]:
    return [(s, z) for s, z, _ in points]


def agree(found: list[tuple[float, float]], wanted: list[tuple[float, float]]) -> None:
    """To the grain: Z is rounded up, never down; s to the nearest."""
    assert len(found) == len(wanted), (found, wanted)
    for (s, z), (s_wanted, z_wanted) in zip(found, wanted, strict=True):
        assert abs(s - s_wanted) <= GRAIN / 2 + 1e-9
        assert -1e-9 <= z - z_wanted <= GRAIN + 1e-9


CASES = [(length, z0, z1, height) for length in LENGTHS for z0, z1 in ENDS for height in HEIGHTS]


@pytest.mark.parametrize(("length", "z0", "z1", "height"), CASES)
def test_square(length, z0, z1, height):
    top = max(z0, z1) + height
    agree(vertices(read_back("square", length, z0, z1, height)), [(0, z0), (0, top), (length, top), (length, z1)])


@pytest.mark.parametrize(("length", "z0", "z1", "height"), CASES)
def test_triangle(length, z0, z1, height):
    """Its peak in the middle; what half the way can't climb at 1 in 2 is stepped at that end."""
    top, reach = max(z0, z1) + height, 0.5 * length / 2
    wanted = [(0, z0)] + [(0, top - reach)] * (top - reach > z0 + 1e-6) + [(length / 2, top)]
    wanted += [(length, top - reach)] * (top - reach > z1 + 1e-6) + [(length, z1)]
    agree(vertices(read_back("triangle", length, z0, z1, height)), wanted)


@pytest.mark.parametrize(("length", "z0", "z1", "height"), CASES)
def test_sawtooth(length, z0, z1, height):
    """Rises along the whole travel, then straight down."""
    top, reach = max(z0, z1) + height, 0.5 * length
    wanted = [(0, z0)] + [(0, top - reach)] * (top - reach > z0 + 1e-6) + [(length, top), (length, z1)]
    agree(vertices(read_back("sawtooth", length, z0, z1, height)), wanted)


def free(length: float) -> float:
    """min(v_z/v, a_z/a, φ) at the speed that the travel reaches; v² = scv²·(√2 − 1)·s/(1 − s), s = cos(φ/2)."""
    speed = min(SPEED, math.sqrt(ACCEL * length))
    ratio = speed**2 / (CORNER**2 * (math.sqrt(2) - 1))
    return min(Z_SPEED / speed, Z_ACCEL / ACCEL, math.tan(2 * math.acos(ratio / (1 + ratio))))


@pytest.mark.parametrize(("length", "z0", "z1", "height"), CASES)
def test_trapezoid(length, z0, z1, height):
    """The free slope where both ends fit, else a triangle or one with a flattened peak, else 1 in 2 and steps."""
    top = max(z0, z1) + height
    climb, fall = top - z0, top - z1
    found = vertices(read_back("trapezoid", length, z0, z1, height))
    slope = free(length)
    if (climb + fall) / slope <= length - 1:
        agree(found, [(0, z0), (climb / slope, top), (length - fall / slope, top), (length, z1)])
    elif (climb + fall) / 0.5 <= length:
        flat = found[-2][0] - found[1][0]
        assert flat <= 1 + GRAIN
        slope = (climb + fall) / (length - flat)
        wanted = [(0, z0), (climb / slope, top), (length - fall / slope, top), (length, z1)]
        agree(found, wanted if flat else [wanted[0], *wanted[2:]])
    else:
        middle = length * climb / (climb + fall)
        low, shoulder = top - 0.5 * middle, top - 0.5 * (length - middle)
        agree(found, [(0, z0), (0, low), (middle, top), (length, shoulder), (length, z1)])


@pytest.mark.parametrize("own", [0.1, 0.4, 2.0])
@pytest.mark.parametrize(("z0", "z1"), ENDS)
def test_flat(z0, z1, own):
    """Up to the higher end the job's steps stay where they stand: at the start here."""
    top = max(z0, z1)
    before = [*BEFORE[:2], f"G1 X10 Y10 Z{z0} F6000", BEFORE[3]]
    lift = [f"G1 Z{top + own:g} F600", "G1 X60 Y10 F9000", f"G1 Z{z1} F600"]
    text = job(RETRACT, *lift, PRIME, before=before, after=["G1 Y20 E0.5 F1200", "M104 S0"])
    _, out = run(text, shape="flat")
    wanted = [(0.0, z0)] + [(0.0, top)] * (z0 < top) + [(40.0, top)] + [(40.0, z1)] * (z1 < top)
    assert vertices(points_of(out, z0)) == wanted


@pytest.mark.parametrize("shape", ["triangle", "sawtooth", "trapezoid"])
@pytest.mark.parametrize("max_slope", [0.05, 0.5, 2.0])
@pytest.mark.parametrize(("length", "z0", "z1", "height"), CASES[::4])
def test_no_piece_is_steeper_than_the_rule_allows(shape, max_slope, length, z0, z1, height):
    """Straight steps aside; rounding a vertex may tilt a short piece by its grain."""
    for (s0, za), (s1, zb) in pairwise(vertices(read_back(shape, length, z0, z1, height, max_slope=max_slope))):
        if s1 > s0:
            assert abs(zb - za) <= max_slope * (s1 - s0) + (1 + max_slope) * GRAIN


@pytest.mark.parametrize("shape", ["square", "triangle", "sawtooth", "trapezoid"])
@pytest.mark.parametrize(("length", "z0", "z1", "height"), CASES)
def test_z_is_never_asked_for_more_than_its_speed(shape, length, z0, z1, height):
    """Firmware scales a mixed move's limit by path / |Δz| (published kinematics: v ≤ v_z · path / |Δz|)."""
    points = read_back(shape, length, z0, z1, height)
    for (s0, za, _), (s1, zb, feed) in pairwise(points):
        path = math.hypot(s1 - s0, zb - za)
        assert feed <= SPEED + 1e-9
        if zb != za:
            assert feed * abs(zb - za) / path <= Z_SPEED * (1 + 1e-9)
        else:
            assert feed == pytest.approx(SPEED)


def test_the_published_figure_of_a_mixed_move():
    """4 mm × 0.4 mm at a Z limit of 5 mm/s: ratio 10.049876, 50.249378 mm/s along the path, which is F3014.96.

    From Klipper's check_move (kinematics/cartesian.py): speed ≤ max_z_velocity · move_d / |dz|. Written whole: F3014.
    """
    before = [*BEFORE[:3], "G1 X16 Y10 E0.5 F1200"]
    text = job(RETRACT, "G1 X20 Y10 F9000", PRIME, before=before, after=["G1 X30 Y10 E0.5 F1200", "M104 S0"])
    _, out = run(text, rules(printer={"z_speed_mm_s": 5.0}, shape="sawtooth", height_mm=0.4))
    line = lines_of(out)[5]
    assert line == "G1 X20.000 Y10.000 Z0.600 F3014 ;lw sawtooth +0.40"
    ratio = math.hypot(4.0, 0.4) / 0.4
    assert ratio == pytest.approx(10.049876, abs=5e-7)
    assert 5.0 * ratio == pytest.approx(50.249378, abs=5e-7)
    assert 3014 <= 5.0 * ratio * 60 < 3015


def test_the_free_slope_needs_no_lower_feed():
    """At the free slope the Z limit binds no earlier than the travel's own feed: every piece keeps F9000."""
    points = read_back("trapezoid", 150.0, 0.2, 0.2, 0.4)
    assert {feed for _, _, feed in points[1:]} == {SPEED}
    assert points[1][0] == pytest.approx(0.4 / free(150.0), abs=GRAIN)
