"""Where published sources disagree: which side we take, by which setting, and what happens when it isn't known.

The thirteen contradictions, each with both sources. [NIST] NISTIR 6556; [LCNC] LinuxCNC documentation
(docs/src/gcode); [MDOC], [MSRC] Marlin documentation 9ceeb6e4 and source; [KLP] Klipper 84104bbb.

Only the first has a setting, since only there the bytes that are written depend on the side:

D1 D2  what G90 and G91 do to E: the printer's `g90_sets_extrusion`. Unknown: the reading with plausible filament; where
       neither stands out the job is refused.
D3 D5  G92: unnamed axes keep their shift. What is written is right for both sides: the job's own numbers, and nothing
       in a gap that shifts.
D4     bare G92: no side; refused.
D6     P of an arc: no side; the line stays, and its end is the programmed one for all.
D7     P of a dwell: milliseconds, for the times that are told alone; a travel that waits is left alone.
D8     G10: a retraction without L and P. With L, or with axes, refused; what else can't be told is a wall.
D9 D13 the end of an arc: the programmed one; the line stays, with a warning beyond the widest published tolerance, that
       of D12.
D10    arcs by R, arcs under G91, inches: read as those who take them do; the lines stay, so that a machine that refuses
       them refuses the job as it came.
D11    line numbers: no side; refused.
"""

import math
from pathlib import Path

import pytest

from property.rewriting import Rewritten
from property.rewriting import press as press_with
from reference.readers import BOTH, PRODUCT, Reader, moves
from reference.slow_words import read_lines
from reference.standard_interpreter import interpret

START = b"G21\nG90\nG0 X0 Y0 Z0 F6000\n"


@pytest.fixture(params=BOTH, ids=lambda reader: reader.name)
def read(request: pytest.FixtureRequest) -> Reader:
    return request.param


def press(job: bytes, shape: str = "triangle", printer: str = "") -> Rewritten:
    """Every travel of 1 mm and more is lifted, retracted or not."""
    return press_with(job, shape, "unretracted: lift", printer)


def travels_of(done: Rewritten) -> dict[str, int]:
    """The travels by what became of them, but for the first, to where the print begins."""
    return {why: count for why, count in done.result.travels.items() if why != "before the print begins"}


def pot(modes: str, absolute: bool, *, resets: bool = False) -> bytes:
    """Two posts of a lattice pot, four layers, 1 mm of filament a bead of 30 mm, written absolutely or relatively."""
    lines, e = ["G28", "M104 S210", modes, "G92 E0"], 0.0
    for layer in range(4):
        for x in (20, 120):
            lines.append(f"G1 X{x} Y20 Z{0.2 + 0.2 * layer:.1f} F9000")
            for step in range(1, 6):
                e = e + 1.0 if absolute and not resets else 1.0
                lines.append(f"G1 X{x + 30 * (step % 2)} Y{20 + step} E{e:.1f} F1200")
                lines += ["G92 E0"] if resets else []
    return "\n".join([*lines, "M104 S0", ""]).encode()


# D1, D2: [MDOC] M082/M083, [MSRC] gcode.h: G90 and G91 set the mode of E too. [KLP] gcode_move.py: they don't.
@pytest.mark.parametrize("setting", [True, False])
@pytest.mark.parametrize("modes", ["M83\nG90", "G91\nG90\nM83\nG90"])
def test_d1_d2_the_printers_setting_decides_the_extruder_mode(modes: str, setting: bool) -> None:
    """`M83 G90`: absolute where G90 sets E, relative where it doesn't; the job that fits the setting is rewritten."""
    done = press(pot(modes, absolute=setting), printer=f"g90_sets_extrusion: {str(setting).lower()}")
    assert done.is_rewritten
    assert done.result.counts["beads"] == 40


@pytest.mark.parametrize("absolute", [True, False])
def test_d1_d2_without_a_setting_plausible_filament_decides(absolute: bool) -> None:
    """Read the wrong way, an absolute job pushes ever more and a relative one nothing: one reading stands out."""
    assert press(pot("M83\nG90", absolute)).is_rewritten


def test_d1_d2_where_neither_reading_stands_out_the_job_is_left_alone() -> None:
    """With G92 E0 behind every bead both readings push the same: the job is refused, and told what to change."""
    done = press(pot("M83\nG90", absolute=True, resets=True))
    assert (done.result.outcome, done.result.reason_code) == ("held", "extrusion_mode")
    assert "g90_sets_extrusion" in done.result.reason


