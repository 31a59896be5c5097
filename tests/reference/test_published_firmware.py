"""What printer firmware documents say with a figure, checked on the slow reader and on the product.

[MDOC] is the Marlin G-code documentation, commit 9ceeb6e4 (marlinfw.org/docs/gcode); [MSRC] Marlin's queue.cpp and
gcode.h; [KLP] Klipper commit 84104bbb (klippy/extras/gcode_move.py, klippy/gcode.py, docs/G-Codes.md).
"""

import math

import pytest

from reference.readers import BOTH, Reader, arc_length, moves
from reference.slow_words import checksum, read_lines

START = b"G21\nG90\nG0 X0 Y0 Z0\n"


@pytest.fixture(params=BOTH, ids=lambda reader: reader.name)
def read(request: pytest.FixtureRequest) -> Reader:
    return request.param


# Marlin: G90 and G91 set the E mode too, M82/M83 as well: the last one holds ([MDOC] M082, M083; [MSRC] gcode.h).
# Klipper: E is absolute only while both G90 and M82 hold ([KLP] gcode_move.py).
ORDERS = [
    ("M83 G90", True, False),
    ("M83 G91", False, False),
    ("M82 G91", False, False),
    ("G91 M82", True, False),
    ("G91 M83", False, False),
    ("G90 M83", False, False),
    ("M82 G90", True, True),
    ("G90 M82", True, True),
]


@pytest.mark.parametrize("g90_sets_extrusion", [True, False])
@pytest.mark.parametrize(("order", "marlin", "klipper"), ORDERS)
def test_the_truth_table_of_the_extruder_mode(
    read: Reader, order: str, marlin: bool, klipper: bool, g90_sets_extrusion: bool
) -> None:
    """Eight orders in two dialects: absolute makes `E5` after `E4` push 1, relative pushes 5."""
    absolute = marlin if g90_sets_extrusion else klipper
    lines = [b"G92 E4", *order.encode().split(), b"G1 X1 E5"]
    row = moves(read(START + b"\n".join(lines) + b"\n", g90_sets_extrusion))[-1]
    assert float(row.de) == (1.0 if absolute else 5.0)


def test_the_dialects_differ_in_exactly_two_orders() -> None:
    """`M83 G90` and `G91 M82`, as the two documents imply; everything else needs no setting."""
    assert [order for order, marlin, klipper in ORDERS if marlin != klipper] == ["M83 G90", "G91 M82"]


def test_positions_and_the_extruder_begin_absolute(read: Reader) -> None:
    """[MDOC] G090 and [MSRC] gcode.h: G90 and M82 are the defaults."""
    rows = moves(read(b"G28\nG1 X10 Y10 Z1 E1 F600\nG1 X12 E3\n"))
    assert (float(rows[-1].x), float(rows[-1].de)) == (12.0, 2.0)


def test_a_g0_with_e_extrudes(read: Reader) -> None:
    """[MDOC] G000-G001: on Cartesian and delta machines G0 must be a direct alias of G1."""
    assert moves(read(START + b"G0 X5 E1 F600\n"))[-1].kind == "BEAD"


@pytest.mark.parametrize(("move", "feed"), [(b"G1 X50 Y25.3 E22.4", 1500.0), (b"G1 X50 Y25.3 E22.4 F3000", 3000.0)])
def test_feed_is_modal_and_a_minute(read: Reader, move: bytes, feed: float) -> None:
    """[MDOC] G000-G001, the page's own example; XY length 56.036506 mm, so 2.241460 s at F1500 (computed)."""
    row = moves(read(START + b"G1 F1500\nG92 E0\n" + move + b"\n"))[-1]
    assert float(row.feed) == pytest.approx(feed / 60, abs=1e-12)
    length = math.hypot(float(row.x), float(row.y))
    assert length == pytest.approx(56.036506, abs=1e-6)
    assert length / float(row.feed) == pytest.approx({1500.0: 2.241460, 3000.0: 1.120730}[feed], abs=1e-6)


def test_a_tool_word_with_a_feed_does_not_set_the_modal_feed_of_the_next_move_unseen(read: Reader) -> None:
    """[MDOC] T: `T1 F1800` is the feed of the change; the modal feed before it was F600."""
    row = read(START + b"G1 X1 F600\nT1 F1800\nG1 X2 Y2 Z2\n")[-1]
    assert float(row.feed) == pytest.approx(10.0)


def test_g92_with_values_moves_nothing(read: Reader) -> None:
    """[MDOC] G092: after `G92 X10 E90` the current X is 10 and E 90: X11 is 1 mm on, E91 pushes 1."""
    row = moves(read(START + b"G1 X3 E1 F600\nG92 X10 E90\nG1 X11 E91\n"))[-1]
    assert (float(row.x), float(row.de)) == (4.0, 1.0)


