"""The proof accepts honest rewrites of every kind and names each broken promise with its line.

Every pair is also judged by the slow twin (tests/reference/slow_proof.py); they must agree.
"""

import dataclasses
import hashlib
import io

import pytest

from liftwright.proof import Limits, Violation, check_stamp, prove
from reference.proof_pairs import LIMITS, fast, judge, stamped

JOB = b"""; hose bracket
G28
G90
M82
G92 E0
G1 X10 Y10 Z0.2 F6000
G1 X20 Y10 E1 F1200
G1 X30 Y10 E2
G1 E1 F2400
G1 X50 Y50 F9000 ; to the other side
M106 S255
G1 E2 F2400
G1 X60 Y50 E3 F1200
G1 X60 Y60 E4
G1 X70 Y60 E4.1
G1 E3.3 F2400
G1 Z0.6 F600
G1 X80 Y80 F9000
G1 Z0.2 F600
G1 E4.1 F2400
G1 X90 Y80 E5 F1200
G1 E4 F2400
M104 S0
"""
FIRST = b"G1 X50 Y50 F9000 ; to the other side\n"  # line 10
SECOND = b"G1 Z0.6 F600\nG1 X80 Y80 F9000\nG1 Z0.2 F600\n"  # lines 17 to 19
TRIANGLE = b"""; to the other side
G1 X40.000 Y30.000 Z0.600 F9000 ;lw triangle +0.40
G1 X50 Y50 Z0.2
"""
RISE = b"G1 X75.000 Y70.000 Z0.600 F9000 ;lw triangle +0.40\nG1 X80 Y80 Z0.200\n"
GOOD = JOB.replace(FIRST, TRIANGLE).replace(SECOND, RISE)


def broken(rewritten: bytes, original: bytes = JOB, limits: Limits = LIMITS) -> Violation:
    """The first violation of a pair that doesn't hold."""
    proof = judge(original, stamped(rewritten), limits)
    assert not proof.holds
    return proof.violations[0]


def is_at(violation: Violation, promise: int, name: str, line_original: int, line_rewritten: int) -> bool:
    found = (violation.promise, violation.name, violation.line_original, violation.line_rewritten)
    assert found == (promise, name, line_original, line_rewritten), str(violation)
    return True


def changed(old: bytes, new: bytes, text: bytes = GOOD) -> bytes:
    assert text.count(old) == 1, (old, text.count(old))
    return text.replace(old, new)


# Honest rewrites


def test_nothing_changed_but_the_stamp_holds() -> None:
    assert judge(JOB, stamped(JOB)).holds


def test_two_triangles_hold_and_are_counted() -> None:
    proof = judge(JOB, stamped(GOOD))
    assert proof.holds
    assert proof.counts == {
        "beads": 6, "travels": 3, "touched": 2, "own_lines": 4, "lines_original": 23, "lines_rewritten": 24,
    }  # fmt: skip
    assert proof.complete


@pytest.mark.parametrize(
    "lines",
    [
        b"G1 X30.000 Y10.000 Z0.600 F720 ;lw square +0.40\nG1 X50 Y50 Z0.600 F9000\nG1 X50 Y50 Z0.2 F720\n",
        b"G1 X50 Y50 Z0.600 F9000 ;lw sawtooth +0.40\nG1 X50 Y50 Z0.200 F600\n",
        b"G0 X35.000 Y20.000 Z0.600 F9000 ;lw trapezoid +0.40\nG0 X45.000 Y40.000 Z0.600\nG0 X50 Y50 Z0.2\n",
        b"G1 F5000\nG1 X50 Y50 Z0.200\n",
    ],
)
def test_other_shapes_hold(lines: bytes) -> None:
    assert judge(JOB, stamped(JOB.replace(FIRST, b"; to the other side\n" + lines))).holds


def test_a_vertex_may_lie_off_the_way_by_what_rounding_can_do() -> None:
    job = JOB.replace(b"X50 Y50", b"X50.1 Y50.2")
    rise = b"; to the other side\nG1 X36.700 Y23.400 Z0.600 F9000 ;lw terrain +0.40\nG1 X50.1 Y50.2 Z0.200\n"
    line = b"G1 X50.1 Y50.2 F9000 ; to the other side\n"
    assert judge(job, stamped(job.replace(line, rise))).holds


