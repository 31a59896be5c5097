"""Facts measured from the beads: worked by hand on synthetic solids and the examples; shapely for hulls and regions."""

import io
import math
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, MultiPoint, unary_union
from shapely.affinity import rotate

from liftwright.geometry import GEOMETRY, measure
from liftwright.job.facts import MEASURED, Fact
from liftwright.job.survey import survey
from liftwright.plan.footprint import narrowest
from liftwright.rewrite import rewrite
from liftwright.rules.schema import Lift, Rule, RuleSet, When
from unit.small_jobs import GIVEN, rules

ROOT = Path(__file__).parents[2]
NOZZLE = 0.4
LAYER = 0.2
Point = tuple[float, float]


def ring(x: float, y: float, radius: float, corners: int = 24, turn: float = 0.0) -> list[Point]:
    """A closed path around (x, y); with 4 corners a square of side radius · √2."""
    angles = [turn + math.tau * k / corners for k in range(corners + 1)]
    return [(x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles]


def square(x: float, y: float, side: float, turn: float = 0.0) -> list[Point]:
    return ring(x, y, side / math.sqrt(2), 4, math.pi / 4 + turn)


def printed(*layers: list[list[Point]], height: float = LAYER) -> bytes:
    """A job of these paths, layer by layer; beads as wide as the nozzle."""
    lines = ["M83", "G28"]
    for number, paths in enumerate(layers, 1):
        for path in paths:
            lines += [f"G1 X{path[0][0]:.4f} Y{path[0][1]:.4f} Z{number * height:.3f} F6000"]
            for (x0, y0), (x1, y1) in pairwise(path):
                volume = NOZZLE * height * math.hypot(x1 - x0, y1 - y0)
                lines.append(f"G1 X{x1:.4f} Y{y1:.4f} E{volume / (math.pi * 1.75**2 / 4):.5f} F1800")
    return "\n".join([*lines, "G1 X0 Y0 F6000", "M104 S0", ""]).encode()


def measured(job: bytes, *keys: str, chunk: int = 1 << 19) -> dict[str, float]:
    found = survey(
        io.BytesIO(job), g90_sets_extrusion=True, keys=np.zeros(0, np.uint64), neutral=np.zeros(0, np.uint64),
        filament_area=math.pi * 1.75**2 / 4, tick=lambda done: None,
    )  # fmt: skip
    printer = rules().printers[0]
    facts = measure(
        io.BytesIO(job), found, keys or GEOMETRY, printer, None, g90_sets_extrusion=True, chunk=chunk,
        tick=lambda done: None,
    )  # fmt: skip
    assert all(fact.origin.startswith("geometry: ") for fact in facts)
    return {fact.key: float(fact.value) for fact in facts}


def slenderness(*layers: list[list[Point]]) -> float:
    return measured(printed(*layers), "slenderness")["slenderness"]


def test_a_square_tower_is_as_slender_as_it_looks():
    """10 mm between centre lines and 0.4 mm of bead, 60 layers of 0.2 mm: 12 / 10.4."""
    assert slenderness(*[[square(50, 50, 10)]] * 60) == pytest.approx(12 / 10.4, abs=0.006)


@pytest.mark.parametrize("degrees", [10, 30, 45, 77])
def test_turning_the_tower_changes_nothing(degrees):
    assert slenderness(*[[square(50, 50, 10, math.radians(degrees))]] * 60) == pytest.approx(12 / 10.4, abs=0.02)


def test_the_most_slender_of_several_parts_counts():
    """A broad low one, and a post of 4 mm: 12 / 4.4, wherever the other stands."""
    low, post = square(50, 50, 30), square(90, 90, 4)
    assert slenderness(*[[low, post]] * 20, *[[post]] * 40) == pytest.approx(12 / 4.4, abs=0.02)


def test_a_part_that_grows_outward_stands_on_its_own_lowest_layer():
    """A bowl, 8 mm wide at the foot and 20 mm at the rim: 12 mm / 8.4 mm."""
    bowl = [[ring(50, 50, 4 + 0.1 * k, 48)] for k in range(60)]
    assert slenderness(*bowl) == pytest.approx(12 / (8 * math.cos(math.pi / 48) + 0.4), abs=0.02)


def test_a_brim_widens_the_foot_and_a_loop_around_does_not():
    """What touches it in the first layer holds it to the bed."""
    post = square(50, 50, 4)
    brim = [square(50, 50, 4 + k) for k in range(8)]
    assert slenderness([*brim], *[[post]] * 59) == pytest.approx(12 / 11.4, abs=0.02)
    assert slenderness([post, square(50, 50, 16)], *[[post]] * 59) == pytest.approx(12 / 4.4, abs=0.02)


def test_a_single_wall_is_one_bead_wide():
    assert slenderness(*[[[(10.0, 10.0), (60.0, 40.0)]]] * 10) == pytest.approx(2.0 / 0.4, abs=0.01)


@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), min_size=1, max_size=40))
def test_the_width_is_that_of_the_convex_hull(points):
    """shapely's hull, turned until each of its sides lies along X: the least height."""
    hull = MultiPoint(points).convex_hull
    found = narrowest(np.array(points))
    if hull.geom_type != "Polygon":
        assert found == pytest.approx(0.0, abs=1e-6)
        return
    heights = []
    for (x0, y0), (x1, y1) in pairwise(hull.exterior.coords):
        _, low, _, high = rotate(hull, -math.degrees(math.atan2(y1 - y0, x1 - x0)), origin=(0, 0)).bounds
        heights.append(high - low)
    assert found == pytest.approx(min(heights), abs=1e-6)


