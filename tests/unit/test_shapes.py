"""Profiles in numbers: where each vertex stands, and what bounds their slopes."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from liftwright.plan.shapes import MAX_VERTICES, SHAPES, flat, peak, square, trapezoid

LENGTH, Z0, Z1, HEIGHT = st.floats(0.05, 400), st.floats(0.1, 200), st.floats(-0.5, 0.5), st.floats(0.01, 10)
SLOPE = st.floats(0.01, 5)


def drawn(kernel, *numbers) -> list[tuple[float, float]]:
    """The vertices of one profile, filled in behind others that must stay as they are."""
    ss, zs = np.full(64, -7.0), np.full(64, -7.0)
    end = kernel(*numbers, 5, ss, zs)
    assert (ss[:5] == -7).all()
    assert (ss[end:] == -7).all()
    return [(float(s), float(z)) for s, z in zip(ss[5:end], zs[5:end], strict=True)]


def slopes(profile: list[tuple[float, float]]) -> list[float]:
    """Of the pieces that have way."""
    return [abs(d - b) / (c - a) for (a, b), (c, d) in pairwise(profile) if c > a]


def test_the_shapes_are_those_of_the_rules():
    assert SHAPES == ("flat", "square", "triangle", "sawtooth", "trapezoid", "terrain")


def test_a_square_steps_at_both_ends():
    assert drawn(square, 10.0, 0.2, 0.4, 0.8) == [(0, 0.2), (0, 0.8), (10, 0.8), (10, 0.4)]


def test_a_triangle_has_its_peak_in_the_middle():
    assert drawn(peak, 10.0, 5.0, 0.2, 0.4, 0.8, 0.5) == [(0, 0.2), (5, 0.8), (10, 0.4)]


def test_a_sawtooth_falls_at_the_end():
    assert drawn(peak, 10.0, 10.0, 0.2, 0.4, 0.8, 0.5) == [(0, 0.2), (10, 0.8), (10, 0.4)]


def test_a_trapezoid_rises_and_falls_at_the_free_slope():
    assert drawn(trapezoid, 20.0, 0.25, 0.5, 1.0, 0.125, 0.5) == [(0, 0.25), (6, 1.0), (16, 1.0), (20, 0.5)]


def test_a_short_trapezoid_is_the_triangle_that_just_fits():
    """2 mm for 0.5 up and 0.5 down: 1 in 2 with no cruise."""
    assert drawn(trapezoid, 2.0, 0.5, 0.5, 1.0, 0.1, 0.5) == [(0, 0.5), (1, 1.0), (2, 0.5)]


def test_a_free_slope_above_the_steepest_is_not_used():
    """A belted Z at a slow travel could climb 2 in 1; the rule's 1 in 2 holds, and the cruise stays."""
    assert drawn(trapezoid, 20.0, 0.5, 0.5, 1.0, 2.0, 0.5) == [(0, 0.5), (1, 1.0), (19, 1.0), (20, 0.5)]


def test_what_the_bounded_slope_cannot_climb_is_a_straight_step_at_that_end():
    assert drawn(peak, 1.0, 0.5, 0.5, 0.5, 1.0, 0.5) == [(0, 0.5), (0, 0.75), (0.5, 1.0), (1, 0.75), (1, 0.5)]
    assert drawn(peak, 1.0, 1.0, 0.25, 0.5, 1.0, 0.5) == [(0, 0.25), (0, 0.5), (1, 1.0), (1, 0.5)]
    assert drawn(trapezoid, 1.0, 0.5, 0.5, 1.0, 0.1, 0.5) == [(0, 0.5), (0, 0.75), (0.5, 1.0), (1, 0.75), (1, 0.5)]


def test_a_step_that_only_binary_arithmetic_sees_is_none():
    """0.6 − 0.8 · 0.5 is 0.2 and a little as a double."""
    assert drawn(peak, 0.5, 0.5, 0.2, 0.2, 0.6000000000000001, 0.8)[:2] == [(0, 0.2), (0.5, 0.6000000000000001)]


