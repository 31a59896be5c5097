"""Which moves are one travel, and why a travel is left as it is: one tiny job for each rule."""

from typing import Any

import pytest

from liftwright.terms import neutral_hashes
from unit.small_jobs import AFTER, BEFORE, PLAIN_GAP, PRIME, RETRACT, TRAVEL, job, reason_of, rules, run, travels_of


def gap(*lines: str, before: list[str] = BEFORE, after: list[str] = AFTER) -> dict[str, Any]:
    """What is found of the one gap, by column."""
    found = travels_of(job(*lines, before=before, after=after))
    return {name: column[-1] for name, column in vars(found).items()}


# One travel


def test_a_run_of_moves_is_one_travel_with_one_length():
    """3-4-5 triangles and a way back: lengths add up along the way-points."""
    found = gap("G1 X23 Y14 F9000", "G1 X26 Y18", "G1 X29 Y14", PRIME)
    assert found["length"] == pytest.approx(15.0)
    assert found["active"] == [5, 6, 7]
    assert found["reason"] == "free"


def test_a_lift_may_begin_behind_the_last_wipe_or_retraction_and_ends_before_the_first_prime():
    """Only the two moves between wipe and prime are active."""
    found = gap(RETRACT, "G1 X18 E-0.2", "G1 X30 F9000", TRAVEL, PRIME, "G1 X61 F9000")
    assert found["active"] == [7, 8]
    assert found["length"] == pytest.approx(42.0)
    assert (found["z0"], found["z1"], found["top"]) == (0.2, 0.2, 0.2)


def test_a_line_that_moves_filament_and_z_sets_the_height_at_which_the_travel_starts_or_ends():
    """It is never edited, so z0 is the Z behind it and z1 the Z before it."""
    found = gap("G1 Z0.6 E-1 F1800", TRAVEL, "G1 Z0.2 E1 F1800")
    assert (found["z0"], found["z1"], found["top"]) == (0.6, 0.6, 0.6)


def test_a_gap_without_way_is_counted_apart():
    assert reason_of(RETRACT, "G1 Z0.6 F600", "G1 Z0.2", PRIME) == "no way"


def test_the_speed_of_a_travel_is_its_fastest_xy_move():
    """Z moves on the spot don't count; feeds in mm/min come in mm/s."""
    found = gap("G1 Z0.6 F30000", "G1 X30 F6000", "G1 X60 F9000", "G1 Z0.2 F30000")
    assert found["speed"] == pytest.approx(150.0)


# Retraction


@pytest.mark.parametrize(
    ("lines", "retracted"),
    [
        ([RETRACT, TRAVEL, PRIME], 1),
        ([TRAVEL], 0),
        (["G1 E-0.1 F1800", TRAVEL, "G1 E0.1"], 0),
        (["G1 E-0.101 F1800", TRAVEL, "G1 E0.101"], 1),
        (["G1 X18 E-0.5", TRAVEL, "G1 E0.5"], 1),
        (["G10", TRAVEL, "G11"], 1),
        (["G10 S1", TRAVEL, "G11"], 1),
        (["G10 P0 S205", TRAVEL], 0),
    ],
)
def test_retracted_means_more_than_a_tenth_of_a_millimetre_below_the_highest_e(lines, retracted):
    """Wipes count; a firmware retraction is latched; G10 with P sets temperatures (NISTIR 6556 §3.5.5)."""
    assert gap(*lines)["retracted"] == retracted


def test_a_retraction_may_have_begun_in_an_earlier_gap():
    """Retracted twice as far as primed: half a millimetre of it is left through the bead to the next gap."""
    after = ["G1 X70 Y10 E0.1 F1200", "G1 X80 F9000", "G1 X90 E0.1 F1200"]
    found = travels_of(job("G1 E-1 F1800", TRAVEL, "G1 E0.2", after=after))
    assert (found.retracted[-2:]) == [1, 1]


def test_a_firmware_retraction_stays_latched_until_its_recovery():
    after = ["G1 X70 Y10 E0.5 F1200", "G1 X80 F9000", "G1 X90 E0.1 F1200", "G1 X95 F9000", "G11", "G1 X99 E0.1 F1200"]
    after += ["G1 X95 F9000", "G1 X99 E0.1 F1200"]
    found = travels_of(job("G10", TRAVEL, after=after))
    assert (found.retracted[-4:]) == [1, 1, 1, 0]


