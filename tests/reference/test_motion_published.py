"""Published formulas and worked numbers of motion, checked on the kernels and on the clock.

[OSX] OpenStax, College Physics, §2.5 (worked examples 2.9 to 2.13). [KLP] Klipper firmware, commit 84104bbb:
docs/Kinematics.md, docs/Config_Reference.md, klippy/toolhead.py, klippy/kinematics/cartesian.py and extruder.py,
klippy/extras/gcode_arcs.py. [GRBL] grbl, commit bfb67f0c: grbl/planner.c, after S. Jeon, "Improving Grbl: Cornering
Algorithm", 2011. [NIST] NIST RS274NGC Interpreter Version 3, NISTIR 6556. [MDOC] Marlin G-code documentation, commit
9ceeb6e4; [MCFG] Marlin sample configurations, commit 25e9ab23. "worked" marks a number computed from the cited formula.
"""

import math

import numpy as np
import pytest

from liftwright.plan.lane import N_QUEUE, N_STATE, Q_A, Q_START, Q_V, T_LIVE, move_seconds, push_move
from liftwright.plan.limit_commands import after_command
from liftwright.plan.limits import (
    AXIS_JERK,
    JUNCTION_DEVIATION,
    SQUARE_CORNER,
    Limits,
    deviation_of,
    limits_from,
)
from liftwright.plan.slopes import free_slope
from reference.timing import moving_seconds, reference_limits

START = "G90\nM83\n"


def pushed(limits: Limits, *moves: tuple[float, float, float, float, float]) -> np.ndarray:
    """The queue after moves (dx, dy, dz, filament, feed) from rest."""
    queue, state = np.zeros((N_QUEUE, 8)), np.zeros(N_STATE)
    for n, (dx, dy, dz, de, feed) in enumerate(moves):
        push_move(queue, n, state, limits.vector(), dx, dy, dz, math.hypot(dx, dy, dz), de, feed)
    assert state[T_LIVE] == 1.0
    return queue


def corner_speed(limits: Limits, angle: float, length: float = 1000.0) -> float:
    """Speed through a corner of that angle between two level moves; 180° is straight on."""
    turn = math.radians(180.0 - angle)
    fast = 1e5
    second = (length * math.cos(turn), length * math.sin(turn), 0.0, 0.0, fast)
    return math.sqrt(pushed(limits, (length, 0.0, 0.0, 0.0, fast), second)[Q_START, 1])


# Motion along one line.


def test_speed_falls_from_70_to_10_in_40_seconds() -> None:
    """[OSX] example 2.9: v = v0 + a·t, 70.0 m/s, −1.50 m/s², 40.0 s → 10.0 m/s (the way there is their mean × t)."""
    assert move_seconds(0.5 * (70.0 + 10.0) * 40.0, 1.5, 70.0, 70.0**2, 70.0, 10.0) == pytest.approx(40.0, rel=1e-12)


def test_a_dragster_needs_5_56_seconds_for_402_metres() -> None:
    """[OSX] examples 2.10 and 2.11: 26.0 m/s², 5.56 s → 402 m, and 145 m/s after it."""
    top = math.sqrt(2.0 * 26.0 * 402.0)
    assert top == pytest.approx(145.0, abs=0.5)
    assert move_seconds(402.0, 26.0, 0.0, top * top, top, top) == pytest.approx(5.56, abs=0.005)


@pytest.mark.parametrize(("braking", "metres"), [(7.0, 64.3), (5.0, 90.0)])
def test_braking_from_30_metres_a_second_on_dry_and_wet_concrete(braking: float, metres: float) -> None:
    """[OSX] example 2.12; the time of a stop over the printed distance is v/a."""
    assert move_seconds(metres, braking, 30.0, 900.0, 30.0, 0.0) == pytest.approx(30.0 / braking, rel=1e-3)


