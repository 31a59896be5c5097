"""Beads and the swept flat of the nozzle on the grid, against shapely's buffers and slow twins; errors are stated."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely import LineString, Polygon

from liftwright.plan.raster import sample_points
from reference.slow_terrain import Capsule, rectangle_holds, tallest_under, under
from reference.terrain_scenes import HEIGHT, WIDTH, Curl, Pen, Way, covered_samples, looked

FLAT = 0.5 + 0.0625  # mm, radius of the nozzle's flat, and half a square
BLUR = 0.1  # mm: what stands in a square of an eighth of a mm counts at the square's middle
STEP = 0.06  # mm: heights along a travel are kept at places 0.05 mm apart, rounded outwards
NO_CURL = Curl(gain=0.0)
FILAMENT = math.pi * 1.75**2 / 4
angles = st.floats(0.0, 2 * math.pi)
near = st.floats(57.5, 62.5)


@given(st.floats(8.0, 24.0), st.floats(8.0, 24.0), angles, st.floats(0.05, 7.0), st.floats(0.3, 1.6))
def test_covered_samples_are_those_inside_the_rectangle(
    x: float, y: float, turn: float, length: float, half: float
) -> None:
    """Twin: every sample by itself. Directions are kept in steps of 1.4° and distances in 1/64 of a cell, so samples
    nearer to an edge than 0.05 of a cell may fall on either side."""
    before = half * math.pi / 4
    found = covered_samples(32, 32, (x, y), turn, length, half, before)
    points = sample_points()
    for column in range(32):
        for row in range(32):
            word = found.get((column, row), 0)
            if not word and math.hypot(column + 0.5 - x, row + 0.5 - y) > length + 2 * half + 1.5:
                continue
            for bit, (px, py) in enumerate(points):
                p = (column + 0.5 + px, row + 0.5 + py)
                inside = rectangle_holds(p, (x, y), turn, before, length + before, half)
                if abs(inside) > 0.05:
                    assert (word >> bit) & 1 == (inside > 0), (column, row, bit, inside)


@pytest.mark.parametrize("length", [1.5, 5.0, 20.0])
@pytest.mark.parametrize("width", [0.4, 0.45, 0.8])
def test_the_area_of_a_bead_is_that_of_shapelys_buffer(length: float, width: float) -> None:
    """shapely: a line buffered by half the width (64 chords a quarter). At 24 turns within 4 %, 2 % from 5 mm on;
    0.5 % on the mean of them. The width comes from the volume: A = h·(w − h·(1 − π/4))."""
    ratios = []
    for k in range(24):
        x, y, turn = 50 + 0.137 * k, 60 + 0.093 * k, 0.05 + k * math.pi / 12
        end = (x + length * math.cos(turn), y + length * math.sin(turn))
        picture = looked(Pen(width).travel(x, y, HEIGHT).bead(end).bytes())
        ratios.append(picture.covered() / LineString([(x, y), end]).buffer(width / 2, quad_segs=64).area)
    assert max(abs(np.array(ratios) - 1)) < (0.02 if length >= 5 else 0.04)
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.005)


@pytest.mark.parametrize(("written", "width"), [(0.05, 0.2), (0.3, 0.3), (1.0, 1.0), (2.0, 1.2)])
def test_widths_stay_within_half_a_nozzle_and_three(written: float, width: float) -> None:
    """Nozzle 0.4 mm; the volume of a bead that the formula makes thinner or wider is not believed."""
    areas = []
    for k in range(12):
        x, y, turn = 50 + 0.137 * k, 60 + 0.093 * k, 0.05 + k * math.pi / 6
        end = (x + 9 * math.cos(turn), y + 9 * math.sin(turn))
        areas.append(looked(Pen(written).travel(x, y, HEIGHT).bead(end).bytes()).covered())
    shape = LineString([(0, 0), (9, 0)]).buffer(width / 2, quad_segs=64)
    assert np.mean(areas) == pytest.approx(shape.area, rel=0.02)


@pytest.mark.parametrize(("radius", "sweep"), [(2.0, math.pi), (6.0, -1.5 * math.pi), (15.0, 0.5), (0.6, 2.0)])
def test_the_area_of_an_arc_is_that_of_shapelys_buffer(radius: float, sweep: float) -> None:
    """shapely: the arc in 400 chords, buffered by half the width; within 3.5 % from 2 mm of radius on, 7 % below,
    since the square ends of chords stand out a little at every joint; never less than 1 % too small."""
    ratios = []
    for turn in np.linspace(0.1, 5.9, 6):
        cx, cy = 60.03, 61.07
        line = [
            (cx + radius * math.cos(turn + f * sweep), cy + radius * math.sin(turn + f * sweep))
            for f in np.linspace(0, 1, 401)
        ]
        (x, y), (x1, y1) = line[0], line[-1]
        pen = Pen().travel(x, y, HEIGHT)
        e = pen.section * radius * abs(sweep) / FILAMENT
        way = f"X{x1:.5f} Y{y1:.5f} I{cx - x:.5f} J{cy - y:.5f} E{e:.6f}"
        pen.lines.append(f"G{3 if sweep > 0 else 2} {way}")
        ratios.append(looked(pen.bytes()).covered() / LineString(line).buffer(WIDTH / 2, quad_segs=64).area)
    assert max(ratios) < (1.035 if radius >= 2 else 1.07)
    assert min(ratios) > 0.99


def passed_over(bead: Capsule, *travel: str, end: tuple[float, float], start: tuple[float, float] = (40, 60)) -> Way:
    """What the terrain says of a travel at the first layer past one bead that is three layers tall."""
    pen = Pen()
    for layer in (1, 2, 3):
        pen.travel(*bead.a, layer * HEIGHT).bead(bead.b)
    pen.lines.append("G0 Z5")
    pen.travel(start[0] - 5, start[1], 5).travel(start[0] - 5, start[1], HEIGHT).bead(start)
    pen.lines += travel or [f"G0 X{end[0]:.5f} Y{end[1]:.5f}"]
    pen.at = end
    return looked(pen.bead((end[0] + 5, end[1])).bytes(), curl=NO_CURL).ways[-1]


def walls(y: st.SearchStrategy[float] = near, turn: st.SearchStrategy[float] = angles) -> st.SearchStrategy[Capsule]:
    """Walls of 0.6 mm near a travel from (40, 60) to (60, 60)."""
    return st.builds(
        lambda x, y, turn, length: Capsule(
            (x, y), (x + length * math.cos(turn), y + length * math.sin(turn)), WIDTH / 2, 3 * HEIGHT
        ),
        st.floats(42.0, 58.0), y, turn, st.floats(0.5, 6.0),
    )  # fmt: skip


@given(walls())
def test_a_travel_strikes_what_shapely_finds_under_the_flat(bead: Capsule) -> None:
    """shapely: distance of the travel's line from the bead's buffer, at most the flat's radius. Within BLUR of it
    either answer will do; the twin finds the same without shapely."""
    line, shape = LineString([(40, 60), (60, 60)]), LineString([bead.a, bead.b]).buffer(bead.half, quad_segs=64)
    gap = line.distance(shape)
    assume(abs(gap - FLAT) > BLUR)
    # the ends stand free: nothing waived plays a part
    assume(min(LineString([(34, 60), (42, 60)]).distance(shape), LineString([(58, 60), (66, 60)]).distance(shape)) > 1)
    way = passed_over(bead, end=(60, 60))
    assert (way.status == "lifted") == (gap < FLAT)
    assert way.struck_before == (gap < FLAT)
    assert bool(under(bead, (40, 60), (60, 60), FLAT)) == (gap < FLAT)


@given(walls(st.floats(58.5, 60.2), st.floats(0.4, 2.7)))
def test_the_stretch_over_an_obstacle_is_that_of_shapely(bead: Capsule) -> None:
    """shapely: the travel's line within the bead's buffer widened by the flat. The string is at its height there."""
    line = LineString([(40, 60), (60, 60)])
    shape = LineString([bead.a, bead.b]).buffer(bead.half + FLAT, quad_segs=64)
    stretch = line.intersection(shape)
    assume(stretch.length > 0.5)
    assume(stretch.bounds[0] > 42)
    assume(stretch.bounds[2] < 58)
    # where an edge is grazed, BLUR across is more along
    wider, smaller = (
        line.intersection(LineString([bead.a, bead.b]).buffer(bead.half + FLAT + blur, quad_segs=64))
        for blur in (BLUR, -BLUR)
    )
    assume(not smaller.is_empty)
    way = passed_over(bead, end=(60, 60))
    high = [s for s, z in way.vertices if z > 3 * HEIGHT]
    assert wider.bounds[0] - STEP <= 40 + min(high) <= smaller.bounds[0] + 1e-6
    assert smaller.bounds[2] - 1e-6 <= 40 + max(high) <= wider.bounds[2] + STEP
    assert way.peak == pytest.approx(3 * HEIGHT + 0.15, abs=1e-5)


@given(walls(), st.sampled_from([1, -1]), st.floats(0.3, 1.0))
def test_a_travel_along_an_arc_strikes_what_lies_under_its_swept_flat(bead: Capsule, side: int, share: float) -> None:
    """shapely: the arc in 200 chords. From (40, 60) to (60, 60) with a radius from 10 mm up."""
    radius = 10 / share
    low = side * math.sqrt(max(radius**2 - 100, 0.0))
    cx, cy = 50.0, 60 + low
    begin = math.atan2(60 - cy, -10)
    sweep = side * 2 * math.asin(share)
    line = LineString([
        (cx + radius * math.cos(begin + f * sweep), cy + radius * math.sin(begin + f * sweep))
        for f in np.linspace(0, 1, 201)
    ])  # fmt: skip
    assert line.coords[-1] == pytest.approx((60, 60), abs=1e-6)
    shape = LineString([bead.a, bead.b]).buffer(bead.half, quad_segs=64)
    gap = line.distance(shape)
    assume(abs(gap - FLAT) > BLUR + 0.02)
    assume(min(LineString([(34, 60), (40, 60)]).distance(shape), LineString([(60, 60), (66, 60)]).distance(shape)) > 2)
    code = f"G{3 if side > 0 else 2} X60 Y60 I{cx - 40:.6f} J{cy - 60:.6f}"
    assert passed_over(bead, code, end=(60, 60)).struck_before == (gap < FLAT)


@st.composite
def scenes(draw: st.DrawFn) -> tuple[list[Capsule], list[tuple[tuple[float, float], tuple[float, float]]]]:
    """Walls of one to three layers anywhere, and travels between places that stand free of them."""
    place = st.tuples(st.floats(40.0, 70.0), st.floats(40.0, 70.0))
    beads = []
    for _ in range(draw(st.integers(1, 6))):
        (x, y), turn, length = draw(place), draw(angles), draw(st.floats(1.0, 12.0))
        layers = draw(st.integers(1, 3))
        end = (x + length * math.cos(turn), y + length * math.sin(turn))
        beads.append(Capsule((x, y), end, WIDTH / 2, layers * HEIGHT))
    wanted = draw(st.lists(place, min_size=2, max_size=6, unique=True))
    return beads, list(pairwise([p for p in wanted if not tallest_under(beads, p, p, 2.5)]))


@given(scenes())
def test_heights_over_many_beads_are_those_of_the_twin(
    scene: tuple[list[Capsule], list[tuple[tuple[float, float], tuple[float, float]]]]
) -> None:
    """What must be passed lies between the twin's answers for a flat smaller and larger by the blur."""
    beads, travels = scene
    assume(travels)
    assume(all(math.dist(*travel) > 1.0 for travel in travels))
    pen = Pen()
    for layer in (1, 2, 3):
        for bead in beads:
            if bead.top > (layer - 0.5) * HEIGHT:
                pen.travel(*bead.a, layer * HEIGHT).bead(bead.b)
    pen.lines.append("G0 Z5")
    (x, y), _ = travels[0]
    pen.travel(x, y, 5).travel(x, y, HEIGHT)
    for (x, y), end in travels:
        pen.bead((x + 0.05, y)).travel(*end, HEIGHT)
    ways = looked(pen.bead((pen.at[0] + 0.05, pen.at[1])).bytes(), curl=NO_CURL, max_height=3.0).ways[-len(travels) :]
    for (start, end), way in zip(travels, ways, strict=True):
        start = (start[0] + 0.05, start[1])
        least, most = (tallest_under(beads, start, end, FLAT + blur) for blur in (-BLUR, BLUR))
        found = way.peak - 0.15 if way.status == "lifted" else HEIGHT
        assert max(least, HEIGHT) - 1e-5 <= found <= max(most, HEIGHT) + 1e-5