def test_a_vertex_two_hundredths_off_the_way_does_not_hold() -> None:
    assert is_at(broken(changed(b"G1 X40.000 Y30.000", b"G1 X40.020 Y30.000")), 5, "way", 10, 11)


def test_an_own_lift_may_be_replaced_or_removed() -> None:
    assert judge(JOB, stamped(JOB.replace(SECOND, RISE))).holds
    assert judge(JOB, stamped(JOB.replace(SECOND, b"G1 X80 Y80 Z0.200 F9000 ;lw flat +0.00\n"))).holds


def test_carriage_returns_are_kept_and_expected_of_our_own_lines() -> None:
    job, good = JOB.replace(b"\n", b"\r\n"), GOOD.replace(b"\n", b"\r\n")
    assert judge(job, stamped(good, b"\r\n")).holds
    mixed = good.replace(b"Y30.000 Z0.600 F9000 ;lw triangle +0.40\r\n", b"Y30.000 Z0.600 F9000 ;lw triangle +0.40\n")
    assert is_at(broken(mixed, job), 3, "other lines", 10, 11)


def test_a_last_line_without_an_end_is_given_one() -> None:
    assert judge(JOB[:-1], stamped(GOOD[:-1])).holds
    assert judge(JOB[:-1].replace(b"\n", b"\r\n"), stamped(GOOD[:-1].replace(b"\n", b"\r\n"), b"\r\n")).holds


def test_relative_positions_and_relative_filament_hold() -> None:
    job = b"""G28
G90
M83
G1 X10 Y10 Z.2 F6000
g1x20e1f1200
G91
G1 E-1
G1 X20 Y40 F9000
G1 E1
G1 X10 E1 F1200
G90
G1 X100 E2
"""
    line = b"G1 X20 Y40 F9000\n"
    rise = b"G1 X10.000 Y20.000 Z0.400 F9000 ;lw triangle +0.40\nG1 X10.000 Y20.000 Z-0.400\n"
    assert judge(job, stamped(job.replace(line, rise))).holds
    short = rise.replace(b"Z-0.400", b"Z-0.399")
    assert is_at(broken(job.replace(line, short), job), 2, "retractions", 9, 10)


def test_inches_hold() -> None:
    job = b"G28\nG20\nG90\nM82\nG1 X1 Y1 Z0.01 F200\nG1 X2 E0.1\nG1 X3 Y2 F300\nG1 X4 E0.2 F40\n"
    rise = b"G1 X2.5000 Y1.5000 Z0.0250 F100 ;lw triangle +0.38\nG1 X3 Y2 Z0.01\n"
    assert judge(job, stamped(job.replace(b"G1 X3 Y2 F300\n", rise))).holds


def test_a_helical_turn_may_be_removed_or_kept() -> None:
    turn = b"G3 Z0.6 I-1.069 J.582 P1 F9000\n"
    job = JOB.replace(SECOND, turn + b"G1 X80 Y80\nG1 Z0.2 F600\n")
    assert judge(job, stamped(job.replace(turn + b"G1 X80 Y80\nG1 Z0.2 F600\n", RISE))).holds
    kept = job.replace(b"G1 X80 Y80\n", b"G1 X80 Y80 Z0.600 ;lw flat +0.40\n")
    assert judge(job, stamped(kept)).holds


def test_an_arc_of_a_travel_may_be_given_a_z_word_but_not_another_centre() -> None:
    job = JOB.replace(FIRST, b"G2 X50 Y10 I10 J0 F9000\nG1 X50 Y50\n")
    lifted = b"G2 X50 Y10 Z0.500 I10 J0 F9000 ;lw terrain +0.30\nG1 X50 Y50 Z0.200\n"
    assert judge(job, stamped(job.replace(b"G2 X50 Y10 I10 J0 F9000\nG1 X50 Y50\n", lifted))).holds
    moved = job.replace(b"G2 X50 Y10 I10 J0 F9000\nG1 X50 Y50\n", lifted.replace(b"I10 J0", b"I10 J5"))
    assert is_at(broken(moved, job), 5, "way", 10, 10)
    straight = b"G1 X50 Y10 Z0.500 F9000 ;lw terrain +0.30\nG1 X50 Y50 Z0.200\n"
    assert is_at(broken(job.replace(b"G2 X50 Y10 I10 J0 F9000\nG1 X50 Y50\n", straight), job), 5, "way", 10, 10)