def test_g92_of_the_standards_example(read: Reader) -> None:
    """NISTIR 6556, 3.5.18: at X=4, `G92 X7`, then `G92 X9`; a later `G90 X9` moves 0 mm, at bed X=4."""
    rows = moves(read(START + b"G1 X4 F600\nG92 X7\nG92 X9\nG90\nG1 X9\n"))
    assert [float(row.x) for row in rows[-2:]] == [4.0, 4.0]


def test_g91_has_no_effect_on_g92(read: Reader) -> None:
    """NISTIR 6556, 3.5.18: `G91`, `G92 E0` sets E to 0."""
    row = moves(read(START + b"M83\nG1 X1 E5 F600\nG91\nG92 E0\nG90\nM82\nG1 X2 E1\n", True))[-1]
    assert float(row.de) == 1.0


def test_g92_e_changes_later_absolute_words_alone(read: Reader) -> None:
    """[KLP] gcode_move.py: base = last - value; no motion, the filament pushed so far stays."""
    rows = moves(read(START + b"M82\nG1 X1 E5 F600\nG92 E0\nG1 X2 E1\nG92 E1\nG1 E-1\n"))
    assert [float(row.de) for row in rows[-3:]] == [5.0, 1.0, -2.0]


def test_g92_1_takes_the_shifts_away(read: Reader) -> None:
    """[MDOC] G092: back to the native coordinates; where that is in the job's numbers must be stated anew."""
    rows = moves(read(START + b"G92 X10 Y5 Z1\nG1 X20 Y5 Z1\nG92.1\nG1 X20\nG1 Y5\nG1 X20 Y5 Z7\n"))
    assert (float(rows[1].x), float(rows[1].y), float(rows[1].z)) == (10.0, 0.0, 0.0)
    assert (float(rows[-1].x), float(rows[-1].y), float(rows[-1].z)) == (20.0, 5.0, 7.0)
    assert [row.known for row in rows[1:]] == [True, False, False, True]


def test_m220_and_m221_leave_the_logical_words_alone(read: Reader) -> None:
    """[MDOC] M220, M221; [KLP] keeps the logical E constant: the rows hold what the job says."""
    row = moves(read(START + b"G1 X1 E1 F1500\nM220 S80\nM221 S90\nG1 X2 E2\n"))[-1]
    assert (float(row.de), float(row.feed)) == (1.0, 25.0)


def test_volumetric_extrusion_is_divided_by_the_filament(read: Reader) -> None:
    """[MDOC] M200: with D1.75 the E words are mm³; 2.405281875 mm³ is 1 mm (π·1.75²/4); D0 or S0 ends it."""
    rows = moves(
        read(START + b"M83\nM200 D1.75\nG1 X1 E2.405281875 F600\nM200 D0\nG1 X2 E2\nM200 D1.75\nM200 S0\nG1 X3 E3\n")
    )
    assert [float(row.de) for row in rows[-3:]] == pytest.approx([1.0, 2.0, 3.0], abs=1e-9)


@pytest.mark.parametrize("line", [b"G10 L2 P1 X5", b"G10 P0 S205.0 R140.0", b"G10 P0 S240"])
def test_g10_with_l_or_p_is_no_retraction(read: Reader, line: bytes) -> None:
    """NISTIR 6556, 3.5.5: G10 L2 P sets coordinate data; tool temperatures are G10 P (seen in real jobs)."""
    rows = read.or_refused(START + line + b"\n")
    assert rows is None or all(row.kind != "FW_RETRACT" for row in rows)


@pytest.mark.parametrize(("line", "kind"), [(b"G10", "FW_RETRACT"), (b"G11", "FW_PRIME"), (b"g10 s1", "FW_RETRACT")])
def test_bare_g10_and_g11_are_firmware_retraction(read: Reader, line: bytes, kind: str) -> None:
    """[MDOC] G010, G011; [KLP] firmware_retraction.py: neither moves X or Y."""
    row = read(START + line + b"\n")[-1]
    assert row.kind == kind
    assert row.known


@pytest.mark.parametrize(("line", "seconds"), [(b"G4 P500", 0.5), (b"G4 S2", 2.0), (b"G4 S1 P500", None)])
def test_a_dwell_counts_milliseconds_in_p_and_seconds_in_s(read: Reader, line: bytes, seconds: float | None) -> None:
    """[MDOC] G004: S seconds, P milliseconds; with both, Marlin takes S. [KLP]: P milliseconds."""
    row = next(row for row in read(START + line + b"\n") if row.kind == "DWELL")
    if seconds is not None:
        assert float(row.value) == pytest.approx(seconds)
    else:
        assert float(row.value) in (pytest.approx(1.0), pytest.approx(1.5))