def test_d1_d2_orders_that_all_firmwares_read_alike_need_no_setting() -> None:
    for setting in ("true", "false"):
        assert press(pot("G90\nM83", absolute=False), printer=f"g90_sets_extrusion: {setting}").is_rewritten


def test_d3_an_axis_that_g92_does_not_name_keeps_its_shift(read: Reader) -> None:
    """[NIST] 3.5.18 and [KLP]: not changed. [LCNC] g-code page: its offset becomes zero. We: not changed."""
    row = moves(read(START + b"G1 X10 Y10\nG92 X0 Y0\nG92 X5\nG1 X5 Y1\n"))[-1]
    assert (float(row.x), float(row.y)) == (10.0, 11.0)


def test_d3_d5_what_is_written_holds_whichever_offset_a_machine_makes_of_it() -> None:
    """`G92 Y30` behind a shift of X: the next beads lie 10 mm apart by the two readings, the lifts with them.

    Between (50, 25) and (120, 20), or (150, 25) and (20, 20), in the job's own numbers: the peak is at (85, 22.5).
    """
    job = pot("G90\nM82", absolute=True).replace(b"G1 X20 Y20 Z0.4", b"G92 X140 Y25\nG92 Y30\nG1 X20 Y20 Z0.4")
    done = press(job)
    assert travels_of(done) == {"rewritten": 6, "shifted position": 1}
    assert b"\nG92 X140 Y25\nG92 Y30\nG1 X20 Y20 Z0.4 F9000\n" in done.text
    lifted = [line.split()[1:3] for line in done.text.splitlines() if b";lw" in line]
    assert lifted == [[b"X85.000", b"Y22.500"]] * 6


def test_d4_a_job_with_a_bare_g92_is_refused() -> None:
    """[NIST] 3.5.18: an error. [KLP]: X, Y, Z and E become 0. We: refused, with the line and what to write instead."""
    job = pot("G90\nM82", absolute=True).replace(b"G92 E0", b"G92")
    done = press(job)
    assert (done.result.outcome, done.result.reason_code) == ("held", "bare_g92")
    assert done.text == job
    assert "line 5: G92 without an axis" in done.result.reason


def test_d5_after_g92_the_places_count_not_the_sign_of_an_offset(read: Reader) -> None:
    """[NIST]: offset -3 for `G92 X7` at X=4; [LCNC] coordinates page: the opposite sign. X8 is at bed X5 for both."""
    assert float(moves(read(START + b"G1 X4\nG92 X7\nG1 X8\n"))[-1].x) == 5.0


@pytest.mark.parametrize("turns", [1, 2])
def test_d6_p_on_an_arc_is_not_followed(read: Reader, turns: int) -> None:
    """[LCNC]: P turns in all; [MDOC]: P full circles before the arc. Both end at the programmed point, so we do."""
    row = moves(read(START + f"G2 X0 Y1 Z-1 I1 J0.5 P{turns}\n".encode()))[-1]
    assert (float(row.x), float(row.y), float(row.z)) == (0.0, 1.0, -1.0)
    assert row.known
    assert abs(row.arc.sweep) < 2 * math.pi


def test_d6_an_arc_with_p_keeps_its_words() -> None:
    """What we don't follow we don't write: the line stands in the output as it was, or with another Z alone."""
    job = pot("G90\nM82", absolute=True).replace(b"G1 X120 Y20 Z0.2 F9000", b"G3 X120 Y20 I50 J0 P2 F9000")
    for shape in ("square", "triangle", "sawtooth"):
        arcs = [line for line in press(job, shape).text.splitlines() if line.startswith(b"G3")]
        assert arcs
        assert all(b"P2" in line and b"I50 J0" in line for line in arcs)


def test_d7_a_dwell_of_p500_is_half_a_second(read: Reader) -> None:
    """[NIST] 3.5.4: P seconds. [MDOC] G004, [KLP]: P milliseconds. We are a printer's reader."""
    dwell = next(row for row in read(START + b"G4 P500\n") if row.kind == "DWELL")
    assert float(dwell.value) == 0.5


def test_d7_a_travel_that_waits_is_left_alone_however_long() -> None:
    """Half a second or eight minutes: neither is told by the bytes."""
    wait = b"G4 P500\nG1 X120 Y20 Z0.2 F9000\n"
    done = press(pot("G90\nM82", absolute=True).replace(wait[8:], wait))
    assert travels_of(done) == {"rewritten": 6, "dwell": 1}
    assert wait in done.text