def test_comments_of_edited_lines_in_both_spellings_stay_in_order() -> None:
    job = JOB.replace(FIRST, b"(one) G1 X40 Y30 (two) F9000 ; three\nG1 X50 Y50 ; four\n")
    rise = b"G1 X40 Y30 Z0.600 F9000 ;lw triangle +0.40\nG1 X50 Y50 Z0.2\n"
    old = b"(one) G1 X40 Y30 (two) F9000 ; three\nG1 X50 Y50 ; four\n"
    for comments in (b"(one)\n(two)\n; three\n; four\n", b"(one) (two) ; three\n; four\n"):
        assert judge(job, stamped(job.replace(old, comments + rise))).holds
    assert is_at(broken(job.replace(old, b"(one)\n; three\n; four\n" + rise), job), 3, "other lines", 10, 11)


def test_our_own_comment_of_an_earlier_rewrite_may_stay_or_go() -> None:
    again = b"; to the other side\nG1 X40.000 Y30.000 Z0.500 F9000 ;lw square +0.30\nG1 X50 Y50 Z0.2\n"
    assert judge(GOOD, stamped(GOOD.replace(TRIANGLE, again))).holds
    kept = again.replace(b"; to the other side\n", b"; to the other side\n;lw triangle +0.40\n")
    assert judge(GOOD, stamped(GOOD.replace(TRIANGLE, kept))).holds


# Promise 1


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"G1 X20 Y10 E1 F1200", b"G1 X20.01 Y10 E1 F1200", "X 20 in"),
        (b"G1 X20 Y10 E1 F1200", b"G1 X20 Y10 E1.00001 F1200", "E 1 in"),
        (b"G1 X20 Y10 E1 F1200", b"G1 X20 Y10 E1 F1201", "F 1200 in"),
        (b"G1 X20 Y10 E1 F1200", b"G1 X20 Y10 E1", "F 1200 in"),
        (b"G1 X20 Y10 E1 F1200", b"G1 X20 Y10 Z0.2001 E1 F1200", "Z 0.2 in"),
        (b"G1 X20 Y10 E1 F1200", b"G3 X20 Y10 I5 E1 F1200", "'G1 X20"),
    ],
)
def test_a_changed_bead_is_named_with_its_fields(old: bytes, new: bytes, said: str) -> None:
    violation = broken(changed(old, new))
    assert is_at(violation, 1, "beads", 7, 7)
    assert said in violation.expected


def test_a_lost_bead_is_named() -> None:
    assert is_at(broken(changed(b"G1 X60 Y60 E4\n", b"")), 1, "beads", 14, 16)


def test_an_added_bead_is_named() -> None:
    assert is_at(broken(changed(b"G1 X60 Y60 E4\n", b"G1 X60 Y55 E3.5\nG1 X60 Y60 E4\n")), 1, "beads", 14, 16)


def test_two_beads_in_the_wrong_order_are_named() -> None:
    swapped = changed(b"G1 X20 Y10 E1 F1200\nG1 X30 Y10 E2\n", b"G1 X30 Y10 E2\nG1 X20 Y10 E1 F1200\n")
    assert is_at(broken(swapped), 1, "beads", 7, 7)


def test_a_feed_that_is_not_restored_is_named_at_the_next_line_without_one() -> None:
    job = JOB.replace(b"G1 E2 F2400\nG1 X60 Y50 E3 F1200\n", b"G1 X60 Y50 E3\n")
    rise = b"; to the other side\nG1 X40.000 Y30.000 Z0.600 F9000 ;lw triangle +0.40\nG1 X50 Y50 Z0.2 F8000\n"
    violation = broken(job.replace(FIRST, rise), job)
    assert is_at(violation, 1, "beads", 12, 14)
    assert "F 9000 in" in violation.expected
    assert judge(job, stamped(job.replace(FIRST, rise + b"G1 F9000\n"))).holds