def test_each_tool_has_its_own_depth_of_retraction():
    """T1 starts unretracted although T0 was left retracted; back on T0 the depth is still there."""
    change = ["G1 X70 Y10 E0.5 F1200", RETRACT, "T1", "G1 X75 Y10 Z0.2 F9000", "G1 X80 E0.5 F1200"]
    back = ["G1 X85 F9000", "G1 X90 E0.1 F1200", "T0", "G1 X95 Y10 Z0.2 F9000", "G1 X99 E0.5 F1200"]
    tail = ["G1 X50 F9000", "G1 X55 E0.1 F1200"]
    found = travels_of(job(TRAVEL, after=change + back + tail))
    assert (found.retracted[-4:]) == [1, 0, 0, 1]


def test_resetting_e_is_no_retraction():
    """G92 E changes the number, not the filament (firmware documents: no motion)."""
    before = ["M82", "G28", "G1 X10 Y10 Z0.2 F6000", "G1 X20 Y10 E0.5 F1200"]
    assert gap("G92 E0", TRAVEL, before=before)["retracted"] == 0


# Left as they are


@pytest.mark.parametrize(
    "wall",
    ["PARK_HEAD", "M600", "G28 X", "G29", "G30", "M9999", "G53", "/G1 Z9", "T1000", "M0", "M25", "G10 L2 P1 X0",
     "SOME_MACRO NAME=pot", "M84", "%", "M218 T1 X5", "M206 Z1", "M290 Z0.1", "SET_GCODE_OFFSET Z=0.2", "M808 L3",
     "G92.1", "RESTORE_GCODE_STATE NAME=a", "M622 J1", "M623", "M1002 judge_flag pot"],
)  # fmt: skip
def test_a_gap_that_holds_a_wall_is_never_changed(wall):
    """Even where X, Y and Z are seen again before the bead."""
    assert reason_of(RETRACT, TRAVEL, wall, "G1 X60 Y10 Z0.2 F9000", PRIME) == "wall"


def test_the_way_up_to_a_tool_change_is_a_travel_by_itself():
    """It ends where the tool is changed; retractions, primes, waits and travels behind that don't count."""
    behind = ["T1", "M600", "G4 P500", "G1 E-3", "G1 X30 Y30 Z0.2 F9000", "G1 E3", "G1 X60 Y10"]
    found = gap(RETRACT, "G1 X40 Y10 F9000", "M106 S255", *behind)
    assert (found["reason"], found["to_tool"], found["retracted"]) == ("free", 1, 1)
    assert (found["active"], found["length"]) == ([6, 7], pytest.approx(20.0))


@pytest.mark.parametrize(
    ("before", "reason"),
    [
        ([TRAVEL, "M600"], "wall"),
        ([TRAVEL, "T255"], "wall"),
        ([], "wall"),
        (["G1 Z0.5"], "wall"),
        ([PRIME, TRAVEL], "primes before it travels"),
        ([TRAVEL, "G4 P500"], "dwell"),
        (["G1 X40 Y10 F9000", "G1 Z0.1", "G1 Z0.2", TRAVEL], "dips below both ends"),
    ],
)
def test_but_only_where_it_is_certain_and_there_is_a_way(before, reason):
    assert reason_of(RETRACT, *before, "T1", "G1 X60 Y10 Z0.2 F9000", PRIME) == reason


@pytest.mark.parametrize("macro", ["T1000", "T255", "T1.5"])
def test_behind_a_macro_of_that_kind_any_tool_named_is_a_change(macro):
    """Nobody knows which one it has left active; `T0` alone would change nothing."""
    again = [*BEFORE, macro, "G1 X10 Y10 Z0.2 F6000", "G1 X20 Y10 E0.5 F1200"]
    assert reason_of(RETRACT, "T0", TRAVEL, PRIME, before=again) == "wall"
    assert run(job(RETRACT, "T0", TRAVEL, PRIME, before=again))[0].outcome == "unchanged"
    assert reason_of(RETRACT, "T0", TRAVEL, PRIME) == "free"