def test_two_hundred_metres_of_ramp_take_ten_seconds() -> None:
    """[OSX] example 2.13: v0 = 10.0 m/s, a = 2.00 m/s², 200 m → 10.0 s."""
    assert move_seconds(200.0, 2.0, 10.0, 900.0, 30.0, 30.0) == pytest.approx(10.0, rel=1e-12)


@pytest.mark.parametrize(
    ("mm", "feed", "accel", "seconds"),
    [
        (0.2, 5, 100, 0.0894427), (0.25, 5, 100, 0.1), (0.4, 5, 100, 0.13), (0.6, 5, 100, 0.17), (1.0, 5, 100, 0.25),
        (0.4, 12, 400, 0.0633333), (0.4, 10, 100, 0.1264911), (0.4, 25, 30, 0.2309401),
    ],
)  # fmt: skip
def test_z_alone_from_rest_to_rest(mm: float, feed: float, accel: float, seconds: float) -> None:
    """Worked from [KLP] docs/Kinematics.md, trapezoid generator: v1² = v0² + 2·a·d."""
    limits = reference_limits(speed_z=feed, accel_z=accel)
    assert moving_seconds(START + f"G1 Z{mm} F{600 * feed}\n", limits) == [pytest.approx(seconds, abs=1e-6)]


@pytest.mark.parametrize(
    ("mm", "feed", "accel", "seconds"),
    [(7.5, 150, 3000, 0.1), (50, 150, 3000, 0.3833333), (100, 100, 1000, 1.1), (100, 100, 3000, 1.0333)],
)
def test_x_alone_from_rest_to_rest(mm: float, feed: float, accel: float, seconds: float) -> None:
    """Worked as above; the last is a single move of the independent planner (motion/README.md, four digits)."""
    limits = reference_limits(accel=accel)
    assert moving_seconds(START + f"G1 X{mm} F{60 * feed}\n", limits) == [pytest.approx(seconds, abs=4e-5)]


def test_single_moves_of_the_independent_planner() -> None:
    """motion/README.md: Z 0.4 mm at 15 mm/s and 200 mm/s², E 2 mm at 40 mm/s, two moves of 100 mm round a corner."""
    limits = reference_limits(speed_z=15.0, accel_z=200.0)
    assert moving_seconds(START + "G1 Z0.4 F900\n", limits) == [pytest.approx(0.0894, abs=5e-5)]
    assert moving_seconds(START + "G1 E2 F2400\n", limits) == [pytest.approx(0.0633, abs=5e-5)]
    assert sum(moving_seconds(START + "G1 X100 F6000\nG1 Y100\n", limits)) == pytest.approx(2.0634, abs=5e-5)


def test_feed_runs_along_the_xyz_path_and_leaves_the_filament_out() -> None:
    """[NIST] 2.1.2.5 A and [KLP] toolhead.py: duration = √(dx² + dy² + dz²)/F; E does not enter."""
    limits = reference_limits(accel=1e9, speed_z=300.0, accel_z=1e9, speed_e=1e9)
    (seconds,) = moving_seconds(START + "G1 X30 Y40 Z120 E50 F600\n", limits)
    assert seconds == pytest.approx(13.0, rel=1e-6)


def test_feed_runs_along_the_helix() -> None:
    """[NIST] 2.1.2.6: time uses √((rθ)² + Δz²); chords of 1 mm are 4·10⁻⁴ shorter than this arc of 10 mm radius."""
    limits = reference_limits(accel=1e9, speed_z=300.0, accel_z=1e9, square_corner=300.0)
    (seconds,) = moving_seconds(START + "G0 X0 Y0 F6000\nG3 X0 Y0 Z10 I10 F600\n", limits)
    assert seconds == pytest.approx(math.hypot(math.tau * 10.0, 10.0) / 10.0, rel=5e-4)


def test_a_retraction_takes_its_length_over_its_feed() -> None:
    """[KLP] toolhead.py: for the extruder alone the length is |dE|: `G1 E-2 F2400` lasts 0.05 s but for its ramps."""
    (seconds,) = moving_seconds(START + "G1 E-2 F2400\n", reference_limits(accel_e=1e9))
    assert seconds == pytest.approx(0.05, rel=1e-6)


