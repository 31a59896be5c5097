"""Published grammar and sample programs of the standard, read by the slow reader and by the product.

[NIST] is T. R. Kramer, F. M. Proctor, E. Messina, "The NIST RS274NGC Interpreter - Version 3", NISTIR 6556, National
Institute of Standards and Technology, 17 August 2000 (read in a transcription; section numbers are the report's).
[LCNC] is the LinuxCNC documentation, docs/src/gcode/g-code.adoc. Lengths marked "computed" follow from the figures
given there by the circle's formula; the documents don't print them.
"""

import math
from itertools import pairwise

import pytest

from reference.readers import BOTH, Reader, arc_length, moves, path_length

START = b"G21\nG90\nG17\nG1 F1200\nG0 X0 Y0 Z0\n"


@pytest.fixture(params=BOTH, ids=lambda reader: reader.name)
def read(request: pytest.FixtureRequest) -> Reader:
    return request.param


# [NIST] 3.3.2.1 and appendix E.2 `real_number`.
@pytest.mark.parametrize(
    ("text", "value"),
    [("5", 5.0), ("5.", 5.0), (".5", 0.5), ("+4", 4.0), ("-0.8807", -0.8807), ("00012.500", 12.5), ("-.0525", -0.0525)],
)
def test_a_legal_number_is_read_as_the_grammar_says(read: Reader, text: str, value: float) -> None:
    """[NIST] 3.3.2.1: an optional sign, digits, an optional point, at least one digit."""
    row = moves(read(START + f"G1 X{text} Y1\n".encode()))[-1]
    assert row.known
    assert float(row.x) == value


@pytest.mark.parametrize("text", [".", "+", "-.", "1.2.3", "--1", "", "1e400"])
def test_an_illegal_number_never_gives_a_bead_at_a_certain_place(read: Reader, text: str) -> None:
    """[NIST] 3.3.2.1 and appendix E.2: none of these is a number; whatever is left of the line, X isn't certain.

    `1e400` is two words to a firmware, X1 and E400: a bead at X1 that must not be taken for 10^400.
    """
    rows = read.or_refused(START + f"G1 X{text} Y1 E1\nG1 Y2 E2\n".encode())
    if rows is not None and text == "1e400":
        assert float(moves(rows)[-2].x) == 1.0
    elif rows is not None:
        assert not moves(rows)[-1].known


# [NIST] 3.3: white space and case don't count. Blanks inside the number: see test_contradictions.
@pytest.mark.parametrize("line", [b"g0x0.1234y7", b"G0 X 0.1234 Y 7", b"g0\tx+0.1234\ty7.", b"G0X.1234Y07"])
def test_white_space_between_words_and_case_do_not_count(read: Reader, line: bytes) -> None:
    """[NIST] 3.3, the example `g0x +0. 12 34y 7` is equivalent to `g0 x+0.1234 y7`."""
    row = moves(read(START + line + b"\n"))[-1]
    assert (float(row.x), float(row.y)) == (0.1234, 7.0)


@pytest.mark.parametrize(
    ("line", "x", "de"), [(b"G1 X1E3", 1.0, 3.0), (b"G1E-2", 0.0, -2.0), (b"G1X2E+8", 2.0, 8.0), (b"G1 X1e3", 1.0, 3.0)]
)
def test_there_is_no_exponent(read: Reader, line: bytes, x: float, de: float) -> None:
    """[NIST] appendix E has no exponent form; Klipper's splitter `([A-Z_]+|[A-Z*])` gives the same words: X=1, E=3."""
    row = moves(read(START + b"G92 E0\n" + line + b"\n"))[-1]
    assert (float(row.x), float(row.de)) == (x, de)


def test_of_two_words_with_one_letter_the_later_holds(read: Reader) -> None:
    """`E1e-5` is E1 then E-5. [NIST] 3.3.5 forbids it; Marlin's and Klipper's parsers both overwrite: E is -5."""
    row = moves(read(START + b"G92 E0\nG1 X3 E1e-5\n"))[-1]
    assert float(row.de) == -5.0
    assert row.kind == "WIPE"


@pytest.mark.parametrize(
    "line", [b"G1 (a) X1 (b)", b"(go) G1 X1", b"G1 X1 ; X9", b"G1 X1(a;b)", b"G1 X1 ;(", b"G1 X1 (Y5)"]
)
def test_a_comment_holds_no_words(read: Reader, line: bytes) -> None:
    """[NIST] 3.3.4: `G1 (a) X1 (b)` is X=1. Marlin queue.cpp and Klipper: everything after `;`."""
    row = moves(read(START + line + b"\n"))[-1]
    assert (float(row.x), float(row.y)) == (1.0, 0.0)


def test_units_change_the_numbers_and_not_the_place(read: Reader) -> None:
    """[NIST] 2.1.2.10 and 3.5.7: at X=25.4 mm, G20 makes X read 1.0 without motion; factor 25.4 exactly."""
    rows = moves(read(START + b"G0 X25.4\nG20\nG0 X1\nG1 X2 F60\nG21\nG1 X50.8\n"))
    assert [float(row.x) for row in rows[-4:]] == [25.4, 25.4, 50.8, 50.8]
    assert float(rows[-2].feed) == pytest.approx(25.4, abs=1e-12)  # inches a minute, [NIST] 2.1.2.5 A
    assert float(rows[-1].feed) == pytest.approx(25.4, abs=1e-12)