@given(LENGTH, Z0, Z1, HEIGHT, SLOPE, SLOPE, st.sampled_from(["triangle", "sawtooth", "trapezoid"]))
def test_every_sloped_profile_keeps_its_ends_its_top_and_the_steepest_slope(
    length, z0, step, height, free, steepest, shape
):
    """From (0, z0) to (L, z1), s never falls, one rise and one fall, the top is reached, no piece beyond the bound."""
    z1 = z0 + step
    top = max(z0, z1) + height
    if shape == "trapezoid":
        profile = drawn(trapezoid, length, z0, z1, top, free, steepest)
    else:
        profile = drawn(peak, length, length if shape == "sawtooth" else length / 2, z0, z1, top, steepest)
    assert len(profile) <= MAX_VERTICES
    assert (profile[0], profile[-1]) == ((0.0, z0), (length, z1))
    assert all(b >= a for (a, _), (b, _) in pairwise(profile))
    heights = [z for _, z in profile]
    assert max(heights) == top
    turn = heights.index(top)
    assert heights[: turn + 1] == sorted(heights[: turn + 1])
    assert heights[turn:] == sorted(heights[turn:], reverse=True)
    assert all(slope <= steepest * (1 + 1e-9) + 1e-6 / length for slope in slopes(profile))


@given(LENGTH, Z0, Z1, HEIGHT, SLOPE, SLOPE)
def test_a_trapezoid_is_as_gentle_as_the_free_slope_wherever_that_fits(length, z0, step, height, free, steepest):
    """And in the order of the rule: free slope, then steeper up to the bound, then a straight step."""
    z1 = z0 + step
    top = max(z0, z1) + height
    needed = (2 * top - z0 - z1) / length
    assume(abs(needed - free) > 1e-6)
    assume(abs(needed - steepest) > 1e-6)
    profile = drawn(trapezoid, length, z0, z1, top, free, steepest)
    steps = [abs(d - b) for (a, b), (c, d) in pairwise(profile) if c == a]
    assert bool(steps) == (needed > steepest)
    if not steps:
        wanted = max(min(free, steepest), needed)
        assert slopes(profile)[0] == pytest.approx(wanted, rel=1e-6)
        assert slopes(profile)[-1] == pytest.approx(wanted, rel=1e-6)


def flattened(*points: tuple[float, float]) -> list[tuple[float, float]]:
    """`flat` of a job whose rows stand at these (x, z)."""
    x, z = (np.array(column, float) for column in zip(*points, strict=True))
    return drawn(lambda *numbers: flat(1, len(points), x, np.zeros_like(x), z, *numbers))


@pytest.mark.parametrize(
    ("points", "profile"),
    [
        ([(0, 0.2), (0, 0.8), (10, 0.8), (10, 0.2)], [(0, 0.2), (10, 0.2)]),
        ([(0, 0.2), (0, 0.8), (10, 0.8), (10, 0.4)], [(0, 0.2), (0, 0.4), (10, 0.4)]),
        ([(0, 0.2), (10, 0.2), (10, 0.4)], [(0, 0.2), (10, 0.2), (10, 0.4)]),
        ([(0, 0.4), (0, 0.8), (10, 0.8), (10, 0.2)], [(0, 0.4), (10, 0.4), (10, 0.2)]),
        ([(0, 0.2), (5, 0.2), (5, 0.3), (8, 0.9), (10, 0.4)], [(0, 0.2), (5, 0.2), (5, 0.3), (5.5, 0.4), (10, 0.4)]),
        ([(0, 0.2), (10, 1.0), (20, 0.4)], [(0, 0.2), (2.5, 0.4), (20, 0.4)]),
        ([(0, 0.4), (10, 1.0), (20, 0.2)], [(0, 0.4), (17.5, 0.4), (20, 0.2)]),
        ([(0, 0.2), (10, 0.4), (20, 0.4)], [(0, 0.2), (10, 0.4), (20, 0.4)]),
    ],
)
def test_flat_keeps_the_jobs_own_steps_up_to_the_higher_end_where_they_stand(points, profile):
    """What exceeds max(z0, z1) is cut off, and level pieces run together."""
    assert flattened(*points) == [(pytest.approx(s), z) for s, z in profile]
