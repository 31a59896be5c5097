"""The seconds that a rewrite records as added, against an independent planner on the bytes before and after.

Independent of the product: the reader (exact decimals, `slow_reader.py`) and the planner (`slow_motion.py`, written
from the published formulas; `test_motion_times.py` holds the product against a firmware's own planner). Bound: 3 % of
the added time or 0.1 % of the job's, whichever is larger.
"""

import itertools
import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.plan.limits import AXIS_JERK, JUNCTION_DEVIATION, MODELS, SQUARE_CORNER, Limits
from liftwright.rules.schema import RuleSet
from liftwright.terms import motion_limits
from property.jobs import Spelling, Step, jobs, spell, spellings
from property.rewriting import SHAPES, Rewritten, press, rules_for
from reference.readers import SLOW
from reference.slow_motion import row_seconds
from reference.timing import limits_of_rows

SHARED = Path(__file__).parents[3] / "shared" / "jobs"
REAL = [
    "abs-e-vertical-lift", "rel-e-lift-and-wipe", "arcs-object-exclusion-crlf", "three-tools-rel-e", "no-comments",
    "helical-lift-conditional-blocks", "object-labels-sloped-lift-arcs", "comments-broken-onto-command-lines",
]  # fmt: skip
CORNERING = {
    SQUARE_CORNER: "motion:\n  cornering: {by: square_corner, speed_mm_s: 8, minimum_cruise_ratio: 0.5}",
    JUNCTION_DEVIATION: "motion:\n  cornering: {by: junction_deviation, deviation_mm: 0.02}",
    AXIS_JERK: "motion:\n  cornering: {by: axis_jerk, mm_s: {x: 10, y: 10, z: 0.3, e: 5}}",
}
SHORT, LONG = 120_000, 400_000  # bytes of each job

# Commands that set limits on the way, each understood by one kind of firmware at least.
SETTING = [
    b"M201 X900 Y800 Z60 E4000", b"M203 X120 Y150 Z4 E30", b"M204 S1200", b"M204 P900 T1500 R700", b"M205 X6 Y7 Z0.2",
    b"M205 J0.05", b"M220 S140", b"M220 S100", b"M221 S93", b"SET_VELOCITY_LIMIT VELOCITY=90 ACCEL=1700",
    b"SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY=3", b"G4 P350",
]  # fmt: skip


def slow_seconds(job: bytes, limits: Limits) -> float:
    rows = SLOW(job)
    return sum(row_seconds(rows, limits_of_rows(job, rows, limits), (0.0, 0.0, 0.0)))


def limits_of(rules: RuleSet) -> Limits:
    return motion_limits(rules.printers[0])


def assert_added_agrees(job: bytes, done: Rewritten, limits: Limits) -> None:
    before, after = slow_seconds(job, limits), slow_seconds(done.text, limits)
    measures = done.result.measures
    allowed = max(0.03 * abs(after - before), 0.001 * before, 1e-6)
    assert abs(measures["added_s"] - (after - before)) <= allowed
    assert measures["seconds_before"] == pytest.approx(before, rel=1e-4, abs=1e-5)


EVERY = itertools.product(REAL, MODELS, ["square", "trapezoid", "terrain"])
# In the short run every job, model and shape in some pairing.
CASES = [pytest.param(*case, marks=[pytest.mark.long] if k % 5 else []) for k, case in enumerate(EVERY)]


@pytest.mark.parametrize(("name", "model", "shape"), CASES)
def test_added_seconds_of_a_real_job(name: str, model: str, shape: str, long: bool) -> None:
    path = SHARED / f"{name}.gcode"
    if not path.exists():
        pytest.skip("the collection of real jobs is not here")
    text = path.read_bytes()[: LONG if long else SHORT]
    job = text[: text.rindex(b"\n") + 1] + b"M104 S0\nM140 S0\n"
    done = press(job, shape, "", CORNERING[model])
    assert_added_agrees(job, done, limits_of(rules_for(shape, "", CORNERING[model])))


@given(
    jobs(max_layers=2), spellings(), st.sampled_from(SHAPES), st.sampled_from(MODELS),
    st.lists(st.tuples(st.floats(0, 1), st.sampled_from(SETTING)), max_size=6),
)  # fmt: skip
def test_added_seconds_of_drawn_jobs(
    job: list[Step], how: Spelling, shape: str, model: str, settings: list[tuple[float, bytes]]
) -> None:
    """In every dialect: increments, inches, sums of E, G92, arcs, tools, dwells, firmware retraction; and limits that
    the job sets anywhere on its way."""
    lines = spell(job, how).splitlines(keepends=True)
    end = lines[0][len(lines[0].rstrip(b"\r\n")) :] or b"\n"
    for share, command in settings:
        lines.insert(1 + int(share * (len(lines) - 1)), command + end)
    text = b"".join(lines)
    done = press(text, shape, "unretracted: lift", CORNERING[model])
    if done.is_rewritten:
        assert_added_agrees(text, done, limits_of(rules_for(shape, "", CORNERING[model])))


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", range(3))
def test_added_seconds_of_curious_moves(seed: int, model: str) -> None:
    """Moves of no length, of micrometres, of Z alone and of E alone; no feed at all at first; feeds far beyond the
    machine's; homing and pauses on the way."""
    drawn = random.Random(seed)
    lines = ["M83", "G28", "G1 X50 Y50 Z0.2", "G1 X60 E0.4"]
    x, y, z = 60.0, 50.0, 0.2
    for k in range(250):
        x, y = round(drawn.uniform(40, 90), 3), round(drawn.uniform(40, 90), 3)
        lines.append(drawn.choice(["G1 E-0.8 F2400", "G10", f"G1 E-0.8 X{x - 1:.3f} F3000", "G4 P0", ""]))
        lines.append(f"G0 X{x:.3f} Y{y:.3f} F{drawn.choice([9000, 60000, 12000, 300])}")
        lines += drawn.choice([[], [f"G1 X{x:.3f} Y{y:.3f}"], [f"G1 X{x + 0.001:.3f}"], ["M25"], [f"G1 Z{z:.3f} F600"]])
        lines.append(drawn.choice(["G1 E0.8 F2400", "G11", ""]))
        for _ in range(drawn.randrange(1, 4)):
            x, y = round(x + drawn.uniform(-3, 3), 3), round(y + drawn.uniform(-3, 3), 3)
            lines.append(f"G1 X{x:.3f} Y{y:.3f} E0.05 F{drawn.choice([600, 1800, 6000])}")
        if k % 50 == 49:
            z = round(z + 0.2, 3)
            lines.append(drawn.choice([f"G1 Z{z:.3f} F300", f"G1 Z{z + 1:.3f} F300\nG1 Z{z:.3f}"]))
    job = "\n".join([*filter(None, lines), "M104 S0", ""]).encode()
    shape = SHAPES[1 + seed]
    done = press(job, shape, "unretracted: lift", CORNERING[model])
    assert done.is_rewritten
    assert_added_agrees(job, done, limits_of(rules_for(shape, "", CORNERING[model])))
