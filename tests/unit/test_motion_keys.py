"""What the `motion` keys of a printer entry become in the time model."""

import pytest

from liftwright.plan.limits import L_CRUISE, L_E_STEP
from liftwright.rules.printer import Motion, Printer, SquareCorner
from liftwright.terms import motion_limits
from reference.timing import timed
from unit.small_jobs import PRINTER, job


def printer(**corner: float) -> Printer:
    return Printer(**PRINTER, motion=Motion(cornering=SquareCorner(by="square_corner", speed_mm_s=5.0, **corner)))


def test_the_share_kept_at_even_speed_reaches_the_model_and_makes_short_moves_slower() -> None:
    """2 mm to and fro at 1000 mm/s², too short for the feed: half of it at even speed peaks at √(a·d/2) = 31.6 mm/s and
    takes 94.9 ms where √(a·d) = 44.7 mm/s takes 89.4 ms (worked from v² = 2·a·s); the turns are all but standstills."""
    limits = motion_limits(printer(minimum_cruise_ratio=0.5))
    assert limits.vector()[L_CRUISE] == 0.5
    assert "minimum_cruise" not in limits.assumed
    zigzag = job(*(f"G1 X{60 + k % 2 * 2} Y10 F18000" for k in range(200)))
    slower = timed(zigzag, limits)[0].seconds - timed(zigzag, motion_limits(printer()))[0].seconds
    assert slower == pytest.approx(200 * 5.43e-3, rel=0.03)


def test_the_jump_of_filament_speed_reaches_the_model() -> None:
    limits = motion_limits(printer(extruder_corner_mm_s=0.2))
    assert limits.vector()[L_E_STEP] == 0.2
    assert "extruder_corner" not in limits.assumed


def test_what_is_not_stated_is_assumed_and_said_so() -> None:
    limits = motion_limits(printer())
    assert (limits.vector()[L_CRUISE], limits.vector()[L_E_STEP]) == (0.0, 1.0)
    assert {"minimum_cruise", "extruder_corner"} <= limits.assumed
