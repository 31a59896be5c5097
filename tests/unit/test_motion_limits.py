"""Which limits hold: stated, assumed, set by the job; what is refused and what is ignored."""

import math

import numpy as np
import pytest

from liftwright.plan.limit_commands import after_command
from liftwright.plan.limits import (
    AXIS_JERK,
    COMMONEST,
    JUNCTION_DEVIATION,
    L_AE,
    L_DEVIATION,
    L_SPEED,
    L_VX,
    MODELS,
    NAMES,
    SQUARE_CORNER,
    deviation_of,
    limits_from,
)


def test_without_a_stated_model_corners_are_square_and_that_is_said() -> None:
    limits = limits_from({"speed_z": 12.0})
    assert limits.model == SQUARE_CORNER
    assert "cornering" in limits.assumed
    assert "cornering" not in limits_from({}, SQUARE_CORNER).assumed


@pytest.mark.parametrize("model", MODELS)
def test_what_is_not_stated_is_the_commonest_and_named(model: str) -> None:
    limits = limits_from({}, model)
    assert limits.assumed == set(COMMONEST[model])
    assert (limits.get("speed_z"), limits.get("accel_z")) == (5.0, 100.0)


@pytest.mark.parametrize("model", MODELS)
def test_every_name_of_a_model_can_be_stated(model: str) -> None:
    for name in COMMONEST[model]:
        limits = limits_from({name: 0.5}, model)
        assert limits.get(name) == 0.5
        assert name not in limits.assumed
    assert set(COMMONEST[model]) <= NAMES


def test_one_acceleration_for_beads_and_travels_where_the_firmware_has_one() -> None:
    """A stated travel acceleration is the only one there, not a guess beside it."""
    limits = limits_from({"travel_accel": 1500.0}, SQUARE_CORNER)
    assert limits.get("accel") == 1500.0
    assert "accel" not in limits.assumed
    assert limits_from({"travel_accel": 1500.0}, JUNCTION_DEVIATION).get("accel") == 3000.0


def test_a_stated_print_acceleration_stands_for_the_travels() -> None:
    limits = limits_from({"accel": 900.0}, AXIS_JERK)
    assert limits.get("travel_accel") == 900.0
    assert "travel_accel" not in limits.assumed


def test_stated_planar_speeds_are_the_speed_of_the_firmware_with_one() -> None:
    assert limits_from({"speed_x": 500.0, "speed_y": 450.0}, SQUARE_CORNER).get("speed") == 500.0
    assert limits_from({"speed_x": 500.0}, JUNCTION_DEVIATION).get("speed") == math.inf


@pytest.mark.parametrize(
    ("stated", "text"),
    [
        ({"speed_w": 1.0}, "no limit is called 'speed_w'"),
        ({"speed_z": 0.0}, "speed_z is 0.0; wanted a positive number"),
        ({"speed_z": -1.0}, "speed_z is -1.0; wanted a positive number"),
        ({"speed_z": math.inf}, "speed_z is inf; wanted a positive number"),
        ({"minimum_cruise": 1.0}, "minimum_cruise is 1.0; wanted at least 0 and below 1"),
    ],
)
def test_values_that_no_machine_has_are_refused(stated: dict[str, float], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        limits_from(stated, SQUARE_CORNER)


def test_an_unknown_model_is_refused_with_the_known_ones() -> None:
    with pytest.raises(
        ValueError, match="cornering is 'sharp'; known are square_corner, junction_deviation, axis_jerk"
    ):
        limits_from({}, "sharp")


@pytest.mark.parametrize(
    "command",
    [b"M204", b"M204 S0", b"M204 S-5", b"M204 Sfast", b"M220 S0", b"SET_VELOCITY_LIMIT ACCEL=0", b"M201 X", b"M999 S5"],
)
@pytest.mark.parametrize("model", MODELS)
def test_a_command_without_a_usable_value_changes_nothing(command: bytes, model: str) -> None:
    limits = limits_from({}, model)
    assert after_command(limits, command) == limits


@pytest.mark.parametrize(
    ("model", "command"),
    [
        (SQUARE_CORNER, b"M201 X500"),
        (SQUARE_CORNER, b"M203 Z50"),
        (SQUARE_CORNER, b"M205 X20"),
        (AXIS_JERK, b"SET_VELOCITY_LIMIT ACCEL=500"),
        (AXIS_JERK, b"M205 J0.1"),
        (JUNCTION_DEVIATION, b"M205 X20"),
    ],
)
def test_commands_of_the_other_firmware_change_nothing(model: str, command: bytes) -> None:
    """The firmware of that model doesn't know them (or ignores the word)."""
    limits = limits_from({}, model)
    assert after_command(limits, command) == limits


def test_the_job_may_lower_z_but_not_raise_it_above_the_printer_entry() -> None:
    limits = limits_from({"speed_z": 12.0, "accel_z": 200.0}, AXIS_JERK)
    raised = after_command(after_command(limits, b"M203 Z40"), b"M201 Z900")
    assert (raised.get("speed_z"), raised.get("accel_z")) == (12.0, 200.0)
    assert after_command(limits, b"M203 Z3").get("speed_z") == 3.0


def test_an_assumed_z_limit_gives_way_to_the_jobs() -> None:
    limits = after_command(limits_from({}, AXIS_JERK), b"M203 X200 Z12")
    assert (limits.get("speed_x"), limits.get("speed_z")) == (200.0, 12.0)
    assert {"speed_x", "speed_z"} <= limits.from_job
    assert not {"speed_x", "speed_z"} & limits.assumed


@pytest.mark.parametrize(
    "command",
    [b"M204 P900 T700", b"m204 p900 t700", b"N12 M204 P900 T700", b"M204 P900 T700;gentle", b"M204\tP900  T700.0"],
)
def test_spellings_of_one_command(command: bytes) -> None:
    limits = after_command(limits_from({}, AXIS_JERK), command)
    assert (limits.get("accel"), limits.get("travel_accel")) == (900.0, 700.0)


def test_the_velocity_limit_command_in_lower_case() -> None:
    limits = after_command(limits_from({}, SQUARE_CORNER), b"set_velocity_limit accel=900 ; slow")
    assert limits.get("accel") == 900.0


def test_m221_scales_what_the_extruder_moves() -> None:
    assert after_command(limits_from({}), b"M221 S95").e_factor == pytest.approx(0.95)


def test_the_vector_has_a_place_for_each_limit_and_none_where_none_holds() -> None:
    square = limits_from({"square_corner": 8.0, "accel": 4000.0}, SQUARE_CORNER).vector()
    assert square[L_DEVIATION] == deviation_of(8.0, 4000.0)
    assert (square[L_SPEED], square[L_VX]) == (300.0, np.inf)
    axes = limits_from({}, JUNCTION_DEVIATION).vector()
    assert (axes[L_DEVIATION], axes[L_SPEED], axes[L_VX], axes[L_AE]) == (0.013, np.inf, 300.0, 10000.0)


def test_limits_with_the_same_numbers_but_another_origin_are_not_the_same() -> None:
    limits = limits_from({}, SQUARE_CORNER)
    said = after_command(limits, b"M204 S3000")
    assert np.array_equal(said.vector(), limits.vector())
    assert said.key() != limits.key()
