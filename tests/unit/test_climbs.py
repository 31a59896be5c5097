"""What the lifts climb and what they ask of the Z axis, counted by hand on small jobs."""

import pytest

from unit.small_jobs import BEFORE, PLAIN_GAP, PRIME, RETRACT, TRAVEL, job, run


def figures(*gap: str, **lift: object) -> dict[str, float]:
    """Early climb, tallest lift, stroke and turns of Z."""
    result, _ = run(job(*gap), **lift)
    wanted = (
        "z_stroke_mm_after", "z_stroke_mm_before", "z_reversals_after", "z_reversals_before", "early_climb_mm",
        "early_climb_before_mm", "tallest_lift_mm", "tallest_lift_before_mm",
    )  # fmt: skip
    return {name: result.measures[name] for name in wanted}


def test_a_square_goes_up_and_down_once_and_climbs_all_of_it_at_the_start():
    found = figures(*PLAIN_GAP)
    assert found["z_stroke_mm_after"] - found["z_stroke_mm_before"] == pytest.approx(0.8)
    assert found["z_reversals_after"] - found["z_reversals_before"] == 1
    assert found["early_climb_mm"] == pytest.approx(0.4)
    assert found["early_climb_before_mm"] == 0.0
    assert found["tallest_lift_mm"] == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("shape", "early"), [("triangle", 0.4 / 20), ("sawtooth", 0.4 / 40), ("trapezoid", 0.4 / 6.585)]
)
def test_slopes_climb_their_share_within_the_first_millimetre(shape, early):
    """0.4 mm over 20, 40 and, at the free slope of 0.0607, 6.585 mm of way."""
    assert figures(*PLAIN_GAP, shape=shape)["early_climb_mm"] == pytest.approx(early, rel=1e-4)


def test_an_own_lift_counts_before_and_no_longer_behind_when_it_is_taken_away():
    found = figures(RETRACT, "G1 Z0.8 F600", TRAVEL, "G1 Z0.2 F600", PRIME, shape="flat")
    assert found["z_stroke_mm_before"] - found["z_stroke_mm_after"] == pytest.approx(1.2)
    assert found["early_climb_before_mm"] == pytest.approx(0.6)
    assert found["early_climb_mm"] == 0.0
    assert found["z_reversals_before"] - found["z_reversals_after"] == 1
    assert (found["tallest_lift_before_mm"], found["tallest_lift_mm"]) == (pytest.approx(0.6), 0.0)


def test_the_jobs_own_step_to_the_next_layer_is_no_early_climb():
    """From 0.2 to 0.4: a square of 0.4 above it climbs 0.6, of which 0.2 are the job's own."""
    found = figures(RETRACT, "G1 Z0.4 F600", TRAVEL, PRIME)
    assert found["early_climb_before_mm"] == 0.0
    assert found["early_climb_mm"] == pytest.approx(0.4)


def test_a_travel_that_was_left_alone_is_the_same_before_and_behind():
    found = figures(RETRACT, "G1 Z3 F600", TRAVEL, "G1 Z0.2 F600", PRIME)
    assert found["z_stroke_mm_after"] == found["z_stroke_mm_before"]
    assert found["early_climb_mm"] == found["early_climb_before_mm"] == pytest.approx(2.8)
    assert found["z_reversals_after"] == found["z_reversals_before"]


def test_sums_do_not_depend_on_where_the_job_is_cut_into_windows():
    """Turns remember the direction of the window before."""
    gap = [RETRACT, TRAVEL, PRIME, "G1 X10 Y10 E0.5 F1200", RETRACT, "G1 Z0.5", TRAVEL, "G1 Z.2", PRIME]
    text = job(*gap * 8, before=BEFORE)
    whole, _ = run(text)
    cut, _ = run(text, chunk=120)
    assert cut.counts == whole.counts
    assert cut.measures == pytest.approx(whole.measures)