def test_fixed_shapes_leave_a_gap_in_which_the_tool_is_changed():
    lines = [RETRACT, TRAVEL, "T1", "G1 X61 Y10 Z0.2 F9000", PRIME]
    for shape in ("square", "triangle", "sawtooth", "trapezoid"):
        result, _ = run(job(*lines), shape=shape)
        assert (result.outcome, result.travels) == ("unchanged", {"before the print begins": 1, "wall": 1})


@pytest.mark.parametrize(
    "line",
    ["M104 S200", "M106 S255", "M107", "M117 Z5 *The-End*", "M118 X16.60 Y16.60", "M73 P5", "M204 S900", "M486 S1",
     "M486 A G1 X5", "M220 S100", "M221 S95", "M207 S1 Z0", "M205 X8", "SET_VELOCITY_LIMIT ACCEL=900",
     "EXCLUDE_OBJECT_START NAME=pot", "M900 K1", "T0", "; layer 5", "(rim)", "", "M82", "G21", "G90", "G92 E0",
     "M400", "G94", "G17"],
)  # fmt: skip
def test_commands_that_move_nothing_are_no_reason(line):
    """Temperature, fan, message, progress, acceleration, labels, the active tool named again, modes as they stand."""
    assert reason_of(RETRACT, line, TRAVEL, "M83", PRIME) == "free"


def test_a_command_that_the_printer_entry_names_is_no_wall():
    (printer,) = rules(printer={"neutral": ("LIGHTS_*",)}).printers
    neutral = neutral_hashes(printer, ("LIGHTS_ON", "PARK"))
    assert reason_of(RETRACT, "LIGHTS_ON S=1", TRAVEL, PRIME, neutral=neutral) == "free"
    assert reason_of(RETRACT, "PARK", TRAVEL, PRIME, neutral=neutral) == "wall"


@pytest.mark.parametrize(
    ("lines", "reason"),
    [
        ([RETRACT, "G4 P200", TRAVEL, PRIME], "dwell"),
        (["G4 S1", RETRACT, TRAVEL, PRIME], "dwell"),
        ([RETRACT, "G1 Z0.1 F600", TRAVEL, "G1 Z0.2", PRIME], "dips below both ends"),
        ([RETRACT, "G1 X40 Z0.15 F9000", "G1 X60 Z0.2", PRIME], "dips below both ends"),
        (
            [RETRACT, "G1 Z0.6 F600", "G1 X40 F9000", "G1 Z0.4", "G1 Z0.8", "G1 X60", "G1 Z0.2", PRIME],
            "rises more than once",
        ),
        ([RETRACT, "G1 X40 Z0.6 F9000", "G1 X50 Z0.2", "G1 X55 Z0.6", "G1 X60 Z0.2", PRIME], "rises more than once"),
        ([RETRACT, "G18", TRAVEL, "G17", PRIME], "rotated plane"),
        ([RETRACT, "G19", "G17", TRAVEL, PRIME], "rotated plane"),
        ([RETRACT, TRAVEL, "G18", "G17", PRIME], "rotated plane"),
        ([PRIME, TRAVEL, RETRACT], "primes before it travels"),
        ([RETRACT, PRIME, TRAVEL], "primes before it travels"),
        (["G11", TRAVEL], "primes before it travels"),
        ([RETRACT, "G1 X60 Y10 F9000 M106 S5", PRIME], "wall"),
        ([RETRACT, "(pot) G1 X60 Y10 F9000", PRIME], "shared line"),
        ([RETRACT, "G1 X60 Y10 F9000 H5", PRIME], "wall"),
        ([RETRACT, "G1 X60 Y10 F9000 H", PRIME], "wall"),
        ([RETRACT, "N5 G1 X60 Y10 F9000", PRIME], "shared line"),
        ([RETRACT, "G2 X60 Y10 I20 J0 F9000", PRIME], "arc"),
        ([RETRACT, "G3 X60 Y10 R30 F9000", PRIME], "arc"),
        ([TRAVEL, PRIME, RETRACT], "primes before it travels"),
        ([RETRACT, PRIME, "G1 Z0.4 F600"], "no way"),
        ([RETRACT, "G1 X60 Y10 F30", PRIME], "free"),
        ([RETRACT, "G2 I5 J0 F9000", TRAVEL, PRIME], "arc"),
        ([RETRACT, "G3 X20 Y10 Z0.2 I5 J0 F9000", TRAVEL, PRIME], "arc"),
        ([RETRACT, "G92 X0", "G1 X40 F9000", "G92 X60", PRIME], "shifted position"),
        ([RETRACT, "G92 Z5", TRAVEL, PRIME], "shifted position"),
        ([RETRACT, "G92 Z0.2", TRAVEL, PRIME], "shifted position"),  # no shift as it stands, but one in a lift
        ([RETRACT, "G92 X20 Y10", TRAVEL, PRIME], "free"),
        ([RETRACT, "G18", "G2 X60 Y10 I20 K0 F9000", "G17", PRIME], "wall"),
    ],
)
def test_each_reason_to_leave_a_gap_alone(lines, reason):
    assert reason_of(*lines) == reason