def test_a_bead_written_otherwise_is_no_other_bead_but_another_line() -> None:
    assert is_at(broken(changed(b"G1 X20 Y10 E1 F1200", b"G1 X20.0 Y10 E1 F1200")), 3, "other lines", 7, 7)


def test_a_height_that_is_not_regained_is_named_at_the_next_fixed_line() -> None:
    assert is_at(broken(changed(b"G1 X50 Y50 Z0.2\n", b"G1 X50 Y50 Z0.201\n")), 2, "retractions", 12, 14)


# Promise 2


@pytest.mark.parametrize("line", [b"G1 E2 F2400\n", b"G1 E4.1 F2400\n", b"G1 E1 F2400\n"])
def test_a_lost_prime_or_retraction_is_named(line: bytes) -> None:
    proof = judge(JOB, stamped(changed(line, b"")))
    number = JOB[: JOB.index(line)].count(b"\n") + 1
    assert (2, number) in {(v.promise, v.line_original) for v in proof.violations}


def test_a_changed_amount_is_named() -> None:
    assert is_at(broken(changed(b"G1 E3.3 F2400", b"G1 E3.2 F2400")), 2, "retractions", 16, 18)


def test_an_exponent_of_ours_is_the_retraction_that_firmware_makes_of_it() -> None:
    """`Z6e-1` is Z6 and E-1 (NIST RS274/NGC has no exponent, appendix E; firmware splits words alike)."""
    relative = [text.replace(b"M82", b"M83").replace(b"G1 E1 F2400", b"G1 E-1 F2400") for text in (JOB, GOOD)]
    proof = judge(relative[0], stamped(changed(b"Y30.000 Z0.600", b"Y30.000 Z6e-1", relative[1])))
    assert is_at(proof.violations[0], 2, "retractions", 12, 11)


def test_a_retraction_elsewhere_is_named() -> None:
    early = changed(b"G1 X30 Y10 E2\nG1 E1 F2400\n", b"G1 E0 F2400\nG1 E1\nG1 X30 Y10 E2\nG1 E1 F2400\n")
    assert {v.promise for v in judge(JOB, stamped(early)).violations} >= {2}


def test_a_travel_before_the_retraction_is_named() -> None:
    job = JOB.replace(b"G1 E1 F2400\n", b"G1 X31 Y10 F9000\nG1 E1 F2400\n")
    early = b"G1 X31 Y10 Z0.400 F9000\nG1 E1 F2400\n"
    assert is_at(broken(job.replace(b"G1 X31 Y10 F9000\nG1 E1 F2400\n", early), job), 3, "other lines", 9, 9)


def test_firmware_retractions_keep_their_order() -> None:
    job = JOB.replace(b"G1 E1 F2400\n", b"G10\n").replace(b"G1 E2 F2400\n", b"G11\n")
    good = GOOD.replace(b"G1 E1 F2400\n", b"G10\n").replace(b"G1 E2 F2400\n", b"G11\n")
    assert judge(job, stamped(good)).holds
    assert is_at(broken(changed(b"G11\n", b"", good), job), 2, "retractions", 12, 14)


# Promise 3


@pytest.mark.parametrize(
    ("old", "new", "original", "rewritten"),
    [
        (b"M106 S255", b"M106 S254", 11, 13),
        (b"M106 S255\n", b"", 11, 13),
        (b"M106 S255\n", b"M106 S255\nM106 S255\n", 12, 14),
        (b"; to the other side\n", b"", 10, 12),
        (b"; to the other side\n", b"; to the other sid\n", 10, 10),
        (b"; to the other side\n", b"; to the other side\n; to the other side\n", 11, 11),
        (b";lw triangle +0.40\nG1 X50", b";other words\nG1 X50", 10, 11),
        (b"G1 X50 Y50 Z0.2\n", b"G1 X50 Y50 S1 Z0.2\n", 11, 12),
        (b"G1 X50 Y50 Z0.2\n", b"G1 X50 Z0.2 Y50 (x)\n", 10, 12),
        (b"; hose bracket", b"; hose  bracket", 1, 1),
        (b"M104 S0\n", b"", 23, 24),
        (b"M104 S0\n", b"M104 S0\nM84\n", 24, 25),
    ],
)
def test_changed_lost_and_added_lines_are_named(old: bytes, new: bytes, original: int, rewritten: int) -> None:
    violation = broken(changed(old, new))
    assert violation.promise == 3, str(violation)
    assert is_at(violation, 3, "other lines", original, rewritten)