def islands(*layers: list[list[Point]]) -> float:
    return measured(printed(*layers), "islands")["islands"]


def test_islands_are_those_of_the_layer_that_has_most():
    """Two posts, five, then three."""
    posts = [ring(20 + 10 * k, 50, 2) for k in range(5)]
    assert islands(*[posts[:2]] * 3, posts, *[posts[:3]] * 3) == 5


def test_walls_and_filling_that_touch_are_one_island():
    """Loops 0.4 mm apart, and lines between them."""
    block = [square(50, 50, 10 - 0.8 * k) for k in range(3)]
    lines = [[(46.0 + 0.4 * k, 46.0), (46.0 + 0.4 * k, 54.0)] for k in range(20)]
    assert islands([*block, *lines], [*block, *lines]) == 1


def test_a_ring_around_a_post_is_an_island_of_its_own():
    assert islands([ring(50, 50, 10, 60), ring(50, 50, 3)]) == 2


@pytest.mark.parametrize("seed", range(6))
def test_regions_are_those_of_shapely(seed):
    """Rings at random places, overlapping or apart by two cells at least: regions of the lines widened by a cell."""
    drawn = np.random.default_rng(seed)
    paths: list[list[Point]] = []
    for _ in range(25):
        path = ring(*drawn.uniform(10, 90, 2), float(drawn.uniform(1, 8)), 16)
        line = LineString(path)
        if all(line.crosses(LineString(p)) or line.distance(LineString(p)) > 2.0 for p in paths):
            paths.append(path)
    regions = unary_union([LineString(path).buffer(0.3) for path in paths])
    assert islands(paths) == len(getattr(regions, "geoms", [regions]))


def overhang(*layers: list[list[Point]]) -> float:
    return measured(printed(*layers), "overhang_share")["overhang_share"]


def test_a_straight_wall_does_not_overhang():
    assert overhang(*[[ring(50, 50, 10, 48)]] * 10) == 0.0


def test_a_wall_that_leans_out_by_two_thirds_of_a_bead_overhangs_above_its_first_layer():
    """0.27 mm a layer of 0.4 mm wide beads: above the onset of 0.4 in 19 of 20 layers, of growing length."""
    radii = [10 + 0.27 * k for k in range(20)]
    expected = sum(radii[1:]) / sum(radii)
    assert overhang(*[[ring(50, 50, radius, 96)] for radius in radii]) == pytest.approx(expected, abs=0.03)


def test_a_wall_that_leans_by_less_than_the_onset_does_not():
    """0.1 mm a layer: a quarter of the bead."""
    assert overhang(*[[ring(50, 50, 10 + 0.1 * k, 96)] for k in range(20)]) < 0.02