@pytest.mark.parametrize("line", ["T1", "G4 P500", "G18\nG17"])
def test_what_stands_right_before_a_bead_is_no_reason_for_the_gap_behind_it(line):
    """A bead behind a tool change counts on the place of the tool before."""
    assert reason_of(RETRACT, TRAVEL, PRIME, before=[*BEFORE, *line.split("\n"), "G1 X25 E0.5"]) == "free"


EXACT = {"X": 10.16, "Y": 15.24, "Z": 0.254}  # 0.4, 0.6 and 0.01 inches


@pytest.mark.parametrize("axis", [None, *EXACT])
@pytest.mark.parametrize("end", ["start", "goal"])
def test_each_end_of_a_travel_in_inches_must_have_a_number_there(axis, end):
    """What was written in mm, 0.01 mm beside such a place, has none; at the goal it is stated in mm again."""
    start, goal = dict(EXACT), {"X": 20.32, "Y": 25.4, "Z": 0.508}
    if axis:
        (start if end == "start" else goal)[axis] += 0.01
    places = [" ".join(f"{k}{v:.6f}" for k, v in place.items()) for place in (start, goal)]
    before = ["M83", "G28", "G1 X5.08 Y5.08 Z0.254 F6000", f"G1 {places[0]} E0.5"]
    found = gap("G20", "G1 X0.6 F300", "G21", f"G1 {places[1]} F9000", before=before, after=["G1 X50 E0.5"])
    own = axis == "Z" or end == "start"
    assert found["reason"] == ("not exact in these units" if axis and own else "free")


def test_a_shift_counts_where_places_are_written_in_inches():
    """Zero moved to bed X-15.4: 1 inch there is 10 mm, which is no whole number of billionths of an inch by itself."""
    before = ["M83", "G28", "G1 X10 Y10.16 Z0.254 F6000", "G20", "G92 X1", "G1 X1.2 E0.5"]
    assert reason_of("G1 X2 F300", before=before, after=["G1 X3 E0.5"]) == "free"


def test_beads_at_height_zero_are_a_layer():
    before = ["M83", "G28", "G1 X10 Y10 Z0 F6000", "G1 X20 E0.5"]
    assert gap(TRAVEL, before=before, after=["G1 X70 E0.5"])["layer"] == 1


def test_a_place_stated_again_in_inches_is_no_shift():
    """0.653 × 25.4 has no double of its own: what is left of it after the subtraction must not count."""
    before = ["M83", "G28", "G20", "G1 X0.4 Y0.4 Z0.01 F300", "G1 X0.653 E0.01", "G92 X0.653"]
    assert reason_of("G1 X0.9 F300", before=before, after=["G1 X1 E0.01"]) == "free"


def test_a_rise_at_the_layer_change_is_neither_dip_nor_second_rise():
    after = ["G1 X70 Y10 E0.5 F1200"]
    assert reason_of(RETRACT, "G1 Z0.8 F600", TRAVEL, "G1 Z0.4 F600", PRIME, after=after) == "free"
    assert reason_of(RETRACT, "G1 Z0.4 F600", TRAVEL, PRIME, after=after) == "free"
    assert reason_of(RETRACT, "G1 X30 Z0.3 F9000", "G1 X40 Z0.5", TRAVEL, "G1 Z0.4", PRIME, after=after) == "free"