def test_a_line_of_our_own_states_all_three_axes() -> None:
    assert is_at(broken(changed(b"G1 X40.000 Y30.000 Z0.600", b"G1 X30 Y10 Z0.600 F600\nG1 X40.000 Y30.000")), 3,
                 "other lines", 10, 12)  # fmt: skip


def test_a_command_must_be_met_at_the_same_place() -> None:
    late = changed(b"G1 X50 Y50 Z0.2\nM106 S255\n", b"M106 S255\nG1 X50 Y50 Z0.2\n")
    assert is_at(broken(late), 3, "other lines", 11, 12)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"PARK_HEAD\n", "may move the machine"),
        (b"G29\n", "may move the machine"),
        (b"M600\n", "may move the machine"),
        (b"T1000\n", "may move the machine"),
        (b"/G1 X50 Y50\n", "may move the machine"),
        (b"G91 G1 Z5\nG90\n", "may move the machine"),
        (b"G4 P200\n", "a dwell"),
        (b"N7 M106 S255\n", "numbered"),
        (b"G54\n", "may move the machine"),
    ],
)
def test_a_gap_that_holds_a_wall_or_a_dwell_must_stay(line: bytes, why: str) -> None:
    job, good = JOB.replace(b"M106 S255\n", line), GOOD.replace(b"M106 S255\n", line)
    proof = judge(job, stamped(good))
    assert any(v.promise == 3 and v.line_original == 10 and why in v.expected for v in proof.violations), proof


# Tool changes: what stands before one may be edited, nothing else

CHANGE = b"G1 X50 Y50 F9000 ; to the other side\nM106 S255\nT1\nG1 X55 Y50 Z0.2 F6000\n"
PARK = JOB.replace(FIRST + b"M106 S255\n", CHANGE)
RAISED = b"; to the other side\nG1 X40 Y30 Z0.6 F9000\nG1 X50 Y50 Z0.2\nM106 S255\nT1\nG1 X55 Y50 Z0.2 F6000\n"


def lifted_before_the_change(old: bytes = b"", new: bytes = b"") -> bytes:
    assert RAISED.count(old) == 1 or not old
    return PARK.replace(CHANGE, RAISED.replace(old, new) if old else RAISED)


def test_the_way_up_to_a_tool_change_may_be_lifted() -> None:
    proof = judge(PARK, stamped(lifted_before_the_change()))
    assert proof.holds, proof.violations
    assert proof.counts["touched"] == 1


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b"G1 X55 Y50 Z0.2 F6000\n", b"G1 X53 Y50 Z0.5 F6000\nG1 X55 Y50 Z0.2\n"),  # a lift behind it
        (b"G1 X50 Y50 Z0.2\nM106 S255\nT1\n", b"G1 X50 Y50 Z0.4\nM106 S255\nT1\n"),  # too high
        (b"Z0.6 F9000\nG1 X50 Y50 Z0.2\n", b"Z0.6 F9000\nG1 X50 Y50 Z0.2 F3000\n"),  # another feed
        (b"T1\n", b"T2\n"),
        (b"M106 S255\nT1\n", b"T1\nM106 S255\n"),
    ],
)
def test_at_a_tool_change_everything_is_as_the_job_had_it(old: bytes, new: bytes) -> None:
    """Place, height and feed, in all three axes; and what stands behind it is not touched."""
    proof = judge(PARK, stamped(lifted_before_the_change(old, new)))
    assert 3 in {violation.promise for violation in proof.violations}, proof


