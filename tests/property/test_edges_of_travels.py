"""Edges that generated jobs seldom meet: what counts as a lift of the job, and where a travel ends."""

import pytest

from unit.small_jobs import AFTER, BEFORE, PLAIN_GAP, PRIME, RETRACT, job, reason_of, rules, run


@pytest.mark.parametrize("step", ["0.4", "2.9"])
def test_a_step_to_a_higher_bead_is_no_lift_of_the_job(step: str) -> None:
    """The job's own lifts are kept, and 2 mm is the tallest that counts as one: what rises and stays is neither."""
    text = job(RETRACT, f"G1 X60 Y10 Z{step} F9000", PRIME)
    result, out = run(text, rules(own_lifts="keep", height_mm=0.4))
    assert result.outcome == "rewritten", result.travels
    assert f"Z{float(step) + 0.4:.3f}".encode() in out


@pytest.mark.parametrize(("lift", "outcome"), [("0.2", "rewritten"), ("0.21", "rewritten"), ("0.22", "unchanged")])
def test_a_kept_lift_is_one_of_more_than_a_hundredth(lift: str, outcome: str) -> None:
    """Firmware documents count a raise from 0.01 mm on (Marlin fwretract.cpp)."""
    text = job(RETRACT, f"G1 Z{lift} F600", "G1 X60 Y10 F9000", "G1 Z0.2 F600", PRIME)
    assert run(text, rules(own_lifts="keep"))[0].outcome == outcome


@pytest.mark.parametrize(("lift", "outcome"), [("0.21", "unchanged"), ("0.22", "rewritten")])
def test_a_hundredth_is_nothing_to_take_away(lift: str, outcome: str) -> None:
    text = job(RETRACT, f"G1 Z{lift} F600", "G1 X60 Y10 F9000", "G1 Z0.2 F600", PRIME)
    assert run(text, rules(shape="flat"))[0].outcome == outcome


@pytest.mark.parametrize("way", ["G1 X60 F9000", "G1 Y60 F9000", "G1 X60 Y60 F9000"])
def test_a_travel_behind_a_prime_is_left_whatever_its_direction(way: str) -> None:
    after = ["G1 X90 Y90 E0.5 F1200", *AFTER[1:]]
    assert reason_of(RETRACT, PRIME, way, after=after) == "primes before it travels"


def test_a_lift_keeps_below_z_max_behind_a_shift_that_was_taken_away() -> None:
    """`G92 Z0.5` at 0.2 makes 99.8 the number of 99.5; behind G92.1 it is 99.8 again, 0.2 below the limit."""
    before = [*BEFORE, "G92 Z0.5", "G92.1", "G1 X10 Y10 Z99.8 F6000", BEFORE[3]]
    result, out = run(job(*PLAIN_GAP, before=before), rules(height_mm=0.4))
    assert result.outcome == "rewritten", result.reason
    assert b"Z99.997 " in out  # the limit less what rounding up can add


@pytest.mark.parametrize("shape", ["flat", "terrain"])
def test_taking_a_sloped_lift_away_lowers_nothing_beneath_the_higher_end(shape: str) -> None:
    """From 0.2 by 1.0 to 0.4: the climb stays as steep as it was until it is at 0.4, over whatever lies at its foot."""
    text = job("G1 X50 Y10 Z1.0 F9000", "G1 X60 Z0.4", after=["G1 X70 E0.5 F1200", "M104 S0"])
    _, out = run(text, rules(shape=shape, unretracted="lift"))
    assert [line.split()[:4] for line in out.decode().splitlines()[4:-3]] == [
        ["G1", "X27.500", "Y10.000", "Z0.400"],
        ["G1", "X50.000", "Y10.000", "Z0.400"],
        ["G1", "X60.000", "Y10.000", "Z0.400"],
    ]