@pytest.mark.parametrize("turn", ["G3 Z0.6 I-1 J0.5 P1", "G2 Z0.6 I-1 J0.5 P2", "G2 X20 Y10 Z0.6 I1.2"])
def test_a_helical_full_turn_is_an_own_lift_whatever_its_p_says(turn):
    """It ends where it began in XY; the turn itself is no way of the travel."""
    found = gap(RETRACT, turn + " F9000", TRAVEL, "G1 Z0.2", PRIME)
    assert found["reason"] == "free"
    assert found["top"] == 0.6
    assert found["length"] == pytest.approx(40.0)


def test_the_strongest_reason_counts():
    """A wall is named even where a dwell and a dip stand beside it."""
    assert reason_of(RETRACT, "G4 P5", "G1 Z0.1 F600", "M600", "G1 X60 Y10 Z0.2 F9000", PRIME) == "wall"


def test_a_travel_whose_feed_nobody_stated_is_left_alone():
    before = ["M83", "G28", "G1 X10 Y10 Z0.2", "G1 X20 Y10 E0.5"]
    after = ["G1 X70 Y10 E0.5"]
    assert reason_of("G1 E-1", "G1 X60 Y10", "G1 E1", before=before, after=after) == "no feed"


# Begin of the print, unknown positions, layers


def test_nothing_before_the_print_begins_is_touched():
    """The gap before the bead with which the print begins is still before it."""
    text = job(RETRACT, TRAVEL, PRIME, after=[*AFTER[:1], "G1 X80 F9000", "G1 X90 E1 F1200"])
    line_of_second_bead = text[: text.index(b"G1 X70")].count(b"\n") + 1
    assert travels_of(text, line_of_second_bead).reason == ["before the print begins"] * 2 + ["free"]


def wall_then(*lines: str) -> list[str]:
    """Reasons of the gaps behind a wall, from the gap of the wall on."""
    return travels_of(job("M600", after=[*lines])).reason[1:]


def test_the_position_is_unknown_until_absolute_x_y_and_z_have_been_seen():
    """X and Y alone don't do; the gap in which the third axis comes is still of unknown start."""
    assert wall_then(
        "G1 X60 Y10 F9000", "G1 X70 E0.5", "G1 X60 Y12 F9000", "G1 X70 E0.5", "G1 Z0.2 F600", "G1 X60 Y14 F9000",
        "G1 X70 E0.5",
    )[:3] == ["wall", "position unknown", "position unknown"]  # fmt: skip


def test_relative_words_do_not_make_a_position_certain():
    assert wall_then(
        "G91", "G1 X60 Y10 Z1 F9000", "G1 X10 E0.5", "G1 X5 F9000", "G1 X70 E0.5", "G90", "M83"
    )[1] == "position unknown"  # fmt: skip


def test_g92_at_an_unknown_place_is_believed_before_the_print_alone():
    """Before it, it sets the zero; later nobody knows where the axis is, whatever is said of it, until it is homed."""
    set_zero = ["G92 Z0", "G1 X10 Y10 Z0.2 F6000", "G1 X20 E0.5"]
    more = ["G1 X60 Y10 F9000", "G1 X70 E0.5"]
    assert travels_of(job(*more, before=["M83", "G28", "G1 X5 Y5", *set_zero])).reason[1] == "free"
    assert wall_then(*set_zero, *more)[-1] == "position unknown"
    homed = wall_then(*set_zero, *more, "G28", *set_zero[1:], *more)
    assert homed[-1] == "layer not fully known"  # its place is, what lies beneath isn't


def layered(*heights: float, unknown_at: tuple[int, ...] = ()) -> bytes:
    """Two beads a layer and a travel between them; at some layers a command nobody knows stands before the first bead,
    after which X and Y alone are seen until the next layer's Z."""
    lines = ["M83", "G28", "G1 X10 Y10 Z0.2 F6000"]
    for number, z in enumerate(heights, 1):
        lines.append(f"G1 X10 Y10 Z{z:g} F9000")
        if number in unknown_at:
            lines += ["DO_THINGS", "G1 X10 Y10 F9000"]
        lines += ["G1 X20 Y10 E0.5 F1200", "G1 X30 Y10 F9000", "G1 X40 Y10 E0.5 F1200"]
    return "\n".join([*lines, ""]).encode()