@pytest.mark.parametrize("line", [b"PARK_HEAD\n", b"G4 P200\n", b"T255\n", b"M600\n"])
def test_no_edit_where_anything_else_stands_before_the_tool_change(line: bytes) -> None:
    job, good = (text.replace(b"M106 S255\nT1\n", line + b"T1\n") for text in (PARK, lifted_before_the_change()))
    assert not judge(job, stamped(good)).holds


@pytest.mark.parametrize("line", [b"M0\n", b"G4 P200\n", b"T255\n", b"M600\n"])
def test_what_stands_behind_the_tool_change_does_not_matter(line: bytes) -> None:
    job, good = (text.replace(b"T1\n", b"T1\n" + line) for text in (PARK, lifted_before_the_change()))
    assert judge(job, stamped(good)).holds


@pytest.mark.parametrize("line", [b"M600\n", b"LIGHTS_ON LEVEL=3\n", b"M622.1 S1\n", b"T1\n", b"lights_off\n"])
def test_what_the_operator_calls_neutral_is_no_wall(line: bytes) -> None:
    limits = dataclasses.replace(LIMITS, neutral=("LIGHTS_*", "M622*", "m600", "T1"))
    job, good = JOB.replace(b"M106 S255\n", line), GOOD.replace(b"M106 S255\n", line)
    known_before = line != b"T1\n" or judge(job, stamped(good), limits).holds
    assert known_before
    assert judge(job, stamped(good), limits).holds == (line != b"M600\n")


def test_before_the_first_bead_nothing_may_change() -> None:
    start = changed(b"G1 X10 Y10 Z0.2 F6000\n", b"G1 X5 Y5 Z0.3 F6000\nG1 X10 Y10 Z0.2\n")
    violation = broken(start)
    assert is_at(violation, 3, "other lines", 6, 6)
    assert "not begun" in violation.expected or "position" in violation.expected


def test_the_print_begins_after_the_last_unknown_command_of_its_layer() -> None:
    late = JOB.replace(b"G1 X60 Y60 E4\n", b"G1 X60 Y60 E4\nPURGE\nG90\nG1 X60 Y60 Z0.2\n")
    good = GOOD.replace(b"G1 X60 Y60 E4\n", b"G1 X60 Y60 E4\nPURGE\nG90\nG1 X60 Y60 Z0.2\n")
    violation = broken(good, late)
    assert violation.promise == 3
    assert violation.line_original == 10
    assert "not begun" in violation.expected


def test_after_the_last_bead_nothing_may_change() -> None:
    violation = broken(changed(b"G1 E4 F2400\nM104 S0\n", b"G1 E4 F2400\nM104 S0\nG1 X100 Y100 Z0.2\n"))
    assert is_at(violation, 3, "other lines", 24, 25)


@pytest.mark.parametrize(
    ("own", "why"),
    [
        (b"G1 Z2.6 F600\nG1 X80 Y80 F9000\nG1 Z0.2 F600\n", "taller"),
        (b"G1 Z0.1 F600\nG1 X80 Y80 F9000\nG1 Z0.2 F600\n", "below both ends"),
        (b"G1 Z0.6 F600\nG1 X75 Y70 Z0.3\nG1 X80 Y80 Z0.6\nG1 Z0.2 F600\n", "more than once"),
        (b"G1 Z0.6 F600\nG1 Z0.2 F600\n", "go anywhere"),
    ],
)
def test_travels_that_the_job_means_so_must_stay(own: bytes, why: str) -> None:
    job = JOB.replace(SECOND, own)
    way = b"G1 X75 Y70 Z0.4 F600\nG1 X80 Y80 Z0.2 F600\n" if b"X80" in own else b"G1 X70 Y60 Z0.2 F600\n"
    proof = judge(job, stamped(job.replace(own, way)))
    assert any(v.promise == 3 and why in v.expected for v in proof.violations), proof


