"""The cost that a rewrite records, against the rewritten bytes read and timed afresh; and what gentle slopes save."""

import io
from pathlib import Path

import pytest

from bench.bench_rules import rule_set
from liftwright.job.facts import Fact
from liftwright.plan.booking import REVERSALS, STARTS, STROKE
from liftwright.result import REWRITTEN, Result
from liftwright.rewrite import rewrite
from liftwright.terms import motion_limits
from reference.timing import timed

HERE = Path(__file__).parent
SHARED = HERE.parents[2] / "shared" / "jobs"
REAL = [
    "abs-e-vertical-lift", "rel-e-lift-and-wipe", "arcs-object-exclusion-crlf", "object-labels-sloped-lift-arcs",
    "comments-broken-onto-command-lines", "three-tools-rel-e", "no-comments",
]  # fmt: skip
SHAPES = ["square", "triangle", "sawtooth", "trapezoid", "terrain"]
LEAD_SCREW = {"z_speed_mm_s": 5.0, "z_accel_mm_s2": 100.0}


def rewritten(job: bytes, lift: dict[str, object], printer: dict[str, object] | None = None) -> tuple[Result, bytes]:
    out = io.BytesIO()
    given = [Fact("printer", "bench", "the test"), Fact("material", "any", "the test")]
    return rewrite(io.BytesIO(job), out, rule_set(lift, printer=printer), given), out.getvalue()


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("name", REAL)
def test_the_recorded_cost_is_that_of_the_bytes(name: str, shape: str) -> None:
    """Both sides of the record in µs and µm: the job and its rewrite, each read again and timed alone."""
    path = SHARED / f"{name}.gcode"
    if not path.exists():
        pytest.skip("the collection of real jobs is not here")
    job = path.read_bytes()
    result, out = rewritten(job, {"shape": shape})
    assert result.outcome == REWRITTEN
    assert result.decision is not None
    assert result.decision.printer is not None
    limits = motion_limits(result.decision.printer)
    for when, text in (("before", job), ("after", out)):
        clock = timed(text, limits)[0]
        assert result.measures[f"seconds_{when}"] == pytest.approx(clock.seconds, abs=1e-6)
        assert result.measures[f"z_stroke_mm_{when}"] == pytest.approx(clock.sums[STROKE], abs=1e-5)
        assert result.measures[f"z_starts_{when}"] == clock.sums[STARTS]
        assert result.measures[f"z_reversals_{when}"] == clock.sums[REVERSALS]


def added(shape: str, printer: dict[str, object]) -> float:
    """Seconds that 0.4 mm in that shape add to the job of two posts, travels of 80 mm between them."""
    job = (HERE / "motion" / "posts.gcode").read_bytes()
    result, _ = rewritten(job, {"shape": shape, "height_mm": 0.4}, printer)
    assert result.outcome == REWRITTEN
    return result.measures["added_s"]


def test_gentle_slopes_are_all_but_free_on_a_lead_screw() -> None:
    """5 mm/s and 100 mm/s²: straight up and down costs a quarter of a second a travel and more (0.26 s, worked from
    [KLP] docs/Kinematics.md), a slope within the free one next to nothing: under a tenth of it."""
    straight = added("square", LEAD_SCREW)
    assert straight > 2.0
    for shape in ("trapezoid", "triangle"):
        assert added(shape, LEAD_SCREW) < 0.1 * straight


def test_what_straight_up_costs_depends_on_the_z_axis() -> None:
    """A belted Z hardly minds."""
    belted = {"z_speed_mm_s": 100.0, "z_accel_mm_s2": 3000.0}
    assert added("square", belted) < 0.5 * added("square", LEAD_SCREW)


@pytest.mark.parametrize("cornering", [
    {"by": "square_corner", "speed_mm_s": 5.0}, {"by": "junction_deviation", "deviation_mm": 0.013},
    {"by": "axis_jerk", "mm_s": {"x": 10.0, "y": 10.0, "z": 0.3, "e": 5.0}},
])  # fmt: skip
@pytest.mark.parametrize("axis", [LEAD_SCREW, {"z_speed_mm_s": 20.0, "z_accel_mm_s2": 1000.0}])
def test_on_no_kind_of_printer_does_a_trapezoid_cost_more_than_a_triangle(
    axis: dict[str, object], cornering: dict[str, object]
) -> None:
    """A real job that lowers its acceleration on the way: slopes are chosen under the limits that hold by then."""
    path = SHARED / "abs-e-vertical-lift.gcode"
    if not path.exists():
        pytest.skip("the collection of real jobs is not here")
    printer = {**axis, "motion": {"cornering": cornering}}
    seconds = {}
    for shape in ("trapezoid", "triangle"):
        result, _ = rewritten(path.read_bytes(), {"shape": shape, "height_mm": 0.4}, printer)
        seconds[shape] = result.measures["seconds_after"]
    assert seconds["trapezoid"] <= seconds["triangle"] * (1 + 1e-4)
