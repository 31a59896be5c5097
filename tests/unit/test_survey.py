"""The first pass: where the print begins, how far its beads reach, how plausible its filament is."""

import io
import math

import numpy as np
import pytest

from liftwright.job.facts import comment_key_hashes
from liftwright.job.survey import Survey, survey
from unit.small_jobs import AFTER, BEFORE, job, run

AREA = math.pi * 1.75**2 / 4


def surveyed(text: bytes, *, g90: bool = True, chunk: int = 1 << 19, keys: dict[str, str] | None = None) -> Survey:
    hashes = comment_key_hashes(keys).view(np.uint64) if keys else np.zeros(0, np.uint64)
    nothing = np.zeros(0, np.uint64)
    return survey(
        io.BytesIO(text), g90_sets_extrusion=g90, keys=hashes, neutral=nothing, filament_area=AREA,
        tick=lambda done: None, chunk=chunk,
    )  # fmt: skip


def begins_at(*lines: str) -> str:
    """The line of the bead with which the print begins."""
    text = "\n".join([*lines, ""])
    return lines[surveyed(text.encode()).begin_line - 1]


HOME = ["M83", "G28", "G1 X5 Y5 Z0.3 F6000"]
PRIME_LINE = ["G1 X100 E9 F1200", "G1 Y6 E1", "G1 X5 E9"]
FIRST, SECOND = "G1 X20 Y20 E0.5 F1200", "G1 X30 Y20 E0.5"


def test_the_print_begins_at_its_first_bead_where_nothing_odd_follows():
    assert begins_at(*HOME, FIRST, SECOND) == FIRST


@pytest.mark.parametrize("odd", ["G28 X", "G29", "CLEAN_NOZZLE", "M9999", "G30"])
def test_prime_lines_before_homing_probing_or_an_unknown_command_are_no_part_of_it(odd):
    assert begins_at(*HOME, *PRIME_LINE, odd, "G1 X10 Y20 Z0.3 F6000", FIRST, SECOND) == FIRST


@pytest.mark.parametrize("plain", ["M104 S200", "M600", "T1", "G4 P100", "G92 E0", "M117 Prime"])
def test_heaters_pauses_tools_and_dwells_do_not_put_the_beginning_off(plain):
    """They may stand anywhere in a print; only homing, probing and the unknown speak of start code."""
    assert begins_at(*HOME, *PRIME_LINE, plain, "G1 X10 Y20 Z0.3 F6000", FIRST, SECOND) == PRIME_LINE[0]


def layers(first: int, *between: str) -> list[str]:
    """`first` beads of the first layer, the lines between, one bead of the second layer."""
    beads = [f"G1 X{20 + k % 2 * 10} Y{20 + k} E0.5 F1200" for k in range(first)]
    return [*HOME, *beads, *between, "G1 X10 Y20 Z0.6 F6000", "G1 X50 Y50 E0.5", "G1 X60 Y50 E0.5"]


def test_a_command_between_two_layers_is_within_neither():
    """Twenty beads of the first layer stand before it: it is no start code."""
    assert begins_at(*layers(20, "TIMELAPSE_TAKE")) == "G1 X20 Y20 E0.5 F1200"


def test_unless_hardly_anything_was_laid_before_it():
    """A prime line at another height than the print's first layer."""
    assert begins_at(*layers(3, "CLEAN_NOZZLE")) == "G1 X50 Y50 E0.5"


def test_a_command_within_the_first_layer_begins_it_anew_however_much_was_laid():
    lines = [*layers(20)[:-3], "CLEAN_NOZZLE", "G1 X10 Y20 Z0.3 F6000", FIRST, "G1 X30 Y21 E0.5"]
    assert begins_at(*lines) == FIRST


def test_once_the_second_layer_stands_nothing_begins_the_print_again():
    lines = [*layers(20), "G28 X", "G1 X10 Y20 Z0.6 F6000", SECOND, "G1 X35 Y21 E0.5"]
    assert begins_at(*lines) == "G1 X20 Y20 E0.5 F1200"


def test_bounds_counts_and_top_are_of_the_print_alone():
    """The prime line at X 5 to 100 is none of it; moves without filament don't count."""
    lines = [*HOME, *PRIME_LINE, "CLEAN_NOZZLE", "G1 X10 Y20 Z0.3 F6000", FIRST, SECOND, "G1 X99 Y99 Z50"]
    found = surveyed("\n".join([*lines, ""]).encode())
    assert found.bounds == (10.0, 30.0, 20.0, 20.0)
    assert (found.z_top, found.beads, found.layers) == (0.3, 2, 1)
    assert found.reach == pytest.approx(math.hypot(30, 20))
    assert (found.filament, found.way) == (pytest.approx(1.0), pytest.approx(20.0))


def test_arcs_reach_as_far_as_their_circle_where_they_pass_it():
    """A half circle about (20, 20) of radius 10, once over the top, once below."""
    over = surveyed("\n".join([*HOME[:2], "G1 X10 Y20 Z0.3 F6000", "G2 X30 Y20 I10 E1 F1200", ""]).encode())
    under = surveyed("\n".join([*HOME[:2], "G1 X10 Y20 Z0.3 F6000", "G3 X30 Y20 I10 E1 F1200", ""]).encode())
    assert over.bounds == pytest.approx((10, 30, 20, 30))
    assert under.bounds == pytest.approx((10, 30, 10, 20))
    assert over.way == under.way == pytest.approx(10 * math.pi)
    assert over.reach == pytest.approx(math.hypot(20, 20) + 10)
    assert under.reach == pytest.approx(math.hypot(30, 20))