@pytest.mark.parametrize("line", [b"G3 X2 Y7 I-4 J-3", b"G3 X2 Y7 R5", b"g3x2y7i-4j-3"])
def test_the_documented_arc_in_both_formats(read: Reader, line: bytes) -> None:
    """[MDOC] G002-G003, figure: from (9,6) both give centre (5,3), r=5, a quarter turn, 7.853982 mm (computed)."""
    rows = moves(read(START + b"G0 X9 Y6\n" + line + b"\n"))
    assert (float(rows[-1].arc.cx), float(rows[-1].arc.cy)) == (pytest.approx(5.0), pytest.approx(3.0))
    assert rows[-1].arc.sweep == pytest.approx(math.pi / 2)
    assert arc_length(rows[-2], rows[-1]) == pytest.approx(7.853982, abs=1e-6)


def test_e_of_an_arc_is_its_e_word(read: Reader) -> None:
    """[MDOC] G002-G003: Z and E are interpolated over the arc, whatever the segments are."""
    row = moves(read(START + b"M83\nG2 X0 Y0 I5 E3.5 F600\n"))[-1]
    assert (row.kind, float(row.de)) == ("BEAD", 3.5)


TEXTS = [
    b"M117 Z5 (hi)",
    b"M117 *The-End*",
    b"M118 X16.60 Y16.60",
    b"M117 G1 X5 Y5 Z5",
    b'M486 S3\nM486 A"X5 Z9"',
    b"M73 P25 R43",
    b"EXCLUDE_OBJECT_DEFINE NAME=pot CENTER=50,50 POLYGON=[[40,40],[50,60],[60,40]]",
    b"EXCLUDE_OBJECT_START NAME=X5_Y5",
    b"EXCLUDE_OBJECT_END NAME=X5_Y5",
    b"SET_VELOCITY_LIMIT ACCEL=3000 ACCEL_TO_DECEL=1500",
    b"M205 X8.00 Y8.00 Z0.40 E4.50",
    b"M201 X1000 Y1000 Z200 E5000",
    b"M203 X200 Y200 Z12 E120",
    b"M204 P1250 R1250 T1250",
]


@pytest.mark.parametrize("text", TEXTS)
def test_axis_letters_of_commands_that_move_nothing_are_no_words(read: Reader, text: bytes) -> None:
    """[MSRC] queue.cpp; [MDOC] M117, M486, M73, M201-M205; [KLP] docs/Exclude_Object.md: still at (1,2,3), certain."""
    row = read(START + b"G1 X1 Y2 Z3 F600\n" + text + b"\nG1 F700\n")[-1]
    assert row.known
    assert (float(row.x), float(row.y), float(row.z), row.kind) == (1.0, 2.0, 3.0, "FEED")


@pytest.mark.parametrize(
    "line",
    [
        b"G28",
        b"G 28 W",
        b"G28 X0",
        b"G29",
        b"G29.1 Z-0.02",
        b"M132 X Y Z",
        b"G380 S2 Z30 F1200",
        b"START_PRINT X=5",
        b"M600",
    ],
)
def test_what_may_move_leaves_the_position_uncertain(read: Reader, line: bytes) -> None:
    """Homing, probing and unknown commands ([MDOC] G028, G029, M600): nothing is known until X, Y and Z were seen."""
    rows = read(START + b"G1 X1 Y2 Z3 F600\n" + line + b"\nG1 X5\nG1 Y5\nG1 X6 Y6 Z6\n")
    walls = [row for row in rows if row.kind == "WALL"]
    assert walls
    assert not walls[-1].known
    assert [row.known for row in moves(rows)[-3:]] == [False, False, True]


# 3D Printing Stack Exchange, question 3118; Hubs forum talk/t/7401 (2016) with its byte list; RepRap wiki "G-code",
# Checking (that pair from memory). The rule: [MSRC] queue.cpp get_serial_commands.
CHECKED = [
    (b"N0 M106*36", 36),
    (b"N1 G28*18", 18),
    (b"N2 M107*39", 39),
    (b"N10 G92 X0 Y0 Z0 A0 B0*107", 0x6B),
    (b"N3 T0*57", 57),
    (b"N4 G92 E0*67", 67),
]


@pytest.mark.parametrize(("line", "value"), CHECKED)
def test_published_checksums(line: bytes, value: int) -> None:
    """XOR of every byte before the last `*`; the reader of the tests finds the same number in the line."""
    assert checksum(line) == value
    assert read_lines(line)[0].checksum == value
