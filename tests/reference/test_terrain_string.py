"""The taut string against scipy: its convex hull, linear programs for the best of all paths, dilation by a cone."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.ndimage import grey_dilation
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from reference.terrain_scenes import NOTHING, Profile, end_heights, height_along, places, taut, thinned

ANY = 1e6  # a slope that bounds nothing


@st.composite
def tasks(draw: st.DrawFn) -> tuple[np.ndarray, float, float, float, float]:
    """(heights to pass, spacing, length, z0, z1); clearance is part of the heights, and the last place lies inside."""
    count = draw(st.integers(4, 60))
    spacing = draw(st.sampled_from([0.05, 0.25, 1.0]))
    height = st.floats(0.2, 3.0).map(lambda z: round(z, 3))
    needs = draw(st.dictionaries(st.integers(1, count - 1), height, min_size=1, max_size=12))
    z0, z1 = draw(height), draw(height)
    clearance = draw(st.sampled_from([0.0, 0.15]))
    length = spacing * (count - draw(st.floats(0.1, 0.9)))
    return places({k: z + clearance for k, z in needs.items()}, count), spacing, length, z0, z1


def inner(need: np.ndarray, spacing: float, length: float) -> list[tuple[float, float]]:
    """(s, z) of what must be passed between the ends."""
    return [(k * spacing, float(z)) for k, z in enumerate(need) if z > NOTHING and 0 < k * spacing < length]


def upper_hull(points: list[tuple[float, float]]) -> Profile:
    """scipy's hull of the points and two far beneath the ends, from left to right without those two."""
    low = min(z for _, z in points) - 100.0
    ends = [(points[0][0], low), (points[-1][0], low)]
    every = np.array([*points, *ends])
    corners = [k for k in ConvexHull(every).vertices if k < len(points)]
    return sorted((float(every[k, 0]), float(every[k, 1])) for k in corners)


def assert_concave(profile: Profile) -> None:
    """Slopes never grow; vertical steps only up at the start and down at the end."""
    slopes = [
        (zb - za) / (b - a) if b > a else math.copysign(math.inf, zb - za) for (a, za), (b, zb) in pairwise(profile)
    ]
    assert all(later <= earlier + 1e-7 for earlier, later in pairwise(slopes))


@given(tasks())
def test_the_string_is_the_upper_hull(task: tuple[np.ndarray, float, float, float, float]) -> None:
    """scipy.spatial.ConvexHull of the obstacles and both ends: same side view, no vertex that it doesn't have."""
    need, spacing, length, z0, z1 = task
    profile = taut(need, spacing, length, z0, z1, ANY)
    hull = upper_hull([(0.0, z0), *inner(need, spacing, length), (length, z1)])
    s = np.linspace(0.0, length, 501)
    assert height_along(profile, s) == pytest.approx(height_along(hull, s), abs=1e-9)
    assert profile[0] == (0.0, z0)
    assert profile[-1] == (length, z1)
    assert all(any(math.dist(a, b) < 1e-9 for b in hull) for a in profile)


@given(tasks(), st.sampled_from([0.05, 0.5, 2.0]))
def test_with_bounded_slopes_it_is_the_hull_over_ends_raised_by_the_missing_height(
    task: tuple[np.ndarray, float, float, float, float], slope: float
) -> None:
    """The ends are those of the cone envelope; no piece is steeper than the bound but the steps themselves."""
    need, spacing, length, z0, z1 = task
    profile = taut(need, spacing, length, z0, z1, slope)
    start, end = end_heights(need, spacing, length, z0, z1, slope)
    hull = upper_hull([(0.0, start), *inner(need, spacing, length), (length, end)])
    s = np.linspace(0.0, length, 501)
    assert height_along(profile, s) == pytest.approx(height_along(hull, s), abs=1e-8)
    assert (profile[0], profile[-1]) == ((0.0, z0), (length, z1))
    assert all(abs(zb - za) <= slope * (b - a) + 1e-8 for (a, za), (b, zb) in pairwise(profile) if b > a)
    assert_concave(profile)


