"""Hostile jobs through the whole core: a result with a reason each time, never an exception, never a failed proof."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.proof import Limits, prove
from property.jobs import Spelling, Step, jobs, spell, spellings
from property.rewriting import SHAPES, press
from property.test_fuzz_reader import TOKENS, programs
from reference.odd_lines import LINES
from unit.test_terrain_lifts import BACK, OUT, H, closed, over_a_wall_to_a_change, start

shapes = st.sampled_from(SHAPES)
pytestmark = pytest.mark.hostile
PRINT = (
    b"G28\nM104 S200\nG90\nM83\nG1 X10 Y10 Z0.2 F6000\nG1 X20 E1 F1200\n"
    b"G1 E-1\nG1 X60 Y40 F9000\nG1 E1\nG1 X80 E1 F1200\n"
)


def check(job: bytes, shape: str) -> None:
    """A result with a reason, and what was written was proved: reader and proof read every line alike, or refuse it."""
    result = press(job, shape).result
    assert result.reason
    assert result.outcome in ("rewritten", "unchanged", "held")
    assert result.reason_code != "proof_failed", result.violations


@given(st.binary(max_size=300), shapes)
def test_any_bytes_get_an_answer(job: bytes, shape: str) -> None:
    check(job, shape)


@given(st.lists(st.sampled_from(TOKENS), max_size=60), shapes)
def test_a_print_with_any_tokens_behind_it_gets_an_answer(tokens: list[bytes], shape: str) -> None:
    check(PRINT + b"".join(tokens) + b"\n" + PRINT, shape)


@given(programs, programs, shapes)
def test_a_print_among_senseless_programs_gets_an_answer(before: bytes, between: bytes, shape: str) -> None:
    """Plausible lines in senseless order around two small prints: reader and proof never disagree."""
    check(before + b"\n" + PRINT + between + b"\n" + PRINT + before + b"\n", shape)


CHANGES = [b"T1", b"T0", b"T2", b"T-1", b"T255", b"T1.5", b"T1 F1800", b"T1;x", b"T", b"N5 T1", b"T1*33", b"t01"]
AROUND = [
    b"G1 X70 Y60 F9000", b"G1 X70 Y60 Z0.2 F9000", b"G1 X60 Y61", b"G1 Z0.6 F600", b"G1 Z0.2", b"G1 E-1 F1800",
    b"G1 E1 F1800", b"G1 F3000", b"G1 X30 Y60 Z0.2", b"G10", b"G11", b"G92 E0", b"G91", b"G90", b"G20", b"G21",
    b"M82", b"G1 X31 E-0.3", b"G3 Z0.6 I1 J0 P1 F9000", b"G2 X70 Y60 I20 J0", b"M106 S9", b"; note", b"G4 P1",
]  # fmt: skip
mixed = st.lists(st.sampled_from(AROUND) | st.sampled_from(CHANGES) | st.sampled_from(LINES), max_size=4)


@given(mixed, st.sampled_from(CHANGES), mixed, st.sampled_from([b"\n", b"\r\n"]))
def test_a_tool_change_among_odd_lines_behind_an_obstacle_gets_an_answer(
    before: list[bytes], change: bytes, behind: list[bytes], eol: bytes
) -> None:
    """Lifted up to the change, or left: the proof agrees on which."""
    job = over_a_wall_to_a_change().replace(b"\nT1\n", b"\n" + b"\n".join([*before, change, *behind]) + b"\n")
    check(job.replace(b"\n", eol), "terrain")


def stakes() -> list[bytes]:
    """Five layers of three walls, with a travel of two pieces across them behind each: lines of a job."""
    pen = start()
    for layer in range(1, 6):
        for x in (40, 50, 60):
            pen.travel(x, 50, round(layer * H, 3)).bead((x, 70))
            pen.lines += [OUT, f"G1 X20 Y{55 + layer} F9000", f"G1 X70 Y{56 + layer}", BACK]
            pen.at = (70, 56 + layer)
            pen.lines.append("G1 F1200")
            pen.bead((74, 56 + layer))
    return closed(pen).split(b"\n")


STAKES = stakes()
DIRT = [
    b"T1", b"T0", b"T1000", b"T-1", b"G91.1", b"G90.1", b"G17", b"G18", b"G19", b"M83", b"M82", b"G91", b"G90",
    b"G92 X0", b"G92 Z1", b"G92 Z0.6", b"M220 S50", b"M221 S90", b"M200 D1.75", b"G10", b"G11", b"G53", b"M600",
    b"G28 X", b"G20", b"G21", b"M808 L2", b"SAVE_GCODE_STATE NAME=a", b"RESTORE_GCODE_STATE NAME=a", b"G61",
    b"G60 S0", b"M84", b"G12", b"G27", b"G34", b"G38.2 Z1", b"G5 X1 Y1 I1 J1 P1 Q1", b"M42 P1", b"M605 S1",
]  # fmt: skip
strewn = st.lists(
    st.tuples(st.integers(0, len(STAKES) - 3), st.sampled_from(DIRT) | st.sampled_from(LINES)), min_size=1, max_size=4
)


@given(strewn, shapes)
def test_a_print_with_odd_lines_strewn_in_gets_an_answer(strewn: list[tuple[int, bytes]], shape: str) -> None:
    """What one line does to all that follows, modes, origins, tools and certainty, reader and proof take alike."""
    lines = list(STAKES)
    for at, line in strewn:
        lines.insert(at, line)
    check(b"\n".join(lines), shape)


@given(jobs(max_layers=2), spellings(), st.data())
def test_a_generated_job_with_bytes_knocked_about_gets_an_answer(
    job: list[Step], how: Spelling, data: st.DataObject
) -> None:
    """One to five bytes of a valid job replaced, dropped or doubled: the net beneath the reader is the proof."""
    text = bytearray(spell(job, how))
    for _ in range(data.draw(st.integers(1, 5))):
        at = data.draw(st.integers(0, len(text) - 1))
        what = data.draw(st.sampled_from(["replace", "drop", "double"]))
        if what == "replace":
            text[at] = data.draw(st.integers(0, 255))
        elif what == "drop":
            del text[at]
        else:
            text.insert(at, text[at])
    check(bytes(text), data.draw(shapes))


@given(st.binary(max_size=300), st.binary(max_size=300))
def test_the_proof_answers_on_any_two_files(one: bytes, two: bytes) -> None:
    """Anything but its own stamp fails, and a job is never proved against itself without one."""
    assert not prove(io.BytesIO(one), io.BytesIO(two), Limits()).holds


@given(programs, programs)
def test_the_proof_answers_on_any_two_programs(one: bytes, two: bytes) -> None:
    proof = prove(io.BytesIO(one), io.BytesIO(two), Limits(bed=100.0, z_max_mm=50.0, z_speed_mm_s=5.0))
    assert not proof.holds
    assert proof.violations