def test_cutting_the_job_elsewhere_measures_the_same():
    layers = [[ring(50, 50, 10 + 0.2 * k, 36), square(80, 80, 5)] for k in range(10)]
    assert measured(printed(*layers), chunk=300) == measured(printed(*layers))


def test_the_examples_measure_what_their_drawings_say(tmp_path):
    """Stakes: three, 99.9 mm tall on an 18-gon of radius 5. Clips: fifty, 5.5 mm tall on centre lines 4.55 mm apart.
    Pot: nine pairs of struts. Bracket: 33 mm on a foot of 24 mm, its ring cut into two."""
    subprocess.run((sys.executable, ROOT / "examples" / "make_jobs.py", tmp_path), check=True)
    jobs = {path.stem: path.read_bytes() for path in tmp_path.rglob("*.gcode")}
    stakes = measured(jobs["tall-stakes"], "slenderness", "islands")
    assert stakes == {"slenderness": pytest.approx(99.9 / (10 * math.cos(math.pi / 18) + 0.4), abs=0.01), "islands": 3}
    clips = measured(jobs["seed-tray-clips"], "slenderness", "islands")
    assert clips == {"slenderness": pytest.approx(5.5 / 4.95, abs=0.01), "islands": 50}
    assert measured(jobs["lattice-pot"], "islands") == {"islands": 18}
    bracket = measured(jobs["hose-bracket"], "slenderness", "islands")
    assert bracket == {"slenderness": pytest.approx(33 / 24, abs=0.01), "islands": 2}


def asking(**when: dict[str, float]) -> RuleSet:
    """A rule that asks for geometry, then one that takes every job."""
    plain = rules()
    first = Rule(name="asks", when=When(**when), lift=Lift(shape="square", height_mm=0.3))
    return RuleSet(plain.printers, plain.materials, (first, *plain.rules), "unchanged", "held")


TOWER = printed(*[[square(50, 50, 10), square(90, 90, 10)]] * 60)


def result_of(ruleset: RuleSet):
    return rewrite(io.BytesIO(TOWER), io.BytesIO(), ruleset, GIVEN)


@pytest.mark.parametrize(
    ("key", "bounds", "fits"),
    [
        ("slenderness", {"min": 1.1, "max": 1.2}, True),
        ("slenderness", {"min": 2}, False),
        ("islands", {"min": 2, "max": 2}, True),
        ("islands", {"max": 1}, False),
        ("overhang_share", {"max": 0.05}, True),
        ("overhang_share", {"min": 0.05}, False),
        ("layers", {"min": 60, "max": 60}, True),
        ("height_mm", {"min": 11.9, "max": 12.1}, True),
    ],
)
def test_a_rule_may_ask_for_every_measured_fact(key, bounds, fits):
    """12 mm on 10.4 mm, two islands, nothing that overhangs."""
    result = result_of(asking(**{key: bounds}))
    assert result.decision.rule.name == ("asks" if fits else "all")
    origin = result.facts[key].origin
    assert origin.startswith("geometry: " if key in GEOMETRY else "measured: ")


def test_what_no_rule_asks_for_is_not_measured():
    """It would cost a reading of the whole job."""
    assert not GEOMETRY & set(result_of(rules()).facts)
    assert GEOMETRY & set(result_of(asking(islands={"min": 9})).facts) == {"islands"}


def test_what_cannot_decide_is_not_measured():
    """The rule asks for another material anyway; or a rule before it takes the job."""
    assert "islands" not in result_of(asking(islands={"min": 1}, material="PEEK")).facts
    late = asking(islands={"min": 1})
    turned = RuleSet(late.printers, late.materials, late.rules[::-1], "unchanged", "held")
    assert "islands" not in result_of(turned).facts


def test_the_hottest_nozzle_counts():
    """A job may warm up to a lower temperature first, to feel for the bed."""
    hot = b"M104 S150\nM109 S240\n" + TOWER
    result = rewrite(io.BytesIO(hot), io.BytesIO(), rules(), GIVEN)
    fact = Fact("nozzle_temperature", 240.0, "measured: highest nozzle temperature")
    assert result.facts[fact.key] == fact


def test_every_measured_fact_is_documented():
    assert set(MEASURED) >= GEOMETRY
    readme = (ROOT / "README.md").read_text()
    assert all(f"`{key}`" in readme for key in MEASURED)