@pytest.mark.parametrize(
    ("line", "kind", "known"),
    [(b"G10 L2 P1 X5", "WALL", False), (b"G10 P0 S205 R140", None, True), (b"G10", "FW_RETRACT", True)],
)
def test_d8_g10_is_a_retraction_only_without_l_and_p(read: Reader, line: bytes, kind: str | None, known: bool) -> None:
    """[NIST] 3.5.5: L2 sets a coordinate system. [MDOC], [KLP]: retraction. With P alone: tool temperatures."""
    rows = read(START + line + b"\nG1 F100\n")
    assert ([row.kind for row in rows if row.kind in ("WALL", "FW_RETRACT")] or [None]) == [kind]
    assert rows[-1].known == known


@pytest.mark.parametrize(
    ("line", "code", "why"),
    [
        (b"G10 L2 P1 X5", "other_origin", "line 4: sets another origin"),
        (b"G10 P1 X5", "other_origin", "line 4: sets another origin"),
        (b"G10 P0 S205 R140", "rewritten", "7 of 8 travels"),
        (b"G10 (eject) S1", "rewritten", "7 of 8 travels"),
    ],
)
def test_d8_a_job_that_sets_coordinates_by_g10_is_refused(line: bytes, code: str, why: str) -> None:
    """In the start code, so that what is only a wall costs no travel."""
    done = press(pot("G90\nM82", absolute=True).replace(b"G90\n", b"G90\n" + line + b"\n"))
    assert done.result.reason_code == code
    assert why in done.result.reason


@pytest.mark.parametrize("end", [b"X10 Y16.4", b"X10 Y16.006", b"X10 Y17"])
def test_d9_an_arc_ends_at_its_programmed_point(read: Reader, end: bytes) -> None:
    """[NIST] 3.5.3.2 errs beyond 0.002 mm, [LCNC] beyond 0.5 mm; [MDOC] "not error-checked", [KLP] forces the end."""
    row = moves(read(START + b"G0 X7 Y7\nG2 " + end + b" I3 J4\n"))[-1]
    assert (float(row.x), float(row.y)) == (10.0, float(end.split(b"Y")[1]))
    assert row.known


@pytest.mark.parametrize(
    "lines", [b"G2 X10 Y16 R5", b"G91\nG2 X3 Y9 I3 J4", b"G20\nG91\nG2 X1 Y1 I1 J0\nG21\nG90\nG0 X10 Y16"]
)
def test_d10_what_one_firmware_refuses_is_read_right_for_the_others(read: Reader, lines: bytes) -> None:
    """[KLP] refuses R, arcs under G91, and inches; [NIST] and [MDOC] allow them."""
    row = moves(read(START + b"G0 X7 Y7\n" + lines + b"\n"))[-1]
    assert (float(row.x), float(row.y)) == (10.0, 16.0)
    assert row.known


@pytest.mark.parametrize(
    "lines",
    [
        b"G2 X120 Y20 R60 F9000",
        b"G91\nG2 X70 Y-5 R60 F9000\nG90",
        b"G91\nG2 X70 Y-5 I35 J0 F9000\nG90",
        b"G20\nG1 X4 Y1 F300\nG21\nG2 X120 Y20 I10",
    ],
)
def test_d10_arcs_stand_as_they_were(lines: bytes) -> None:
    """The travel that holds one is left alone, the others are lifted: no machine gets an arc that wasn't there."""
    job = pot("G90\nM82", absolute=True).replace(b"G1 X120 Y20 Z0.2 F9000", lines)
    done = press(job)
    assert travels_of(done) == {"rewritten": 6, "arc": 1}
    assert lines in done.text


@pytest.mark.parametrize("number", [b"N1", b"N99999", b"N000009", b"N56.78"])
def test_d11_every_line_number_is_seen_and_the_job_refused(number: bytes) -> None:
    """[NIST] 3.3.1: at most five digits; [LCNC]: a decimal as well. Inserted lines would break either count."""
    job = pot("G90\nM82", absolute=True).replace(b"G1 X20 Y20 Z0.4", number + b" G1 X20 Y20 Z0.4")
    done = press(job)
    assert done.result.outcome == "held"
    assert done.result.reason_code == "numbered"
    assert read_lines(number + b" G1 X1")[0].line_number is not None