def test_the_head_stands_still_around_a_retraction() -> None:
    """[KLP] `calc_junction` leaves moves of the extruder alone without a junction: both neighbours meet it at rest."""
    whole = sum(moving_seconds(START + "G1 X100 F6000\n", reference_limits()))
    parts = moving_seconds(START + "G1 X50 F6000\nG1 E-2 F2400\nG1 X100 F6000\n", reference_limits())
    assert [parts[0], parts[2]] == [pytest.approx(0.5333333, abs=1e-6)] * 2
    assert parts[0] + parts[2] > whole


# Limits scaled onto sloped moves.


def test_the_z_limits_of_a_ramp() -> None:
    """[KLP] cartesian.py `check_move`: 4 mm × 0.4 mm at 5 mm/s, 100 mm/s² → 50.249378 mm/s, 1004.987562 mm/s²."""
    queue = pushed(reference_limits(), (4.0, 0.0, 0.4, 0.0, 200.0))
    assert queue[Q_V, 0] == pytest.approx(50.249378, abs=1e-6)
    assert queue[Q_A, 0] == pytest.approx(1004.987562, abs=1e-6)


def test_level_moves_know_no_z_limit() -> None:
    """[KLP] cartesian.py: pure XY is not limited by Z."""
    queue = pushed(reference_limits(), (4.0, 3.0, 0.0, 0.0, 200.0))
    assert (queue[Q_V, 0], queue[Q_A, 0]) == (200.0, 3000.0)


def test_the_free_slope_of_a_lead_screw_is_one_in_thirty() -> None:
    """Worked from the same rule (motion/README.md): 100 against 3000 mm/s² and 5 against 150 mm/s."""
    slope = free_slope(150.0, reference_limits().vector())
    assert slope == pytest.approx(1.0 / 30.0)
    queue = pushed(reference_limits(), (12.0, 0.0, 12.0 * slope, 0.0, 150.0))
    assert (queue[Q_V, 0], queue[Q_A, 0]) == (pytest.approx(150.0), pytest.approx(3000.0))


# Corners.


@pytest.mark.parametrize("accel", [500.0, 3000.0])
@pytest.mark.parametrize(
    ("angle", "speed"),
    [
        (170, 52.066660), (150, 17.133314), (135, 11.210865), (120, 8.181562), (90, 5.0), (60, 3.217971),
        (45, 2.533658), (30, 1.901596), (10, 0.994333),
    ],
)  # fmt: skip
def test_square_corner_speed_by_angle(angle: float, speed: float, accel: float) -> None:
    """Worked from [GRBL] planner.c v² = a·δ·sin(θ/2)/(1 − sin(θ/2)) and [KLP] δ = v90²·(√2 − 1)/a, v90 = 5 mm/s."""
    limits = reference_limits(accel=accel, speed=1e5)
    assert corner_speed(limits, angle, 1e6) == pytest.approx(speed, abs=1e-5)


def test_a_reversal_stops_and_a_straight_line_does_not() -> None:
    """[GRBL], [KLP]: 180° is straight on, without limit; towards 0° the speed goes to nothing."""
    for model in (SQUARE_CORNER, JUNCTION_DEVIATION):
        limits = limits_from({"accel": 3000.0, "speed": 300.0}, model)
        assert corner_speed(limits, 0.0) == pytest.approx(0.0, abs=1e-3)
        assert corner_speed(limits, 180.0, 100.0) == pytest.approx(300.0)


@pytest.mark.parametrize(
    ("accel", "deviation"), [(3000, 0.00345178), (1000, 0.01035534), (500, 0.02071068), (5000, 0.00207107)]
)
def test_the_junction_deviation_of_a_square_corner_speed(accel: float, deviation: float) -> None:
    """[KLP] toolhead.py `_calc_junction_deviation`, worked for 5 mm/s."""
    assert deviation_of(5.0, accel) == pytest.approx(deviation, abs=1e-8)


