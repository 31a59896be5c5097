"""The judge's ground: footprints against shapely, overhang shares against the elementary formula."""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import LineString

from evaluator.gaps import split
from evaluator.ground import Ground, centres, row_span
from evaluator.numbers import Numbers
from evaluator.reader import read
from evaluator.scenes import HEIGHT, WIDTH, Pen, block, cone, ring

PLACES = [
    (100.0, 100.0, 0.0), (57.031, 83.377, 0.3), (12.05, 140.05, 0.7), (33.333, 66.667, 1.1), (181.049, 20.951, 1.5),
]


def printed(job: bytes, numbers: Numbers | None = None) -> Ground:
    numbers = numbers or Numbers()
    beads, _ = split(read(job))
    ground = Ground(beads.ends, beads.pushed, beads.path, numbers)
    ground.print_paths(0, len(beads.pushed))
    return ground


def cell(grid: np.ndarray, ground: Ground, x: float, y: float) -> float:
    return float(grid[int((y - ground.origin[1]) / ground.step), int((x - ground.origin[0]) / ground.step)])


@pytest.mark.parametrize("ends", [(0, 0, 7, 0), (0, 0, 0, 5), (1.3, 2.2, -4.1, 3.7), (0, 0, 0.05, 0.02), (2, 2, 2, 2)])
@pytest.mark.parametrize("radius", [0.225, 0.5])
def test_row_spans_are_the_rows_of_shapelys_buffer(ends, radius):
    """Each row of the swept disc agrees with shapely's buffer of the segment, to the buffer's own chord error."""
    ax, ay, bx, by = ends
    swept = LineString([(ax, ay), (bx, by)]).buffer(radius, quad_segs=64)
    for y in np.linspace(min(ay, by) - radius * 1.1, max(ay, by) + radius * 1.1, 41):
        row = swept.intersection(LineString([(-50, y), (50, y)]))
        lo, hi = row_span(ax, ay, bx, by, radius, y)
        width = max(0.0, hi - lo)
        assert width == pytest.approx(row.length, abs=0.02 if width < 0.2 else 0.005)


def test_cells_of_a_bead_cover_its_area():
    """A 20 mm bead 0.45 mm wide: cells times 0.01 mm² against shapely's buffer; within a cell's share of the
    width (12 %) at every turn, the worst along the grid, and within 1 % on the mean of them."""
    ratios = []
    for turn in np.linspace(0.0, math.pi, 37):
        end = (20 * math.cos(turn), 20 * math.sin(turn))
        ground = printed(Pen().travel(0, 0, HEIGHT).bead(end).bytes())
        ratios.append((ground.top > 0).sum() * ground.step**2 / LineString([(0, 0), end]).buffer(WIDTH / 2).area)
    assert max(abs(np.array(ratios) - 1)) < 0.12
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.01)


def test_centres_are_those_inside():
    assert centres(0.05, 0.25, 0.0, 0.1) == (0, 2)
    assert centres(0.06, 0.14, 0.0, 0.1) == (1, 0)


def test_width_comes_from_the_volume():
    """w = A/h + h(1 - π/4): a 0.45 mm bead 0.2 mm high has 0.0814 mm²."""
    ground = printed(Pen(0.62).travel(0, 0, HEIGHT).bead((9, 0)).bytes())
    assert ground.width[0] == pytest.approx(0.62, abs=1e-4)


@pytest.mark.parametrize("angle", [0, 15, 30, 40, 45, 50, 55, 60, 65, 70, 75])
@pytest.mark.parametrize(("x", "y", "turn"), PLACES)
def test_a_cone_has_the_share_of_the_formula(angle, x, y, turn):
    """u = min(1, h·tan θ / w) for a wall leaning θ from the vertical (elementary; 45° is half a width when
    w = 2h). Mean over each ring above the second within 0.015, at five places and turns."""
    ground = printed(cone(angle, x, y, turn))
    rings = ground.share.reshape(12, 90)[2:].mean(1)
    expected = min(1.0, HEIGHT * math.tan(math.radians(angle)) / WIDTH)
    assert np.abs(rings - expected).max() < 0.015


@pytest.mark.parametrize(("x", "y", "turn"), PLACES)
def test_nothing_leaning_less_than_thirty_degrees_curls(x, y, turn):
    ground = printed(cone(30, x, y, turn))
    assert ground.curl.max() == 0.0


def test_steeper_cones_never_curl_less_and_never_above_the_cap():
    """Greatest allowance over the angles; rings that lean far enough reach the cap within twelve layers."""
    numbers = Numbers(cap_mm=0.3)
    curls = [printed(cone(angle, 57.031, 83.377, 0.3), numbers).curl.max() for angle in (30, 42, 45, 50, 55, 65, 75)]
    assert curls == sorted(curls)
    assert curls[0] == 0.0
    assert curls[-1] == pytest.approx(0.3)


