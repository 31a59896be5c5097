"""The slope of least time: free slopes by hand from the published formulas, and nothing quicker to be found by search.

Sources: v_z/v and a_z/a, Klipper klippy/kinematics/cartesian.py; junction deviation v² = a·δ·s/(1 − s), s = sin(θ/2),
grbl planner.c, and δ = v²·(√2 − 1)/a, Klipper klippy/toolhead.py; jerk v ≤ J/|Δu| of each axis.
"""

import math

import numpy as np
import pytest

from liftwright.plan.lane import N_QUEUE, N_STATE
from liftwright.plan.limits import AXIS_JERK, JUNCTION_DEVIATION, MODELS, SQUARE_CORNER, limits_from
from liftwright.plan.slopes import SCRATCH, free_slope, least_slope
from reference.slow_motion import Leg, model_corner, stretch_seconds

LEAD_SCREW = {"speed_z": 5.0, "accel_z": 100.0}
STEEP_SCREW = {"speed_z": 15.0, "accel_z": 100.0}
BELTS = {"speed_z": 20.0, "accel_z": 1000.0}
QUICK_BELTS = {"speed_z": 100.0, "accel_z": 3000.0}
PRINTERS = [LEAD_SCREW, STEEP_SCREW, BELTS, QUICK_BELTS]
SPEED = 150.0


def limits(printer, model):
    return limits_from({"travel_accel": 3000.0, **printer}, model)


def chosen(length, printer, model, climb=0.4, fall=0.4, steepest=0.5):
    return least_slope(
        length, climb, fall, SPEED, steepest, limits(printer, model).vector(), np.zeros((N_QUEUE, SCRATCH)),
        np.zeros(N_STATE),
    )  # fmt: skip


def seconds(length, slope, printer, model, climb=0.4, fall=0.4):
    """By the slow twin: from rest, up, along, down, to rest."""
    up, down = climb / slope, fall / slope
    steps = [(up, climb), (length - up - down, 0.0), (down, -fall)]
    legs = [Leg(k, (s, 0.0, z), 0.0, SPEED, limits(printer, model)) for k, (s, z) in enumerate(steps) if s > 1e-6]
    return sum(stretch_seconds(legs, model_corner))


def test_on_a_lead_screw_the_free_slope_is_one_in_thirty():
    """100 against 3000 mm/s², and 5 against 150 mm/s; a square corner of 5 mm/s lets twice as sharp a bend pass."""
    assert free_slope(SPEED, limits(LEAD_SCREW, SQUARE_CORNER).vector()) == pytest.approx(1 / 30)
    assert free_slope(75.0, limits(BELTS, SQUARE_CORNER).vector()) == pytest.approx(math.tan(0.12130), abs=1e-4)


def test_on_belts_the_bend_binds_and_not_the_axis():
    """20/150 and 1000/3000 would do, but v² = scv²·(√2 − 1)·s/(1 − s) s = cos(φ/2), at 150 mm/s gives φ = 0.0607."""
    slope = free_slope(SPEED, limits(BELTS, SQUARE_CORNER).vector())
    s = math.cos(math.atan(slope) / 2)
    assert 25.0 * (math.sqrt(2) - 1) * s / (1 - s) == pytest.approx(SPEED**2, rel=1e-9)
    assert slope == pytest.approx(0.0607, abs=1e-4)


def test_by_junction_deviation_a_bend_changes_the_speed_of_z_and_has_its_acceleration():
    """0.013 mm and 100 mm/s²: a bend of 1 in 30 passes 97 mm/s, the free slope at 150 mm/s is 0.0215."""
    lim = limits(LEAD_SCREW, JUNCTION_DEVIATION)
    assert free_slope(SPEED, lim.vector()) == pytest.approx(0.0215, abs=1e-4)
    assert free_slope(97.0, lim.vector()) == pytest.approx(1 / 30, rel=5e-3)


def test_by_axis_jerk_hardly_any_slope_is_free():
    """Z may jump by 0.3 mm/s: 1 in 500 at 150 mm/s; a bend of 1 in 30 slows to 9 mm/s."""
    lim = limits(LEAD_SCREW, AXIS_JERK)
    assert free_slope(SPEED, lim.vector()) == pytest.approx(0.3 / 150)
    assert free_slope(9.0, lim.vector()) == pytest.approx(1 / 30, rel=1e-3)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("printer", PRINTERS)
def test_a_free_slope_costs_nothing_and_a_steeper_one_does(printer, model):
    """800 mm of travel: room for a free slope under every model. Its path is longer by half the slope's square."""
    level = seconds(800.0, 1e-9, printer, model, climb=0.0, fall=0.0)
    free = chosen(800.0, printer, model)
    assert seconds(800.0, free, printer, model) == pytest.approx(level, abs=4e-4)
    assert seconds(800.0, 1.5 * free, printer, model) > level + 6e-4


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("printer", PRINTERS)
@pytest.mark.parametrize("length", [1.7, 3.0, 7.0, 10.0, 22.0, 25.0, 40.0, 80.0])
def test_no_slope_is_quicker_than_the_chosen_one(length, printer, model):
    """Every slope from that of a peak up to 1 in 2 whose top isn't too short, by the slow twin. The few tops
    that are tried come within 1.5 %."""
    gentlest = 0.8 / length
    tried = [slope for slope in np.geomspace(gentlest, 0.5, 300) if slope == gentlest or length - 0.8 / slope >= 0.1]
    least = min(seconds(length, slope, printer, model) for slope in tried)
    assert seconds(length, chosen(length, printer, model), printer, model) <= 1.015 * least


@pytest.mark.parametrize(("climb", "fall"), [(0.6, 0.4), (0.4, 0.7)])
def test_ends_of_different_height_share_one_slope(climb, fall):
    free = free_slope(SPEED, limits(LEAD_SCREW, SQUARE_CORNER).vector())
    assert chosen(80.0, LEAD_SCREW, SQUARE_CORNER, climb, fall) == pytest.approx(free)
    assert chosen(20.0, LEAD_SCREW, SQUARE_CORNER, climb, fall) >= (climb + fall) / 20.0


def test_the_rule_bounds_the_slope():
    """Of a travel too short for it, what a peak needs is told all the same: the shape then steps the rest."""
    assert chosen(800.0, QUICK_BELTS, JUNCTION_DEVIATION, steepest=0.01) == 0.01
    assert chosen(10.0, QUICK_BELTS, JUNCTION_DEVIATION, steepest=0.01) == pytest.approx(0.08)