def test_a_corner_of_tiny_moves_is_slower_still() -> None:
    """[KLP] `calc_junction`: v² ≤ ½·d·a·tan(θ/2): 90°, 3000 mm/s², 0.01 mm → 3.872983 mm/s (worked)."""
    queue = pushed(reference_limits(), (1.0, 0, 0, 0, 100.0), (0.0, 0.01, 0, 0, 100.0))
    assert math.sqrt(queue[Q_START, 1]) == pytest.approx(3.872983, abs=1e-6)


def test_a_straight_lift_is_a_right_angle() -> None:
    """Worked from both: it begins at the square-corner speed at most, and no faster than Z may go."""
    for z_speed, speed in ((5.0, 5.0), (2.0, 2.0)):
        limits = reference_limits(speed_z=z_speed, accel_z=3000.0)
        queue = pushed(limits, (100.0, 0, 0, 0, 100.0), (0, 0, 1.0, 0, 100.0))
        assert math.sqrt(queue[Q_START, 1]) == pytest.approx(speed)


def test_the_default_junction_deviation_takes_a_right_angle_at_9_7() -> None:
    """[MCFG] 0.013 mm and 3000 mm/s², worked with [GRBL]'s formula: 9.703315 mm/s."""
    limits = limits_from({"accel_x": 1e6, "accel_y": 1e6}, JUNCTION_DEVIATION)
    assert corner_speed(limits, 90.0) == pytest.approx(9.703315, abs=1e-6)


def test_a_gentle_bend_is_not_free_under_z_jerk() -> None:
    """[MCFG] Z jerk 0.3 mm/s, the commonest: a bend of 1 in 30 passes at 0.3 mm/s over the change of Z's share."""
    queue = pushed(limits_from({}, AXIS_JERK), (60.0, 0, 0, 0, 150.0), (60.0, 0, 2.0, 0, 150.0))
    assert math.sqrt(queue[Q_START, 1]) == pytest.approx(0.3 * math.hypot(30.0, 1.0))


def test_the_extruder_may_step_by_one_millimetre_a_second() -> None:
    """[KLP] extruder.py, instantaneous_corner_velocity 1.0: from travel to a bead of 0.0333 mm/mm at most 30 mm/s."""
    queue = pushed(reference_limits(), (50.0, 0, 0, 0, 100.0), (50.0, 0, 0, 50.0 / 30.0, 100.0))
    assert math.sqrt(queue[Q_START, 1]) == pytest.approx(30.0)


def test_half_of_a_lone_move_is_cruised() -> None:
    """[KLP] Config_Reference, minimum_cruise_ratio 0.5: a 1.5 mm move cruises ≥ 0.75 mm; worked: peak 47.434165."""
    (seconds,) = moving_seconds(START + "G1 X1.5 F18000\n", reference_limits(minimum_cruise=0.5))
    peak = 47.434165
    assert seconds == pytest.approx(2.0 * peak / 3000.0 + 0.75 / peak, abs=1e-7)


def test_a_slow_z_knows_no_cruise_ratio() -> None:
    """[KLP] `limit_speed`: the lowered acceleration is min(highest·(1 − ratio), the move's own)."""
    (seconds,) = moving_seconds(START + "G1 Z0.4 F900\n", reference_limits(minimum_cruise=0.5))
    assert seconds == pytest.approx(0.13, abs=1e-9)


# Limit commands.


def test_m220_scales_feeds() -> None:
    """[MDOC] M220: `M220 S80` makes F1500 run at 1200 mm/min."""
    (seconds,) = moving_seconds(START + "M220 S80\nG1 X200 F1500\n", reference_limits(accel=1e9))
    assert seconds == pytest.approx(10.0, rel=1e-6)


