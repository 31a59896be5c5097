"""The judge's reader, against published worked numbers and rules of the dialects."""

from __future__ import annotations

import math

import numpy as np
import pytest

from evaluator.gaps import pinned_flat, split
from evaluator.reader import BEAD, PULL, PUSH, TRAVEL, WIPE, read


def length(job: bytes) -> float:
    ends = read(job).ends
    return float(np.sqrt(((ends[:, 3:6] - ends[:, 0:3]) ** 2).sum(1)).sum())


@pytest.mark.parametrize(
    ("job", "expected"),
    [
        # quarter circle of radius 5 from (9, 6) about (5, 3): firmware manual, G2/G3 page, both spellings
        (b"G92 X9 Y6\nG3 X2 Y7 I-4 J-3\n", 7.853982),
        (b"G92 X9 Y6\nG3 X2 Y7 R5\n", 7.853982),
        # NIST RS274/NGC 3.5.3.2: start (7, 7), centre (10, 11), radius 5; with a rise of 2 a helix
        (b"G92 X7 Y7\nG17\nG2 X10 Y16 I3 J4\n", 12.490458),
        (b"G92 X7 Y7\nG17\nG2 X10 Y16 I3 J4 Z2\n", 12.649567),
        # NIST 3.5.3.2 allows a full circle in centre format: 2π·2.5
        (b"G2 X0 Y0 I2.5\n", 15.707963),
        (b"G2 I2.5\n", 15.707963),
    ],
)
def test_arcs_have_the_published_lengths(job, expected):
    """Chords of at most 0.3 mm and ten degrees are shorter than their arc by less than 0.2 %."""
    assert expected * 0.998 < length(job) <= expected + 1e-6


def test_white_space_and_case_mean_nothing():
    """NIST RS274/NGC 3.3 prints `g0x +0. 12 34y 7` as the twin of `g0 x+0.1234 y7`; printers' jobs space
    between letter and number at most, which is all that is read here."""
    assert np.array_equal(read(b"g0x +0.1234y 7\n").ends, read(b"G0 X0.1234 Y7\n").ends)


def test_e_is_a_word_and_never_an_exponent():
    """NIST RS274/NGC appendix E has no exponent form: X1E3 is X 1 and E 3."""
    pieces = read(b"M83\nG1X1E3\n")
    assert pieces.ends[0, 3] == 1.0
    assert pieces.pushed[0] == 3.0
    assert pieces.kind[0] == BEAD


def test_g92_moves_the_numbers_and_not_the_nozzle():
    """NIST RS274/NGC 3.5.18: at X4, G92 X7 makes the reading 7; G90 X9 is then 2 mm further, at 6."""
    ends = read(b"G0 X4\nG92 X7\nG0 X9\n").ends
    assert ends[:, 3].tolist() == [4.0, 6.0]


def test_inches_are_25_4_mm():
    """International inch; also the constant of grbl's source."""
    assert read(b"G20\nG1 X1\n").ends[0, 3] == 25.4


@pytest.mark.parametrize(
    "line",
    [b"M117 X16.60 *The-End*", b"M132 X Y Z", b"G29.1 Z-0.02", b"G380 S2 Z30 F1200", b"SET_LIMIT X=5 Y=5", b"; G1 X5",
     b"(G1 X5)", b"X5 Y5", b"M204 P5 T5", b"T1"],
)
def test_lines_that_carry_axis_letters_without_moving_move_nothing(line):
    assert read(line + b"\n").kind.size == 0


def test_kinds_follow_motion_and_filament():
    """Bead, wipe, retraction, travel, prime; firmware retraction; G10 with data is none."""
    pieces = read(b"M83\nG1 X1 E1\nG1 X0 E-1\nG1 E-1\nG0 X5\nG1 E1\nG10\nG11\nG10 P0 S205 R140\n")
    assert pieces.kind.tolist() == [BEAD, WIPE, PULL, TRAVEL, PUSH, PULL, PUSH]


def test_a_repeated_absolute_e_word_is_a_travel():
    assert read(b"G1 X1 E0.3\nG1 X2 E0.3\n").kind.tolist() == [BEAD, TRAVEL]


@pytest.mark.parametrize(
    ("start", "machine", "relative"),
    [
        (b"M83\nG90\n", False, True),
        (b"M83\nG90\n", True, False),
        (b"M82\nG91\n", False, True),
        (b"G91\nM82\nG90\n", False, False),
    ],
)
def test_the_two_readings_of_g90_for_the_extruder(start, machine, relative):
    """Firmware documents differ: in one G90/G91 overwrite M82/M83, in the other both must agree."""
    pieces = read(start + b"G1 X1 E1\nG1 X2 E1\n", g90_sets_extrusion=machine)
    assert pieces.pushed.tolist() == ([1.0, 1.0] if relative else [1.0, 0.0])


def test_line_ends_of_all_kinds_count_one_line_each():
    assert read(b"G0 X1\r\nG0 X2\rG0 X3\n\nG0 X4").line.tolist() == [1, 2, 3, 5]


def test_a_way_starts_after_the_last_wipe_and_keeps_the_wiped_length():
    pieces = read(b"M83\nG1 X1 E1\nG1 X0 E-1\nG0 Z1\nG0 X5\nG0 Z0\nG1 E1\nG1 X9 E1\n")
    beads, ways = split(pieces)
    assert len(beads.pushed) == 2
    assert ways.wiped.tolist() == [1.0]
    assert ways.length().tolist() == [5.0]
    assert beads.path.tolist() == [0, 1]


def test_the_flat_twin_of_a_way_has_no_lift_but_keeps_the_layer_step():
    """From Z0.2 over 0.8 to 0.4: cut off at 0.4; a full turn is taken out."""
    pieces = read(b"M83\nG0 Z0.2\nG1 X1 E1\nG3 Z0.8 I1\nG0 X5\nG0 Z0.4\nG1 X9 E1\n")
    flat = pinned_flat(split(pieces)[1])
    assert flat.ends[:, 5].max() == 0.4
    assert flat.length().tolist() == [4.0]
    assert math.isclose(split(pieces)[1].length()[0], 4.0 + 2 * math.pi, rel_tol=0.002)