def test_i_and_j_are_increments_in_both_distance_modes(read: Reader) -> None:
    """[NIST] 3.5.17: "I and J numbers always represent increments, regardless of the distance mode"."""
    absolute = moves(read(START + b"G0 X7 Y7\nG2 X10 Y16 I3 J4\n"))[-1]
    relative = moves(read(START + b"G0 X7 Y7\nG91\nG2 X3 Y9 I3 J4\n"))[-1]
    for row in (absolute, relative):
        assert (float(row.arc.cx), float(row.arc.cy)) == (10.0, 11.0)
        assert (float(row.x), float(row.y)) == (10.0, 16.0)


@pytest.mark.parametrize(
    ("code", "z", "sweep", "length"),
    [("G2", 0, -143.1301, 12.490458), ("G2", 2, -143.1301, 12.649567), ("G3", 0, 216.8699, 18.925469)],
)
def test_the_centre_format_example(read: Reader, code: str, z: int, sweep: float, length: float) -> None:
    """[NIST] 3.5.3.2: from (7,7), `G2 x10 y16 i3 j4` has centre (10,11) and radius 5; sweep and lengths computed."""
    rows = moves(read(START + f"G0 X7 Y7\n{code} X10 Y16 I3 J4 Z{z}\n".encode()))
    assert (float(rows[-1].arc.cx), float(rows[-1].arc.cy)) == (10.0, 11.0)
    assert math.degrees(rows[-1].arc.sweep) == pytest.approx(sweep, abs=1e-4)
    assert arc_length(rows[-2], rows[-1]) == pytest.approx(length, abs=1e-6)


@pytest.mark.parametrize(
    ("code", "radius", "sweep"),
    [("G3", 5, math.pi / 2), ("G3", -5, 3 * math.pi / 2), ("G2", 5, -math.pi / 2), ("G2", -5, -3 * math.pi / 2)],
)
def test_the_sign_of_r_chooses_the_turn(read: Reader, code: str, radius: int, sweep: float) -> None:
    """[NIST] 3.5.3.1: R > 0 turns at most 180°, R < 0 between 180° and 359.999°."""
    row = moves(read(START + f"G0 X5 Y0\n{code} X0 Y5 R{radius}\n".encode()))[-1]
    assert row.arc.sweep == pytest.approx(sweep, abs=1e-9)


def test_a_radius_in_inches_is_in_inches(read: Reader) -> None:
    """A half turn of 1 inch: centre in the middle of its ends."""
    row = moves(read(START + b"G20\nG2 X2 Y0 R1\n"))[-1]
    assert (float(row.arc.cx), float(row.arc.cy)) == (25.4, 0.0)


@pytest.mark.parametrize("line", [b"G2 X0 Y0 R5", b"G2 R5"])
def test_an_r_arc_that_ends_where_it_began_is_no_arc(read: Reader, line: bytes) -> None:
    """[NIST] 3.5.3.1: "it is an error if ... the end point is the same as the current point"."""
    rows = read.or_refused(START + line + b"\n")
    assert rows is None or moves(rows)[-1].arc is None


@pytest.mark.parametrize("line", [b"G2 X3 Y4", b"G3 X3 Y4 I0 J0", b"G2 X3 Y4 R0", b"G2 Z1"])
def test_an_arc_without_a_circle_is_no_arc_and_leaves_the_position_uncertain(read: Reader, line: bytes) -> None:
    """[NIST] 3.5.3.1 and 3.5.3.2: an error. Some firmwares stay where they are: the nozzle is anywhere."""
    rows = read.or_refused(START + line + b"\nG1 F100\n")
    assert rows is None or (moves(rows)[-1].arc is None and not rows[-1].known)


@pytest.mark.parametrize(
    "line", [b"G1 (a) X1 Y2", b"G1 (bb) X1 Y2", b"G1 X1 (ccc) Y2 (dddd)", b"(e) G1 X1 Y2", b"G1 X1Y2()"]
)
def test_comments_in_brackets_stand_anywhere(read: Reader, line: bytes) -> None:
    """[NIST] 3.3.4; of any length."""
    row = moves(read(START + line + b"\n"))[-1]
    assert (float(row.x), float(row.y)) == (1.0, 2.0)


def test_a_centre_format_arc_that_ends_where_it_began_is_a_full_circle(read: Reader) -> None:
    """[NIST] 3.5.3.2; Marlin G2/G3: X and Y left out is a full circle."""
    for line in (b"G2 X0 Y0 I5", b"G2 I5 J0", b"G2 X0 I5"):
        assert moves(read(START + line + b"\n"))[-1].arc.sweep == pytest.approx(-2 * math.pi)
    assert moves(read(START + b"G3 I-2.5\n"))[-1].arc.sweep == pytest.approx(2 * math.pi)