def test_m203_is_in_units_a_second() -> None:
    """[MDOC] M203: `M203 X100` is 100 mm/s, not mm/min."""
    assert after_command(limits_from({}, JUNCTION_DEVIATION), b"M203 X100").get("speed_x") == 100.0


@pytest.mark.parametrize(
    ("command", "bead", "travel"),
    [(b"M204 S800", 800, 800), (b"M204 P900 T700", 700, 700), (b"M204 P900", 3000, 3000), (b"M204 T700", 3000, 3000)],
)
def test_m204_with_one_acceleration(command: bytes, bead: float, travel: float) -> None:
    """[KLP] docs/G-Codes.md: S, or P and T → the lower; one of P and T alone has no effect."""
    limits = after_command(reference_limits(), command)
    assert (limits.get("accel"), limits.get("travel_accel")) == (bead, travel)


def test_m204_with_separate_accelerations() -> None:
    """[MDOC] M204: P print, R retract, T travel; the old S sets print and travel."""
    limits = after_command(limits_from({}, JUNCTION_DEVIATION), b"M204 P900 R600 T700 ; gentle")
    assert [limits.get(name) for name in ("accel", "retract_accel", "travel_accel")] == [900.0, 600.0, 700.0]
    limits = after_command(limits, b"M204 S500")
    assert [limits.get(name) for name in ("accel", "retract_accel", "travel_accel")] == [500.0, 600.0, 500.0]


def test_m205_sets_jerk_or_deviation() -> None:
    """[MDOC] M205: X Y Z E jerk, J junction deviation; S, T and B are no limits of ours."""
    command = b"M205 X8.00 Y8.00 Z0.40 E4.50 J0.02 S0 T0"
    jerk = after_command(limits_from({}, AXIS_JERK), command)
    assert [jerk.get(f"jerk_{axis}") for axis in "xyze"] == [8.0, 8.0, 0.4, 4.5]
    assert after_command(limits_from({}, JUNCTION_DEVIATION), command).get("deviation") == 0.02


def test_the_velocity_limit_command() -> None:
    """[KLP] docs/G-Codes.md SET_VELOCITY_LIMIT: VELOCITY, ACCEL, SQUARE_CORNER_VELOCITY, MINIMUM_CRUISE_RATIO."""
    command = b"SET_VELOCITY_LIMIT VELOCITY=200 ACCEL=12000 SQUARE_CORNER_VELOCITY=8 MINIMUM_CRUISE_RATIO=0.25"
    limits = after_command(reference_limits(), command)
    names = ("speed", "accel", "travel_accel", "square_corner", "minimum_cruise")
    assert [limits.get(name) for name in names] == [200.0, 12000.0, 12000.0, 8.0, 0.25]


# Arcs.


@pytest.mark.parametrize(
    ("model", "chords"),
    [
        (SQUARE_CORNER, 7),  # [KLP] gcode_arcs.py: floor(7.854 mm / 1 mm)
        (JUNCTION_DEVIATION, 18),  # [MCFG] 72 chords a circle within 0.1 to 1 mm: 0.436 mm each
    ],
)
def test_an_arc_is_moved_in_as_many_chords_as_the_firmware_makes(model: str, chords: int) -> None:
    """[MDOC] G2/G3, the quarter circle of radius 5 from (9, 6) to (2, 7) round (5, 3).

    With no limit but the speed, chords of an arc take 2·n·r·sin(θ/2n)/v: the number of chords shows in the time.
    """
    free = {"accel": 1e12, "speed_e": 1e6, "accel_e": 1e12}
    free |= {"square_corner": 1e3} if model == SQUARE_CORNER else {"deviation": 10.0, "accel_x": 1e12, "accel_y": 1e12}
    job = "G0 X9 Y6 F6000\nG4 P0\nG3 X2 Y7 I-4 J-3 F60\n"
    seconds = moving_seconds(START + job, limits_from(free, model))[-1]
    assert seconds == pytest.approx(2.0 * chords * 5.0 * math.sin(math.pi / 4.0 / chords), rel=1e-7)
