"""Facts of the trade that can be computed, with numbers of our own. Every one is: common practice, no source.

Models: two posts (reference/motion, hand-made) and a hull on ribs, twelve islands a layer, leaning outwards.
Heights and times are computed here from the rows of the slow reader, not from what the product reports.
"""

import math
from itertools import pairwise
from pathlib import Path

import pytest

from property.rewriting import Rewritten, press
from reference.slow_reader import Row, read

POSTS = (Path(__file__).parent / "motion" / "posts.gcode").read_bytes()
NEAR = 1.0  # mm of way beside the fresh bead
HEIGHT = 0.4
MODELS = ["posts", "hull"]


def hull(layers: int = 12) -> bytes:
    """Ribs of a plant pot's hull on an ellipse that grows outwards: 12 small islands a layer, 30 mm apart at least."""
    lines = ["G28", "G21", "G90", "M83", "M104 S210", "G1 Z5 F600"]
    for layer in range(layers):
        z = 0.2 + 0.2 * layer
        for rib in range(12):
            turn = 2 * math.pi * rib / 12
            x, y = 150 + (90 + 0.2 * layer) * math.cos(turn), 150 + (60 + 0.2 * layer) * math.sin(turn)
            lines += [f"G1 X{x:.3f} Y{y:.3f} Z{z:.2f} F9000", "G1 E0.8 F2400"]
            lines += [f"G1 X{x + dx:.3f} Y{y + dy:.3f} E0.15 F1800" for dx, dy in ((4, 0), (4, 4), (0, 4), (0, 0))]
            lines.append("G1 E-0.8 F2400")
    return "\n".join([*lines, "M104 S0", ""]).encode()


def model(name: str) -> bytes:
    return POSTS if name == "posts" else hull()


def flights(rows: list[Row]) -> list[list[tuple[float, float, float]]]:
    """The points from the end of each bead to the start of the next, first bead on."""
    found: list[list[tuple[float, float, float]]] = []
    for row in rows:
        point = (float(row.x), float(row.y), float(row.z))
        if row.kind == "BEAD":
            found.append([point])
        elif found:
            found[-1].append(point)
    return [flight for flight in found[:-1] if way(flight) > 0]


def way(points: list[tuple[float, float, float]]) -> float:
    return sum(math.dist(a[:2], b[:2]) for a, b in pairwise(points))


def climb_beside_the_bead(points: list[tuple[float, float, float]]) -> float:
    """Upward motion within the first NEAR mm of way, less the job's own step to the next bead's height."""
    gone = climbed = 0.0
    for a, b in pairwise(points):
        step, up = math.dist(a[:2], b[:2]), max(0.0, b[2] - a[2])
        share = 1.0 if step == 0 else min(1.0, max(0.0, NEAR - gone) / step)
        climbed += up * share if gone <= NEAR else 0.0
        gone += step
    return climbed - max(0.0, points[-1][2] - points[0][2])


def early_climb(done: Rewritten) -> float:
    return sum(max(0.0, climb_beside_the_bead(flight)) for flight in flights(read(done.text)))


@pytest.mark.parametrize("name", MODELS)
def test_at_one_height_straight_up_climbs_most_beside_the_fresh_bead_and_a_long_rise_least(name: str) -> None:
    """Common practice, no source: square > mid-point rise > rise along the whole travel > none."""
    climbs = {}
    for shape in ("square", "triangle", "sawtooth", "flat"):
        done = press(model(name), shape, f"height_mm: {HEIGHT}")
        assert done.is_rewritten or shape == "flat"
        climbs[shape] = early_climb(done)
    assert climbs["square"] > 5 * climbs["triangle"]
    assert climbs["triangle"] > climbs["sawtooth"] > climbs["flat"] >= 0.0
    lifted = len(flights(read(model(name))))
    assert climbs["square"] <= HEIGHT * lifted + 1e-6


def short_gap(length: float) -> bytes:
    """Two beads with a retracted travel of that length between them."""
    lines = ["G28", "G90", "M83", "M104 S210", "G1 X20 Y20 Z0.2 F9000", "G1 X40 Y20 E1 F1200", "G1 E-0.8 F2400"]
    lines += [f"G1 X{40 + length:.3f} Y20 F9000", "G1 E0.8 F2400", "G1 X80 Y20 E1.6 F1200", "M104 S0", ""]
    return "\n".join(lines).encode()


def steepest(flight: list[tuple[float, float, float]]) -> float:
    """Degrees of the steepest sloped piece."""
    pieces = [(math.dist(a[:2], b[:2]), abs(b[2] - a[2])) for a, b in pairwise(flight)]
    return max(math.degrees(math.atan2(up, step)) for step, up in pieces if step > 0)


@pytest.mark.parametrize(("length", "angle"), [(1.2, 53.13), (1.6, 45.0), (2.4, 33.69)])
def test_a_mid_point_rise_on_a_travel_shorter_than_twice_its_height_is_steeper_than_45_degrees(
    length: float, angle: float
) -> None:
    """Common practice, no source: why a minimum travel length exists. tan = height / (length / 2), for 0.8 mm."""
    (flight,) = flights(read(press(short_gap(length), "triangle", "height_mm: 0.8, max_slope: 10").text))
    assert steepest(flight) == pytest.approx(angle, abs=0.1)
    assert (steepest(flight) > 45.1) == (length < 2 * 0.8)


@pytest.mark.parametrize(("length", "rewritten"), [(0.5, False), (0.9, False), (1.1, True), (4.0, True)])
def test_the_minimum_travel_length_leaves_the_short_ones_alone(length: float, rewritten: bool) -> None:
    """The rule of the bench says 1.0 mm."""
    assert press(short_gap(length), "triangle", f"height_mm: {HEIGHT}").is_rewritten == rewritten


def test_no_sloped_piece_is_steeper_than_the_rule_allows() -> None:
    """1.1 mm of way for 0.4 mm would be 36°; at max_slope 0.5 the missing height is a straight step (27° at most)."""
    (flight,) = flights(read(press(short_gap(1.1), "triangle", f"height_mm: {HEIGHT}, max_slope: 0.5").text))
    assert steepest(flight) <= math.degrees(math.atan(0.5 + 1e-3))
    assert max(point[2] for point in flight) == pytest.approx(0.2 + HEIGHT, abs=1e-3)


def layer_seconds(rows: list[Row]) -> list[float]:
    """Time of each layer at nominal feed, no acceleration: what a minimum layer time is held against."""
    times: dict[float, float] = {}
    height = 0.0
    for before, row in pairwise(rows):
        if row.kind == "BEAD":
            height = float(row.z)
        length = math.dist((before.x, before.y, before.z), (row.x, row.y, row.z)) or abs(float(row.de))
        if height and row.feed:
            times[height] = times.get(height, 0.0) + length / float(row.feed)
    return list(times.values())


def test_a_minimum_layer_time_costs_far_more_than_lifting() -> None:
    """Common practice, no source. Two posts, 10 s a layer at least: the pauses against all lifts of a straight-up rule.

    The lifts' seconds are the product's, whose time model agrees with an independent planner (test_motion_times).
    """
    pauses = sum(max(0.0, 10.0 - seconds) for seconds in layer_seconds(read(POSTS)))
    lifts = press(POSTS, "square", f"height_mm: {HEIGHT}").result.measures["added_s"]
    assert lifts > 0
    assert pauses > 5 * lifts