@pytest.mark.parametrize(
    ("start", "line", "length"),
    [
        ("X0 Y0", "G2 X1 Y1 I1", 1.570796),  # [LCNC] center format examples: quarter circle about (1,0)
        ("X0 Y0", "G2 X0 Y1 I1 J0.5", 1.036748),
        ("X16 Y2.5", "g3 x13.5 y0 i-2.5", 11.780972),  # [NIST] C.1, 270°
        ("X32.5 Y0", "g2 x32.5 j2.5", 15.707963),  # [NIST] C.1, 360°
        ("X64 Y4", "g2 x69 r4", 5.401052),  # [NIST] C.1, 77.364375°
        ("X81 Y0", "g2 j2.5 y5", 7.853982),  # [NIST] C.1, 180°
        ("X0 Y0", "g2 x10 r5", 15.707963),  # a half turn by its radius, computed
        ("X0 Y0", "g3 x0.5 y0.5 r0.5", 0.785398),  # a quarter of a small one, computed
    ],
)
def test_published_arcs_have_their_length(read: Reader, start: str, line: str, length: float) -> None:
    """Arcs of [LCNC] and of the sample program in [NIST] appendix C.1; lengths computed from their circles."""
    rows = moves(read(START + f"G0 {start}\n{line}\n".encode()))
    assert arc_length(rows[-2], rows[-1]) == pytest.approx(length, abs=1e-6)


SAMPLE_ARCS = """g0 x16 y2.5
g3 x13.5 y0 i-2.5 f20
g0 x32.5 y0
g2 x32.5 j2.5
g0 x57.5 y0
g2 x57.5 j2.5
g0 x64 y4
g2 x69 r4
g0 x81 y0
g2 j2.5 y5
"""


def test_the_arcs_of_the_sample_program_have_their_totals_and_their_time(read: Reader) -> None:
    """[NIST] C.1 "Hello world": four G2 of 44.670960 mm in all, one G3 of 11.780972 mm, F20, last point (81,5).

    Totals computed. Where the second circle stands is ours; of the straight moves we hold their totals alone, not
    their words, so they aren't here.
    """
    rows = moves(read(START + SAMPLE_ARCS.encode()))
    arcs = [
        (row.code, arc_length(before, row), float(row.feed)) for before, row in pairwise(rows) if row.code in (2, 3)
    ]
    assert sum(length for code, length, _ in arcs if code == 2) == pytest.approx(44.670960, abs=1e-6)
    assert sum(length for code, length, _ in arcs if code == 3) == pytest.approx(11.780972, abs=1e-6)
    minutes = sum(length / feed for _, length, feed in arcs) / 60
    assert minutes == pytest.approx(9.171523 - 126.978534 / 20, abs=1e-6)
    assert (float(rows[-1].x), float(rows[-1].y)) == (81.0, 5.0)


TABLE_12 = """G1 X1 Y5
G1 Y4
G3 X2 Y3 I1
G2 X3 Y2 J-1
G1 Y-1
G2 X2 Y-2 I-1
G1 X-2
G2 X-2.6 Y-0.2 J1
G1 X1.4 Y2.8
G2 X2 Y3 I0.6 J-0.8
"""


def test_the_sample_of_table_12_closes_with_its_total(read: Reader) -> None:
    """[NIST] B.3.1.1 Table 12, compensation ignored: nine lengths, 20.853982 in all (computed), end at (2,3).

    The table's modal motion words are written out, since printer firmware takes no bare axis words (N11).
    """
    rows = moves(read(START + b"G0 X1 Y5\n" + TABLE_12.encode()))[-10:]
    lengths = [path_length(a, b) for a, b in pairwise(rows)]
    expected = [1, 1.570796, 1.570796, 3, 1.570796, 4, 2.498092, 5, 0.643501]
    assert lengths == pytest.approx(expected, abs=1e-6)
    assert sum(lengths) == pytest.approx(20.853982, abs=2e-6)
    assert (float(rows[-1].x), float(rows[-1].y)) == (2.0, 3.0)


def test_bare_axis_words_are_no_move_of_a_printer(read: Reader) -> None:
    """[NIST] 3.3.7 repeats the motion in force; Marlin needs GCODE_MOTION_MODES for it, Klipper calls it unknown."""
    rows = read.or_refused(START + b"G1 X1 Y1 Z1\nX5 Y5\nG1 X6\n")
    assert rows is None or not rows[-1].known


def test_a_line_that_may_be_skipped_leaves_the_position_uncertain(read: Reader) -> None:
    """[NIST] 3.3 and 2.2.2: `/` first on the line, skipped only if the operator's switch is on."""
    rows = read.or_refused(START + b"G1 X1 Y1 Z1\n/G1 X5\nG1 Y6\n")
    assert rows is None or not rows[-1].known


@pytest.mark.parametrize("prefix", [b"N1 ", b"N00012 ", b"n7"])
def test_a_line_number_is_no_word_of_the_command(read: Reader, prefix: bytes) -> None:
    """[NIST] 3.3.1: N and up to five digits before the command."""
    rows = read.or_refused(START + prefix + b"G1 X4\n")
    assert rows is None or float(moves(rows)[-1].x) == 4.0