def test_no_edit_where_the_position_is_not_known() -> None:
    job = JOB.replace(b"G28\n", b"G28\nG92 Z0\n").replace(b"G1 X10 Y10 Z0.2 F6000\n", b"G1 X10 Z0.2 F6000\n")
    good = GOOD.replace(b"G28\n", b"G28\nG92 Z0\n").replace(b"G1 X10 Y10 Z0.2 F6000\n", b"G1 X10 Z0.2 F6000\n")
    known = b"G1 X20 Y10 E1 F1200\n"
    assert judge(job, stamped(good)).holds
    job, good = job.replace(known, b"G1 X20 E1 F1200\n"), good.replace(known, b"G1 X20 E1 F1200\n")
    job, good = job.replace(b"G1 X30 Y10 E2\n", b"G1 X30 E2\n"), good.replace(b"G1 X30 Y10 E2\n", b"G1 X30 E2\n")
    good = good.replace(TRIANGLE, TRIANGLE.replace(b"Y30.000", b"Y25.000"))
    assert any("position" in v.expected for v in judge(job, stamped(good)).violations)


def test_a_firmware_that_lifts_by_itself_must_not_be_lifted_twice() -> None:
    """M207 Z makes G10 lift (sources of the firmware: the "double lift" warning)."""
    job, good = (text.replace(b"G1 E1 F2400\n", b"G10\n").replace(b"G1 E2 F2400\n", b"G11\n") for text in (JOB, GOOD))
    assert judge(job, stamped(good)).holds
    job, good = (text.replace(b"M82\n", b"M82\nM207 S1 Z0.5\n") for text in (job, good))
    violation = broken(good, job)
    assert is_at(violation, 3, "other lines", 11, 11)
    assert "lifts by itself" in violation.expected


# Promise 4


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b"Y30.000 Z0.600", b"Y30.000 Z0.199", "lower of its two ends"),
        (b"Y30.000 Z0.600", b"Y30.000 Z100.001", "higher than the printer"),
        (b"Y30.000 Z0.600 F9000", b"Y30.000 Z5.600 F9000", "Z speed limit"),
        (b"Y30.000 Z0.600 F9000", b"Y30.000 Z0.600 F9001", "no faster than the job"),
        (b"Z0.600 F9000 ;lw triangle +0.40\nG1 X50", b"Z0.600 F0 ;lw triangle +0.40\nG1 X50", "plain G0"),
    ],
)
def test_moves_beyond_the_limits_are_named(old: bytes, new: bytes, said: str) -> None:
    violation = broken(changed(old, new))
    assert violation.promise == (3 if said == "plain G0" else 4)
    assert said in violation.expected
    assert violation.line_rewritten == 11


def test_z_may_be_as_fast_as_the_limit_and_no_faster() -> None:
    def square(feed: bytes) -> bytes:
        return b"; to the other side\nG1 X30 Y10 Z0.600 F%s ;lw square +0.40\nG1 X50 Y50 Z0.600 F9000\n" % feed + \
            b"G1 X50 Y50 Z0.2 F%s\n" % feed  # fmt: skip

    assert judge(JOB, stamped(JOB.replace(FIRST, square(b"720")))).holds
    assert is_at(broken(JOB.replace(FIRST, square(b"720.01"))), 4, "bounds", 10, 11)


def test_a_feed_override_counts_against_the_z_limit() -> None:
    """M220 scales every move (firmware documents, M220)."""
    job, good = (text.replace(b"M82\n", b"M82\nM220 S150\n") for text in (JOB, GOOD))
    square = b"; to the other side\nG1 X30 Y10 Z0.600 F720 ;lw square +0.40\nG1 X50 Y50 Z0.600 F6000\n"
    square += b"G1 X50 Y50 Z0.2 F480\n"
    assert is_at(broken(good.replace(TRIANGLE, square), job), 4, "bounds", 11, 12)
    assert judge(job, stamped(good.replace(TRIANGLE, square.replace(b"F720", b"F480")))).holds


def test_off_the_bed_only_the_box_of_the_jobs_own_points_is_allowed() -> None:
    limits = dataclasses.replace(LIMITS, bed=(0.0, 35.0, 0.0, 200.0))
    assert judge(JOB, stamped(GOOD), limits).holds
    round_bed = dataclasses.replace(LIMITS, bed=20.0)
    assert judge(JOB, stamped(GOOD), round_bed).holds
    out = changed(b"G1 X50 Y50 Z0.2\n", b"G1 X52.000 Y54.000 Z0.2\nG1 X50 Y50 Z0.2\n")
    assert {v.promise for v in judge(JOB, stamped(out), limits).violations} == {4, 5}
    assert {v.promise for v in judge(JOB, stamped(out), round_bed).violations} == {4, 5}


