"""All shapes on one job: the same figures as a rewrite in each, and the shape that a rewrite would take."""

import io

import pytest

from liftwright.comparison import AS_IT_CAME, USUAL_HEIGHT_MM, Comparison, compare
from liftwright.plan.shapes import SHAPES
from liftwright.result import REWRITTEN
from liftwright.rules.schema import RuleSet
from unit.small_jobs import GIVEN, PLAIN_GAP, job, rules, run

# A wall along Y at X 40, three layers; then a bead at Z 0.4 on either side of it and a travel across; a second gap.
WALL = ["M83", "G28", "G1 X40 Y0 Z0.2 F6000"] + [
    line for k in range(1, 4) for line in (f"G1 Z{0.2 * k:.1f}", f"G1 Y{20 * (k % 2)} E0.7 F1800")
]
ACROSS = [*WALL, "G1 X10 Y10 Z0.4 F6000", "G1 X20 Y10 E0.5 F1200"]
ROUND = job(*PLAIN_GAP, before=ACROSS)


def compared(text: bytes = ROUND, ruleset: RuleSet | None = None, **lift: object) -> Comparison:
    return compare(io.BytesIO(text), ruleset or rules(**lift), GIVEN)


def test_every_shape_has_a_row_below_the_job_as_it_came():
    assert [row.shape for row in compared().rows] == [AS_IT_CAME, *SHAPES]


@pytest.mark.parametrize("shape", SHAPES)
def test_a_row_has_the_figures_of_a_rewrite_in_that_shape(shape):
    """And the first row those of the job before it."""
    result, _ = run(ROUND, shape=shape)
    found = compared(shape=shape, height_mm=0.4)
    came, row = found.rows[0], next(row for row in found.rows if row.shape == shape)
    assert row.lifted == result.counts.get("rewritten", 0)
    assert row.added_s == pytest.approx(result.measures["added_s"], abs=1e-6)
    for name in ("seconds", "z_stroke_mm", "z_reversals", "z_starts", "air_s", "unretracted_s"):
        assert getattr(row, name) == pytest.approx(result.measures[f"{name}_after"], abs=1e-6)
        assert getattr(came, name) == pytest.approx(result.measures[f"{name}_before"], abs=1e-6)
    assert (row.early_climb_mm, row.tallest_lift_mm) == (
        result.measures["early_climb_mm"],
        result.measures["tallest_lift_mm"],
    )


def test_strikes_are_foretold_for_every_shape_by_the_same_terrain():
    """The wall stands 0.2 mm above the travel, in its middle but for 40 mm: all but flat pass over it."""
    strikes = {row.shape: row.strikes for row in compared(height_mm=0.6).rows}
    assert strikes == dict.fromkeys(SHAPES, 0) | {AS_IT_CAME: 1, "flat": 1}


def test_a_low_lift_still_strikes():
    strikes = {row.shape: row.strikes for row in compared(height_mm=0.1).rows}
    assert [shape for shape in SHAPES if strikes[shape] == 0] == ["terrain"]


def test_without_a_budget_the_rule_takes_its_own_shape():
    found = compared(shape="sawtooth")
    assert (found.takes, found.why) == (
        "sawtooth",
        "the rule takes sawtooth: it is its own shape, and it states no budget",
    )


def test_a_budget_that_is_kept_is_said():
    assert compared(max_added_s=5.0).why == (
        "the rule takes square: it is its own shape, and it keeps its budgets with it"
    )


def test_over_budget_the_next_shape_is_taken_and_the_budget_named_as_in_a_rewrite():
    lift = {"shape": "square", "max_added_s": 0.1, "otherwise": ("trapezoid", "flat")}
    found = compared(**lift)
    result, _ = run(ROUND, **lift)
    assert found.takes == result.details["shape"] == "trapezoid"
    assert "square adds 0.2 s, max_added_s is 0.1" in found.why
    assert next(row for row in found.rows if row.shape == "square").over == "adds 0.2 s, max_added_s is 0.1"
    assert next(row for row in found.rows if row.shape == "flat").over is None


def test_over_every_budget_the_job_stays_as_it_is():
    found = compared(shape="square", max_added_s=0.0)
    assert found.takes is None
    assert found.why == "the job stays as it is: over budget (square adds 0.2 s, max_added_s is 0)"


def test_a_shape_that_changes_nothing_is_not_taken():
    found = compared(shape="flat")
    assert (found.takes, found.why) == (None, "the job stays as it is: flat finds no travel that needs a change")


@pytest.mark.parametrize(
    ("lift", "height"),
    [
        ({"shape": "terrain"}, USUAL_HEIGHT_MM),
        ({"shape": "terrain", "height_mm": 0.5}, 0.5),
        ({"shape": "terrain", "max_added_s": 9.0, "otherwise": ("flat",)}, USUAL_HEIGHT_MM),
        ({"shape": "terrain", "max_added_s": 9.0, "otherwise": ("trapezoid",)}, 0.4),
        ({"shape": "square"}, 0.4),
        ({"shape": "triangle", "height_mm": 0.3}, 0.3),
    ],
)
def test_fixed_shapes_are_as_high_as_the_rule_would_have_them(lift, height):
    """A rule that takes terrain alone says nothing of their height."""
    found = compared(**lift)
    assert found.height_mm == height
    tallest = {row.shape: row.tallest_lift_mm for row in found.rows}
    assert tallest["square"] == pytest.approx(height)


def test_a_job_that_no_rewrite_touches_has_no_rows_and_says_why():
    found = compared(ruleset=rules(leave=True))
    assert (found.rows, found.takes) == ((), None)
    assert found.settled is not None
    assert (found.settled.reason_code, found.settled.outcome) == ("left_alone", "unchanged")
    assert found.why == 'rule "all" leaves every travel as it is'


def test_a_refused_job_has_no_rows_and_says_why():
    found = compared(b"M3 S1000\n" + b"G1 X1 Y1 F100\n" * 50)
    assert found.rows == ()
    assert found.settled is not None
    assert found.settled.refused


def test_a_rewritten_job_is_not_compared_again():
    result, text = run(ROUND)
    assert result.outcome == REWRITTEN
    found = compared(text)
    assert found.settled is not None
    assert found.settled.reason_code == "already_rewritten"


def test_windows_change_nothing():
    whole, cut = (compare(io.BytesIO(ROUND), rules(), GIVEN, chunk=chunk) for chunk in (1 << 19, 150))
    assert whole.rows == cut.rows


def test_progress_is_told_shape_by_shape():
    told: list[tuple[str, int, int]] = []
    compare(io.BytesIO(ROUND), rules(), GIVEN, tick=lambda *step: told.append(step))
    assert list(dict.fromkeys(stage for stage, _, _ in told)) == ["survey", *SHAPES]
    assert all(done <= of == len(ROUND) for _, done, of in told)
