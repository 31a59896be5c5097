"""Numbers of inserted words: exact decimals, enough places, never an exponent."""

from decimal import ROUND_CEILING, Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.digits import UNIT, lowered_feed, rounded, rounded_up, to_units, write_units

units = st.integers(-(10**15), 10**15)


def text_of(value: int, places: int) -> str:
    out = np.zeros(64, np.uint8)
    end = write_units(value, places, out, 3)
    assert not out[:3].any()
    assert not out[end:].any()
    return bytes(out[3:end]).decode()


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [
        (0, 3, "0.000"),
        (0, 0, "0"),
        (600_000_000, 3, "0.600"),
        (-600_000_000, 3, "-0.600"),
        (1, 3, "0.000000001"),
        (-1, 0, "-0.000000001"),
        (12_345_600_000_000, 3, "12345.600"),
        (354_330_708_661, 0, "354.330708661"),
        (9_000_000_000_000, 0, "9000"),
        (20_050_000_000, 3, "20.050"),
        (20_050_050_000, 3, "20.05005"),
    ],
)
def test_at_least_the_places_asked_for_and_no_zero_behind_them(value, places, text):
    assert text_of(value, places) == text


@given(units, st.integers(0, 9))
def test_the_text_is_the_number_exactly(value, places):
    """Python's decimal module is the reference; no exponent, a digit on both sides of the point."""
    text = text_of(value, places)
    assert Decimal(text) * UNIT == value
    assert set(text) <= set("-.0123456789")
    whole, point, behind = text.lstrip("-").partition(".")
    assert whole.isdigit()
    assert not whole.startswith("0") or whole == "0"
    assert len(behind) >= places
    assert len(behind) == places or behind[-1] != "0"
    assert bool(point) == bool(behind)


@given(st.decimals(-100_000, 100_000, places=9))
def test_a_coordinate_of_nine_decimals_goes_through_a_double_unharmed(value):
    """Up to 100 m, doubles are finer than 1e-9 mm by far (IEEE 754: 15 significant digits always survive)."""
    assert to_units(float(value)) == value * UNIT


@given(units, st.integers(0, 9))
def test_rounding_up_gives_the_next_multiple_and_leaves_multiples(value, places):
    step = UNIT // 10**places
    up = rounded_up(value / 1e9, step)
    exact = (Decimal(to_units(value / 1e9)) / step).to_integral_value(ROUND_CEILING) * step
    assert up == exact
    assert rounded_up(up / 1e9, step) == up or abs(up) > 2**53


@given(st.integers(-(10**14), 10**14), st.integers(0, 9))
def test_rounding_goes_to_the_nearest_multiple(value, places):
    step = UNIT // 10**places
    near = rounded(value / 1e9, step)
    assert near % step == 0
    assert abs(near - value) <= step / 2 + 1


def test_tenths_that_binary_cannot_hold_are_not_rounded_up_twice():
    """0.1 + 0.2 is a little above 0.3 as a double; nobody wants Z0.301."""
    assert rounded_up(0.1 + 0.2, UNIT // 1000) == 300_000_000


@given(st.floats(1e-3, 1e4), st.sampled_from([1.0, 25.4]))
def test_a_lowered_feed_is_never_above_the_speed_it_stands_for(mm_s, scale):
    feed = lowered_feed(mm_s, scale)
    assert 0 < feed * scale / 60 <= mm_s * (1 + 1e-12)
    assert feed * scale / 60 >= mm_s * 0.9 or feed < 1


@pytest.mark.parametrize(("mm_s", "scale", "feed"), [(10.0, 1.0, 600.0), (50.249378, 1.0, 3014.0), (0.1, 1.0, 6.0)])
def test_lowered_feeds_are_whole_numbers_from_ten_on(mm_s, scale, feed):
    """50.249378 mm/s: the published example of a 4 mm × 0.4 mm ramp at a Z limit of 5 mm/s."""
    assert lowered_feed(mm_s, scale) == feed