def test_travels_left_alone_are_not_judged() -> None:
    limits = dataclasses.replace(LIMITS, z_max_mm=0.1, z_speed_mm_s=0.1, bed=(0.0, 1.0, 0.0, 1.0))
    assert judge(JOB, stamped(JOB), limits).holds


# Promise 5


@pytest.mark.parametrize(
    ("new", "original", "rewritten"),
    [
        (b"G1 X40.000 Y30.000 Z0.600 F9000\nG1 X41.000 Y30.000 Z0.6\nG1 X50 Y50 Z0.2\n", 10, 12),
        (b"G1 X40.000 Y30.000 Z0.600 F9000\nG1 X35.000 Y20.000 Z0.6\nG1 X50 Y50 Z0.2\n", 10, 12),
        (b"G1 X40.000 Y30.000 Z0.600 F9000\nG1 X55.000 Y60.000 Z0.6\nG1 X50 Y50 Z0.2\n", 10, 12),
    ],
)
def test_a_detour_is_named(new: bytes, original: int, rewritten: int) -> None:
    proof = judge(JOB, stamped(JOB.replace(FIRST, b"; to the other side\n" + new)))
    assert (5, "way", original, rewritten) in {
        (v.promise, v.name, v.line_original, v.line_rewritten) for v in proof.violations
    }


def test_a_lost_way_point_is_named() -> None:
    job = JOB.replace(FIRST, b"G1 X50 Y10 F9000\nG1 X50 Y50\n")
    cut = b"G1 X50 Y50 Z0.2 F9000\n"
    violation = broken(job.replace(b"G1 X50 Y10 F9000\nG1 X50 Y50\n", cut), job)
    assert is_at(violation, 5, "way", 10, 10)


# Promises 6 and 7


def test_another_end_state_is_named() -> None:
    end = JOB + b"G1 X0 Y100 F3000\n"
    proof = judge(end, stamped(end.replace(b"G1 X0 Y100 F3000\n", b"G1 X0 Y101 F3000\n")))
    assert {(v.promise, v.name) for v in proof.violations} == {(3, "other lines"), (6, "end state")}
    assert "Y 100" in proof.violations[-1].expected
    assert "Y 101" in proof.violations[-1].found


def test_a_missing_wrong_or_misplaced_stamp_is_named() -> None:
    good = stamped(GOOD)
    for bad in (
        GOOD,
        good[:-1],
        good + b"\n",
        good.replace(b"; hose bracket", b"; hose bracker"),
        good.replace(b"stamp 1", b"stamp 2"),
        good.replace(b"\n;liftwright", b" ;liftwright"),
        good + good,
    ):
        assert any((v.promise, v.name) == (7, "stamp") for v in judge(JOB, bad).violations), bad[-120:]


def test_the_list_of_violations_is_capped() -> None:
    many = JOB[: JOB.index(b"G1 E1 F2400")] + b"G1 X50 E3\nG1 X60 E4\n" * 100
    proof = fast(many, stamped(many.replace(b"X60", b"X61")))
    assert not proof.holds
    assert len(proof.violations) == 20
    assert proof.total >= 20
    assert not proof.complete


def test_a_stamp_that_comes_after_the_proof_is_judged_by_the_bytes_that_were_proved() -> None:
    """Promise 7, when the digest is the proof's own: any other last line breaks it."""
    proof = prove(io.BytesIO(JOB), io.BytesIO(GOOD), LIMITS, stamped=False)
    assert proof.holds
    assert proof.sha.hexdigest() == hashlib.sha256(GOOD).hexdigest()
    assert check_stamp(io.BytesIO(stamped(GOOD)), proof).holds
    for wrong in (GOOD, stamped(GOOD + b";\n"), stamped(JOB)):
        judged = check_stamp(io.BytesIO(wrong), proof)
        assert not judged.holds
        assert [v.promise for v in judged.violations] == [7]