def test_d12_the_documented_helix_breaks_its_own_rule_from_the_documented_start(tmp_path: Path) -> None:
    """[LCNC] g-code page starts it at (0,0): radii 5.0 and 13.892; [NIST] 3.5.3.2 at (7,7), where it is exact.

    The standard's interpreter itself refuses the first and takes the second. We end both where they say.
    """
    line = b"G2 X10 Y16 I3 J4 Z-1\n"
    _, said = interpret(b"G0 X0 Y0 Z0\n" + line, tmp_path)
    assert "adius" in said
    points, said = interpret(b"G0 X7 Y7 Z0\n" + line, tmp_path)
    assert said == ""
    assert (points[-1].x, points[-1].y, points[-1].z) == (10.0, 16.0, -1.0)
    for start in (b"G0 X0 Y0 Z0\n", b"G0 X7 Y7 Z0\n"):
        row = moves(PRODUCT(start + line))[-1]
        assert (row.x, row.y, row.z, row.known) == (10.0, 16.0, -1.0, True)


@pytest.mark.parametrize(("start", "warned"), [("X0 Y0", True), ("X7 Y7", False)])
def test_d12_a_job_with_the_documented_helix_is_warned_of_from_the_documented_start(start: str, warned: bool) -> None:
    arc = f"G1 {start} Z1.4\nG2 X10 Y16 I3 J4 Z0.4\nG1 X20 Y20 Z0.4".encode()
    done = press(pot("G90\nM82", absolute=True).replace(b"G1 X20 Y20 Z0.4", arc))
    assert done.result.outcome == "rewritten"
    assert arc in done.text
    assert any("at another distance from their centre" in text for text in done.result.warnings) == warned


def test_d13_an_arc_that_only_one_firmware_takes_stands_as_it_was() -> None:
    """[KLP] test/klippy/gcode_arcs.test: from X20 Y20, `G2 X125 Y32 I10.5 J10.5`, radii 14.849 and 94.512, accepted.

    [NIST], [LCNC] and grbl reject it. We leave the line alone, go on from its programmed end, and warn.
    """
    job = pot("G90\nM82", absolute=True)
    arc = b"G2 X125 Y32 I10.5 J10.5 E60"
    job = job.replace(b"G1 X20 Y20 Z0.4", b"G1 X20 Y20 Z0.4 E50\n" + arc + b"\nG92 E0\nG1 X20 Y20 Z0.4")
    done = press(job)
    assert done.result.outcome == "rewritten"
    assert arc in done.text.splitlines()
    line = job.splitlines().index(arc) + 1
    assert any(f"than they begin: 1, the first in line {line};" in text for text in done.result.warnings)


# [LCNC] "Center Format Arcs": an error beyond 0.5 mm, or beyond 0.005 mm and 0.1 % of the radius; [NIST] 0.002 mm.
@pytest.mark.parametrize(
    ("end", "warned"), [("X10 Y16", False), ("X10 Y16.0049", False), ("X10 Y16.006", True), ("X10 Y16.6", True)]
)
@pytest.mark.parametrize("e", ["E50.4", ""])
def test_d13_arcs_are_warned_of_beyond_the_published_tolerance(end: str, warned: bool, e: str) -> None:
    """From (7,7) about (10,11), radius 5 ([NIST] 3.5.3.2): a bead or a travel, with the end off by so much."""
    arc = f"G1 X7 Y7 Z0.4 E50\nG2 {end} I3 J4 {e}\nG92 E0\nG1 X20 Y20 Z0.4".encode()
    done = press(pot("G90\nM82", absolute=True).replace(b"G1 X20 Y20 Z0.4", arc))
    assert any("at another distance from their centre" in text for text in done.result.warnings) == warned


@pytest.mark.parametrize("line", [b"G0 X+0. 12 34 Y7", b"g0x +0. 12 34y 7"])
def test_a_number_with_blanks_inside_is_no_certain_place(read: Reader, line: bytes) -> None:
    """[NIST] 3.3: 0.1234; Marlin's strtof stops at the blank: 0; [KLP] float() fails. We don't guess."""
    rows = read.or_refused(START + line + b"\n")
    assert rows is None or not rows[-1].known


@pytest.mark.parametrize("line", [b"G91 G1 Z5 F3000", b"G1 X5 G1 X6"])
def test_two_commands_on_a_line_leave_the_position_uncertain(read: Reader, line: bytes) -> None:
    """[NIST] 3.8 obeys all of them in its own order; [MSRC] and [KLP] the first, with the rest as its parameters."""
    rows = read(START + line + b"\nG90\nG1 F100\nG1 X1 Y1 Z1\n")
    assert [row.known for row in rows[-2:]] == [False, True]