def test_layers_count_upward_steps_of_bead_height():
    found = travels_of(layered(0.2, 0.4, 0.6, 0.8))
    assert (found.layer[1:]) == [1, 1, 2, 2, 3, 3, 4]


def test_the_count_of_layers_starts_again_when_height_drops_by_more_than_one():
    """One object after the other: from 0.6 down to 0.2 is two layers; from 0.6 to 0.4 is one, and no new beginning."""
    assert (travels_of(layered(0.2, 0.4, 0.6, 0.2, 0.4)).layer[1::2]) == [1, 2, 3, 1, 2]
    assert (travels_of(layered(0.2, 0.4, 0.6, 0.4, 0.6)).layer[1::2]) == [1, 2, 3, 3, 3]


def test_ripple_of_a_levelled_bed_is_no_layer():
    assert (travels_of(layered(0.2, 0.215, 0.2, 0.4)).layer[1::2]) == [1, 1, 1, 2]


def test_after_a_hole_nothing_is_planned_until_the_layer_above_it_is_fully_known():
    """The beads of layer 3 lie nobody knows where; layer 4 covers them; from layer 5 on the ground is known."""
    found = travels_of(layered(0.2, 0.4, 0.6, 0.8, 1.0, 1.2, unknown_at=(3,)))
    words = found.reason
    assert words[3] == "free"  # within layer 2
    assert words[4:6] == ["wall", "position unknown"]
    assert words[6] == "position unknown"  # into layer 4
    within = dict(zip(words[1::2], found.height[1::2], strict=True))
    assert words[7] == "layer not fully known"
    assert words[9] == "free"
    assert within["layer not fully known"] == 0.8


def test_beads_at_an_unknown_height_are_a_hole_before_the_first_layer_too():
    """Nothing said how high they lie; the first known layer covers them, and above it the ground is known."""
    text = b"M83\nG28\nG1 F6000\nG1 X10 Y10\nG1 X20 E0.5\n" + layered(0.2, 0.4, 0.6)[len(b"M83\nG28\n") :]
    reasons = travels_of(text).reason
    assert reasons[:2] == ["before the print begins", "position unknown"]
    assert reasons[2:] == ["layer not fully known", "layer not fully known", "free", "free", "free"]


def test_a_hole_that_reaches_into_the_next_layer_keeps_that_layer_closed_too():
    """The wall stands in layer 3, but layer 4's first beads are unknown as well: free from layer 6 on."""
    head = "M83\nG28\nG1 X10 Y10 Z0.2 F6000\n"
    two = "G1 X20 Y10 E0.5 F1200\nG1 X30 Y10 F9000\nG1 X40 Y10 E0.5 F1200\n"
    known = "".join(f"G1 X10 Y10 Z{z:g} F9000\n{two}" for z in (0.2, 0.4))
    half = two.replace(" Y10", "")
    hole = f"G1 X10 Y10 Z0.6 F9000\n{two}DO_THINGS\nG1 Z0.8 F600\nG1 X10 F9000\n{half}G1 Y10 F9000\n{two}"
    tail = "".join(f"G1 X10 Y10 Z{z:g} F9000\n{two}" for z in (1.0, 1.2, 1.4))
    found = travels_of((head + known + hole + tail).encode())
    free = [round(float(h), 3) for h, k in zip(found.height, found.reason, strict=True) if k == "free"]
    assert 1.0 not in free
    assert 1.2 in free


@pytest.mark.parametrize("before", [True, False])
def test_what_says_how_arcs_are_read_anyway_costs_its_own_gap_alone(before):
    """G91.1: I and J from the start of the arc, as all printer firmware reads them (LinuxCNC documents the command)."""
    lines = ["G28", "G91.1", *BEFORE] if before else [*BEFORE, "G91.1", "G1 X10 Y10 Z0.2", "G1 X20 Y10 E0.5"]
    result, _ = run(job(*PLAIN_GAP, before=lines))
    assert (result.outcome, result.travels["rewritten"]) == ("rewritten", 1)