@given(tasks(), st.sampled_from([0.02, 0.1, 0.5, 2.0]))
def test_the_ends_are_those_of_a_dilation_by_a_cone(
    task: tuple[np.ndarray, float, float, float, float], slope: float
) -> None:
    """scipy.ndimage.grey_dilation with the structuring element −slope·|s| on the same places, both ends among them."""
    need, spacing, _, z0, z1 = task
    length = spacing * len(need)
    line = np.array([z0, *need[1:], z1])
    line[line <= NOTHING] = -1e5
    reach = np.abs(np.arange(-len(need), len(need) + 1)) * spacing
    envelope = grey_dilation(line, structure=-slope * reach, mode="constant", cval=-1e5)
    start, end = end_heights(need, spacing, length, z0, z1, slope)
    assert (start, end) == pytest.approx((envelope[0], envelope[-1]), abs=1e-9)
    s = np.arange(len(line)) * spacing
    assert (height_along(taut(need, spacing, length, z0, z1, slope), s) >= envelope - 1e-8).all()


def linear_program(
    s: np.ndarray, least: np.ndarray, z0: float, z1: float, wanted: np.ndarray, concave: bool, peak: bool = False
) -> float:
    """Least `wanted`·z (or least peak) over heights z at places s, z ≥ least, both ends pinned, concave if asked."""
    count = len(s)
    rows, bounds = [], [(float(low), None) for low in least]
    bounds[0], bounds[-1] = (z0, z0), (z1, z1)
    if concave:
        for k in range(1, count - 1):
            left, right = s[k] - s[k - 1], s[k + 1] - s[k]
            row = np.zeros(count)
            row[k - 1], row[k], row[k + 1] = 1 / left, -1 / left - 1 / right, 1 / right
            rows.append(row)
    if peak:
        rows = [np.append(row, 0.0) for row in rows] + [np.append(np.eye(count)[k], -1.0) for k in range(count)]
        wanted, bounds = np.append(np.zeros(count), 1.0), [*bounds, (None, None)]
    found = linprog(wanted, np.array(rows) if rows else None, np.zeros(len(rows)) if rows else None, bounds=bounds)
    assert found.success
    return float(found.fun)


@given(tasks(), st.integers(0, 1000))
def test_no_concave_path_starts_more_gently_or_passes_lower_anywhere_and_no_path_has_a_lower_peak(
    task: tuple[np.ndarray, float, float, float, float], pick: int
) -> None:
    """scipy.optimize.linprog searches all paths with corners at the places, the string before it is thinned."""
    need, spacing, length, z0, z1 = task
    profile = taut(need, spacing, length, z0, z1, ANY)
    obstacles = inner(need, spacing, length)
    s = np.array([0.0, *(k * spacing for k in range(1, len(need)) if k * spacing < length - 1e-9), length])
    least = np.full(len(s), -10.0)
    for place, z in obstacles:
        least[np.argmin(np.abs(s - place))] = z
    own = height_along(profile, s)
    for k in (1, 1 + pick % (len(s) - 2)):
        best = linear_program(s, least, z0, z1, np.eye(len(s))[k], concave=True)
        assert own[k] == pytest.approx(best, abs=1e-6)
    peak = max(z for _, z in profile)
    assert peak == pytest.approx(linear_program(s, least, z0, z1, np.zeros(0), concave=False, peak=True), abs=1e-6)


@st.composite
def round_tops(draw: st.DrawFn) -> tuple[np.ndarray, float, float, float, float]:
    """Many vertices: obstacles on an arc, a little rough."""
    count = draw(st.integers(20, 120))
    spacing, height = 0.25, draw(st.floats(0.2, 2.0))
    rough = draw(st.lists(st.floats(0.0, 0.02), min_size=count, max_size=count))
    middle = draw(st.floats(0.2, 0.8)) * count
    wide = max(middle, count - middle)
    heights = {k: 0.5 + height * (1 - ((k - middle) / wide) ** 2) + rough[k] for k in range(2, count - 1)}
    z0, z1 = draw(st.floats(0.2, 0.6)), draw(st.floats(0.2, 0.6))
    return places(heights, count), spacing, spacing * (count - 0.3), z0, z1


