"""Whole-job times of an independent planner: origin and figures in motion/README.md, beside the jobs."""

from pathlib import Path

import pytest

from liftwright.job.moves import MoveReader
from liftwright.plan.limits import limits_from
from liftwright.plan.motion import Clock

JOBS = Path(__file__).parent / "motion"
COMMON = {
    "speed": 300.0, "accel": 3000.0, "speed_e": 80.0, "accel_e": 3000.0, "square_corner": 5.0, "minimum_cruise": 0.0,
}  # fmt: skip


def seconds_of(job: Path, z_speed: float, z_accel: float) -> float:
    clock = Clock(limits_from({**COMMON, "speed_z": z_speed, "accel_z": z_accel}, "square_corner"))
    with job.open("rb") as source:
        for window in MoveReader(source).windows():
            clock.add(window.moves, window.buf)
    clock.finish()
    return clock.seconds


@pytest.mark.parametrize(
    ("job", "z_speed", "z_accel", "seconds"),
    [
        ("posts", 15.0, 200.0, 45.913285),
        ("posts", 5.0, 100.0, 49.064591),
        ("posts_square", 15.0, 200.0, 47.819811),
        ("posts_square", 5.0, 100.0, 51.895419),
        ("posts_ramp", 15.0, 200.0, 47.231821),
        ("posts_ramp", 5.0, 100.0, 51.282451),
    ],
)
def test_whole_job_times_agree_with_the_independent_planner(
    job: str, z_speed: float, z_accel: float, seconds: float
) -> None:
    """Wanted to 0.1 %; both plan the same model, so they agree to the printed microsecond."""
    assert seconds_of(JOBS / f"{job}.gcode", z_speed, z_accel) == pytest.approx(seconds, abs=2e-6)