@pytest.mark.parametrize("turn", [0.0, 0.2, 0.7854, 1.234, 2.5])
@pytest.mark.parametrize("share", [0.2, 0.35, 0.5, 0.65, 0.8])
def test_a_bead_beside_the_one_beneath_overhangs_by_its_offset(turn: float, share: float) -> None:
    """shapely: the area of the upper bead's body outside the lower one's buffer; by hand u = offset / width. Mean along
    12 mm within 0.025, each place within 0.1, from 0.8 on within 0.15."""
    ux, uy = math.cos(turn), math.sin(turn)
    x, y = 50.017, 55.029
    offset = share * WIDTH
    a, b = (x - offset * uy, y + offset * ux), (x + 16 * ux - offset * uy, y + 16 * uy + offset * ux)
    pen = Pen().travel(x, y, HEIGHT).bead((x + 16 * ux, y + 16 * uy)).travel(*a, 2 * HEIGHT).bead(b)
    cap = 2.0
    picture = looked(pen.bytes() + b"G0 Z50\n", curl=Curl(0.0, cap / HEIGHT, cap, 0.5))
    steps = np.arange(2.0, 14.0, 0.05)
    found = np.array([picture.height(a[0] + s * ux, a[1] + s * uy) for s in steps])
    found = (found - 2 * HEIGHT) / cap
    body = Polygon([(a[0] + s * ux - v * uy, a[1] + s * uy + v * ux) for s, v in (
        (2, -WIDTH / 2), (14, -WIDTH / 2), (14, WIDTH / 2), (2, WIDTH / 2))])  # fmt: skip
    lower = LineString([(x, y), (x + 16 * ux, y + 16 * uy)]).buffer(WIDTH / 2)
    expected = body.difference(lower).area / body.area
    assert expected == pytest.approx(share, abs=1e-6)
    assert found.mean() == pytest.approx(expected, abs=0.025)
    assert np.abs(found - expected).max() < (0.1 if share < 0.8 else 0.15)
