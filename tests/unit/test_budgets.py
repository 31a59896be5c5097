"""Budgets of a rule: which shape is taken, which budget decided, and what the record says of it."""

import pytest

from liftwright.result import REWRITTEN, UNCHANGED
from unit.small_jobs import PLAIN_GAP, job, run

# Two travels, retracted: a square of 0.4 mm adds twice some 0.2 s and 3 turns of Z, a trapezoid next to no time.
TWICE = job(*PLAIN_GAP, "G1 X50 Y10 E0.5 F1200", "G1 E-1 F1800", "G1 X10 Y10 F9000", "G1 E1 F1800")


def test_without_a_budget_the_cost_does_not_matter():
    result, _ = run(TWICE)
    assert result.details["shape"] == "square"
    assert result.reason == "2 of 3 travels rewritten, shape square"
    assert result.measures["added_s"] == pytest.approx(0.45, abs=0.06)


@pytest.mark.parametrize(
    ("budget", "words"),
    [
        ({"max_added_s": 0.3}, "square: adds 0.4 s, max_added_s is 0.3"),
        ({"max_added_percent": 1.5}, "square: adds 8.40 %, max_added_percent is 1.5"),
    ],
)
def test_over_budget_the_next_shape_of_the_rule_is_taken_and_the_budget_named(budget, words):
    result, text = run(TWICE, **budget, otherwise=("trapezoid", "flat"))
    assert result.outcome == REWRITTEN
    assert result.details["shape"] == "trapezoid"
    assert result.reason == f"2 of 3 travels rewritten, shape trapezoid ({words})"
    assert text.count(b";lw trapezoid") == 2
    assert b"square" not in text


def test_turns_of_z_are_a_budget():
    """Up and down on each of two travels: the turn at each peak, and the one between them."""
    result, _ = run(TWICE)
    turns = int(result.measures["z_reversals_after"] - result.measures["z_reversals_before"])
    assert turns == 3
    kept, _ = run(TWICE, max_z_reversals=turns)
    assert kept.details["shape"] == "square"
    over, _ = run(TWICE, max_z_reversals=turns - 1)
    assert (over.outcome, over.reason_code) == (UNCHANGED, "over_budget")
    assert over.reason == "square: adds 3 turns of Z, max_z_reversals is 2"


def test_shapes_are_tried_in_the_order_of_the_rule():
    """Triangle and trapezoid would both do."""
    result, _ = run(TWICE, max_added_s=0.3, otherwise=("triangle", "trapezoid"))
    assert result.details["shape"] == "triangle"


def test_every_shape_that_was_too_dear_is_named():
    result, text = run(TWICE, max_added_s=0.1, max_z_reversals=2, otherwise=("sawtooth", "triangle"))
    assert (result.outcome, result.reason_code) == (UNCHANGED, "over_budget")
    assert result.reason.split("; ") == [
        "square: adds 0.4 s, max_added_s is 0.1",
        "sawtooth: adds 0.2 s, max_added_s is 0.1",
        "triangle: adds 3 turns of Z, max_z_reversals is 2",
    ]
    assert text == TWICE
    assert result.sha256_out == result.sha256_in


def test_a_budget_that_is_just_kept_is_kept():
    added = run(TWICE)[0].measures["added_s"]
    assert run(TWICE, max_added_s=added + 1e-6)[0].outcome == REWRITTEN
    assert run(TWICE, max_added_s=added - 1e-3)[0].outcome == UNCHANGED


def test_a_lift_that_saves_time_keeps_every_budget_of_time():
    """Own lifts of 2 mm, straight up and down, are taken away."""
    slow = job("G1 E-1 F1800", "G1 Z2 F600", "G1 X60 Y10 F9000", "G1 Z0.2 F600", "G1 E1 F1800")
    result, _ = run(slow, shape="flat", max_added_s=0.0, max_added_percent=0.0)
    assert result.outcome == REWRITTEN
    assert result.measures["added_s"] < -0.3


def test_the_excess_over_a_budget_shows_in_its_number():
    """A square adds 0.4485 s here; one decimal would read 0.4 over 0.44."""
    added = run(TWICE)[0].measures["added_s"]
    for budget in (0.44, 0.3, added - 1e-6, 0.1234567):
        result, _ = run(TWICE, max_added_s=budget)
        words = result.reason.split()
        assert words[0:2] == ["square:", "adds"]
        assert words[5] == "is"
        shown, limit = float(words[2]), float(words[6])
        assert limit == pytest.approx(budget, abs=1e-9)
        assert shown > limit
        assert shown == pytest.approx(added, abs=0.06)
    percent = run(TWICE)[0].measures["added_percent"]
    result, _ = run(TWICE, max_added_percent=percent - 1e-5)
    assert float(result.reason.split()[2]) > percent - 1e-5
