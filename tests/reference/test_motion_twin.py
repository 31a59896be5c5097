"""The planner and its slow twin give the same seconds to every row, on real jobs and on drawn ones."""

import random
from pathlib import Path

import numpy as np
import pytest

from liftwright.plan.limits import MODELS, SQUARE_CORNER, Limits, limits_from
from reference.drawn_moves import drawn_job
from reference.slow_motion import row_seconds
from reference.timing import limits_of_rows, timed

SHARED = Path(__file__).parents[3] / "shared" / "jobs"
REAL = [
    "abs-e-vertical-lift", "rel-e-lift-and-wipe", "arcs-object-exclusion-crlf", "continuous-rise",
    "helical-lift-conditional-blocks", "object-labels-sloped-lift-arcs", "firmware-retraction", "three-tools-rel-e",
]  # fmt: skip
# At a reversal the kernel's half-angle identity leaves √(1e-16) of the corner speed, in the firmware as in ours.
SAME_S = 2e-6


def assert_twins_agree(job: bytes, limits: Limits) -> None:
    _, seconds, rows = timed(job, limits)
    slow = row_seconds(rows, limits_of_rows(job, rows, limits), (0.0, 0.0, 0.0))
    np.testing.assert_allclose(seconds, slow, rtol=1e-9, atol=SAME_S)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("name", REAL)
def test_twins_agree_on_a_real_job(name: str, model: str) -> None:
    """The first 120 kB of each, with the limit commands that stand in it."""
    path = SHARED / f"{name}.gcode"
    if not path.exists():
        pytest.skip("the collection of real jobs is not here")
    job = path.read_bytes()[:120_000]
    assert_twins_agree(job[: job.rindex(b"\n") + 1], limits_from({}, model))


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", range(8))
def test_twins_agree_on_drawn_paths(seed: int, model: str) -> None:
    """Moves from 0.01 to 80 mm at all angles, slopes, filament both ways, arcs, stops and changing limits."""
    drawn = random.Random(seed)
    stated = {"minimum_cruise": drawn.choice([0.0, 0.3, 0.9])} if model == SQUARE_CORNER else {}
    assert_twins_agree(drawn_job(drawn, 600), limits_from(stated, model))