@given(st.one_of(round_tops(), tasks()), st.sampled_from([0.05, 0.5, ANY]), st.sampled_from([4, 5, 8]))
def test_thinning_goes_outwards_only_and_starts_and_peaks_as_before(
    task: tuple[np.ndarray, float, float, float, float], slope: float, most: int
) -> None:
    """At most `most` vertices between the ends, nowhere lower, same peak, one rise and one fall, and neither the first
    nor the last slope or step becomes steeper."""
    need, spacing, length, z0, z1 = task
    whole = taut(need, spacing, length, z0, z1, slope)
    thin = thinned(whole, most)
    assert len(thin) - 2 <= most
    s = np.linspace(0.0, length, 1001)
    s = np.sort([*s, *(a for a, _ in whole)])
    assert (height_along(thin, s) >= height_along(whole, s) - 1e-8).all()
    assert max(z for _, z in thin) == pytest.approx(max(z for _, z in whole), abs=1e-8)
    assert (thin[0], thin[-1]) == ((0.0, z0), (length, z1))
    assert all(b >= a for (a, _), (b, _) in pairwise(thin))
    assert_concave(thin)
    for one, two in ((whole, thin), (whole[::-1], thin[::-1])):
        rise = abs(two[1][1] - two[0][1]) / max(abs(two[1][0] - two[0][0]), 1e-12)
        before = abs(one[1][1] - one[0][1]) / max(abs(one[1][0] - one[0][0]), 1e-12)
        assert rise <= before * (1 + 1e-6) + 1e-6
    if len(whole) - 2 <= most:
        assert thin == whole


@given(tasks(), st.sampled_from([0.05, 0.5, ANY]), st.floats(0.001, 0.5))
def test_more_clearance_never_lowers_the_string(
    task: tuple[np.ndarray, float, float, float, float], slope: float, more: float
) -> None:
    need, spacing, length, z0, z1 = task
    raised = np.where(need > NOTHING, need + more, NOTHING)
    s = np.linspace(0.0, length, 301)
    low, high = (height_along(taut(n, spacing, length, z0, z1, slope), s) for n in (need, raised))
    assert (high >= low - 1e-9).all()


@given(tasks(), st.sampled_from([0.05, 0.5, ANY]))
def test_the_way_back_is_the_same_string(task: tuple[np.ndarray, float, float, float, float], slope: float) -> None:
    """With the places even from both ends."""
    need, spacing, _, z0, z1 = task
    need = np.append(need, NOTHING)
    need[0] = NOTHING
    length = spacing * (len(need) - 1)
    there = taut(need, spacing, length, z0, z1, slope)
    back = taut(need[::-1].copy(), spacing, length, z1, z0, slope)
    s = np.linspace(0.0, length, 301)
    assert height_along(there, s) == pytest.approx(height_along(back, length - s), abs=1e-8)


def test_nothing_in_the_way_leaves_the_straight_line() -> None:
    assert taut(places({}, 20), 0.5, 10.0, 0.4, 0.6, 0.5) == [(0.0, 0.4), (10.0, 0.6)]
    assert taut(places({5: 0.4}, 20), 0.5, 10.0, 0.4, 0.6, 0.5) == [(0.0, 0.4), (10.0, 0.6)]


def test_a_post_worked_by_hand() -> None:
    """z 0.2 to 0.2 over 10 mm, a post of 1.2 at s = 2: up 1 in 2, down 1 in 8; at 1 in 4 half the climb is a step."""
    need = places({4: 1.2}, 21)
    assert taut(need, 0.5, 10.0, 0.2, 0.2, 0.5) == [(0.0, 0.2), (2.0, 1.2), (10.0, 0.2)]
    stepped = [(0.0, 0.2), (0.0, 0.7), (2.0, 1.2), (10.0, 0.2)]
    assert np.array(taut(need, 0.5, 10.0, 0.2, 0.2, 0.25)) == pytest.approx(np.array(stepped))