def test_the_first_layer_has_no_allowance():
    ground = printed(Pen().travel(0, 0, HEIGHT).bead(*ring(0, 0, 5, 0, 40)).bytes())
    assert ground.share.max() == 0.0
    assert ground.curl.max() == 0.0


def test_the_first_free_bead_gets_gain_times_height():
    """A free loop beside a tower: u = 1, so c = 0.5 × 0.2 mm; the next on top of it, supported, half of that."""
    pen = Pen()
    block(pen, (0, 5), (0, 5), [1, 2])
    pen.travel(12, 0, 3 * HEIGHT).bead(*[(x + 9, y) for x, y in ring(0, 0, 3, 0, 40)])
    pen.travel(12, 0, 4 * HEIGHT).bead(*[(x + 9, y) for x, y in ring(0, 0, 3, 0, 40)])
    ground = printed(pen.bytes())
    assert cell(ground.curl_before, ground, 9, 3) == pytest.approx(0.1, abs=1e-6)
    assert cell(ground.curl, ground, 9, 3) == pytest.approx(0.05, abs=1e-6)


def test_a_bridge_does_not_curl_and_the_same_span_held_at_one_end_does():
    """Two towers 10 mm apart; a bead from one over the gap to the other, and one that ends in the air."""
    pen = Pen()
    block(pen, (0, 3), (0, 9), [1, 2, 3])
    block(pen, (13, 16), (0, 9), [1, 2, 3])
    pen.travel(1, 2, 4 * HEIGHT).bead((15, 2))
    pen.travel(1, 7, 4 * HEIGHT).bead((9, 7))
    ground = printed(pen.bytes())
    assert cell(ground.top, ground, 8, 2) == pytest.approx(0.8, abs=1e-6)
    assert cell(ground.curl, ground, 8, 2) == 0.0
    assert cell(ground.curl, ground, 8, 7) == pytest.approx(0.1, abs=1e-6)


def test_a_bridge_may_turn_corners_and_its_path_decides():
    """The same span as two paths, cut in the middle: neither is held at both ends, so both curl."""
    pen = Pen()
    block(pen, (0, 3), (0, 9), [1, 2, 3])
    block(pen, (13, 16), (0, 9), [1, 2, 3])
    pen.travel(1, 2, 4 * HEIGHT).bead((8, 3), (8, 2), (15, 2))
    pen.travel(1, 7, 4 * HEIGHT).bead((8, 7)).travel(15, 7, 4 * HEIGHT).bead((8, 7))
    ground = printed(pen.bytes())
    assert cell(ground.curl, ground, 12, 2) == 0.0
    assert cell(ground.curl, ground, 12, 7) > 0.09


def test_the_tip_of_a_line_counts_unless_told_otherwise():
    """A bead that ends 0.54 mm beyond the block's edge, at 3.06: its tip curls, unless tips of 0.7 mm are let off."""
    pen = Pen()
    block(pen, (0, 3), (0, 5), [1, 2])
    pen.travel(1, 2, 3 * HEIGHT).bead((3.6, 2))
    assert printed(pen.bytes()).curl.max() > 0.09
    assert printed(pen.bytes(), Numbers(tip_mm=0.7)).curl.max() == 0.0
    assert printed(pen.bytes(), Numbers(tip_mm=0.3)).curl.max() > 0.09


def test_supported_beads_let_the_allowance_die_away():
    """Straight walls on a free ring: each layer keeps `decay` of what is beneath it."""
    pen = Pen()
    block(pen, (-2, 0), (0, 5), [1, 2])
    for layer in range(3, 8):
        pen.travel(9, 0, layer * HEIGHT).bead(*[(x + 6, y) for x, y in ring(0, 0, 3, 0, 40)])
    ground = printed(pen.bytes(), Numbers(decay=0.7))
    assert cell(ground.curl, ground, 6, 3) == pytest.approx(0.1 * 0.7**4, abs=1e-6)


def test_a_cleared_bed_starts_anew():
    """After a tower of 30 layers a new first layer on the same ground: the old tower is forgotten."""
    pen = Pen()
    block(pen, (0, 5), (0, 20), range(1, 31))
    block(pen, (0, 5), (0, 20), [1])
    ground = printed(pen.bytes())
    assert ground.restarts[0] == 1
    assert cell(ground.top, ground, 4, 10) == pytest.approx(0.2, abs=1e-6)


def test_layer_heights_follow_the_steps_of_the_beads():
    """0.3 first, then 0.2; a second object from the bed up has its own; a continuous rise keeps the last."""
    pen = Pen()
    for x, zs in ((0, (0.3, 0.5, 0.7)), (50, (0.3, 0.5))):
        for z in zs:
            pen.travel(x, 0, z).bead((x + 9, 0))
    pen.lines.append("G1 X60 Y1 Z0.55 E0.05")
    assert printed(pen.bytes()).height.round(6).tolist() == [0.3, 0.2, 0.2, 0.3, 0.2, 0.2]