def test_layers_count_upward_steps():
    lines = list(HOME)
    for z in (0.2, 0.4, 0.41, 0.6, 0.8):
        lines += [f"G1 X10 Y10 Z{z} F6000", "G1 X20 E0.5 F1200", "G1 X30 E0.5"]
    assert surveyed("\n".join([*lines, ""]).encode()).layers == 4


def test_beads_that_rise_are_counted_as_a_share():
    lines = [*HOME, "G1 X20 E0.5 F1200", "G1 X30 Z0.4 E0.5", "G1 X40 Z0.5 E0.5", "G1 X50 E0.5", ""]
    assert surveyed("\n".join(lines).encode()).rising == 0.5


def test_plausible_filament_is_that_of_a_bead_a_nozzle_can_lay():
    """0.033 mm of filament a mm is 0.08 mm² of bead; a thousandth of it or a hundred times is none (stated bounds)."""
    for e, share in (("0.33", 1.0), ("0.00033", 0.0), ("33", 0.0)):
        lines = [*HOME[:2], "G1 X10 Y10 Z0.2 F6000", f"G1 X20 E{e} F1200", f"G1 X30 E{e}", ""]
        assert surveyed("\n".join(lines).encode()).plausible == share


@pytest.mark.parametrize("order", [["M83", "G90"], ["G91", "M82", "G90"]])
def test_where_firmwares_differ_about_the_extruder_the_reading_is_counted_as_ambiguous(order):
    """Only M83 before G90, and G91 before M82, mean different things to published firmwares (contradiction D2)."""
    text = job(before=["G28", *order, *BEFORE[2:]])
    assert (surveyed(text).ambiguous > 0) == (order == ["M83", "G90"])
    text = job(before=["G28", "G91", "M82", *BEFORE[2:]])
    assert surveyed(text).ambiguous > 0


def absolute_e(*order: str) -> bytes:
    """A print whose E only makes sense as absolute: every bead's number is the sum so far."""
    lines = ["G28", *order, "G1 X10 Y10 Z0.2 F6000"]
    lines += [f"G1 X{20 + 10 * (k % 2)} Y{10 + k} E{0.5 * (k + 1):.2f} F1200" for k in range(60)]
    lines += ["G1 X60 Y90 F9000", "G1 X70 E30.5 F1200"]
    return "\n".join([*lines, "M104 S0", ""]).encode()


def relative_e(*order: str) -> bytes:
    lines = ["G28", *order, "G1 X10 Y10 Z0.2 F6000"]
    lines += [f"G1 X{20 + 10 * (k % 2)} Y{10 + k} E{(0.3, 0.6, 0.4)[k % 3]} F1200" for k in range(60)]
    return "\n".join([*lines, "G1 X60 Y90 F9000", "G1 X70 E0.5 F1200", "M104 S0", ""]).encode()


def test_an_ambiguous_extruder_mode_is_decided_by_which_reading_gives_plausible_filament():
    """M83 then G90: absolute to one firmware, relative to the other; the job's own numbers tell which is meant."""
    for text in (absolute_e("M83", "G90"), relative_e("M83", "G90")):
        result, _ = run(text, unretracted="lift")
        assert result.outcome == "rewritten"


def test_a_job_that_reads_as_well_either_way_is_not_touched():
    """Two beads whose numbers are plausible as sums and as steps."""
    result, _ = run(job("G1 X60 Y10 F9000", before=["M83", "G28", "G90", *BEFORE[2:]],
                        after=["G1 X70 Y10 E1 F1200", "M104 S0"]), unretracted="lift")  # fmt: skip
    assert (result.outcome, result.reason_code) == ("held", "extrusion_mode")


def test_comments_with_wanted_keys_are_noted_with_their_lines():
    text = b"; material = PETG\n;printer: bench\n; other = 5\nG28\n; material = PLA\n;material=ABS\n"
    found = surveyed(text, keys={"material": "material", "printer": "printer"})
    assert found.notes == (
        ("material", "PETG", 1),
        ("printer", "bench", 2),
        ("material", "PLA", 5),
        ("material", "ABS", 6),
    )


def test_unknown_commands_are_listed_once():
    found = surveyed(job("LIGHTS_ON", "lights_on RED=1", "PARK"))
    assert [name.upper() for name in found.unknown] == ["LIGHTS_ON", "PARK"]


def test_the_survey_does_not_depend_on_where_it_cuts():
    text = job(*["G1 X60 Y10 F9000", "LIGHTS_ON", "G1 X70 Y10 E0.5", "; material = PETG"] * 20, after=AFTER)
    whole, cut = surveyed(text, keys={"material": "material"}), surveyed(text, chunk=64, keys={"material": "material"})
    for name in ("size", "beads", "begin_line", "last_line", "bounds", "reach", "z_top", "layers", "notes", "unknown",
                 "ends_in_newline", "ends_in_bead", "retractions"):  # fmt: skip
        assert getattr(whole, name) == getattr(cut, name)
    assert (whole.filament, whole.way) == pytest.approx((cut.filament, cut.way))
