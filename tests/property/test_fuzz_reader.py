"""Hostile bytes and tokens: the reader answers or refuses with a reason, and never disagrees with its twin."""

import contextlib
import io

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from liftwright.errors import JobError
from liftwright.job.moves import MoveReader
from reference.readers import PRODUCT, read_product
from reference.slow_reader import Dialect, read
from reference.twins import differences

pytestmark = pytest.mark.hostile

NUMBERS = [
    "0",
    "1",
    "5",
    "-5",
    "+4",
    ".5",
    "5.",
    "-.0525",
    "00012.500",
    "0.1",
    "0.2",
    "0.3",
    "1.234",
    "99.999",
    "-0",
    "25.4",
]
COMMANDS = [
    "G0",
    "G1",
    "G1",
    "G1",
    "G2",
    "G3",
    "g1",
    "G01",
    "G 1",
    "G90",
    "G91",
    "M82",
    "M83",
    "G92",
    "G20",
    "G21",
    "G10",
    "G11",
]
WHOLE = [
    *("G28", "G28 X0", "T0", "T1", "T-1", "T", "T255", "M117 G1 X9", "M106 S1", "M600", "PARK", "G4 P5", "M200 D1.75"),
    *("M200 D0", "", ";G1 X9", "(G1 X9)", "/G1 X9", "%", "N5 G1 X7*3", "M486 S2", 'M486 A"G1 X3"', "M204 S500"),
    *("EXCLUDE_OBJECT_START NAME=X1", "G10 P0 S5", "G10 L2 P1 X5", "G92.1", "G53 G1 X5", "G17", "G29", "M0 (x)"),
]
words = st.builds(
    "{}{}{}".format, st.sampled_from("XYZEFIJRxyzeP"), st.sampled_from(["", "", " "]), st.sampled_from(NUMBERS)
)
moves = st.builds(
    lambda command, gap, parts, tail: gap.join([command, *parts]) + tail,
    st.sampled_from(COMMANDS),
    st.sampled_from([" ", " ", "", "\t"]),
    st.lists(words, max_size=5),
    st.sampled_from(["", "", "", " ", ";c", " (c)", " ; (c"]),
)
lines = st.one_of(moves, moves, moves, st.sampled_from(WHOLE))
programs = st.builds(
    lambda parts, end: (end.join(parts)).encode(), st.lists(lines, max_size=40), st.sampled_from(["\n", "\r\n", "\r"])
)


def read_or_refuse(job: bytes, chunk: int = 1 << 20) -> int:
    """Rows read, or -1 where the job was refused with a reason. Anything else than a JobError is a bug."""
    with contextlib.suppress(JobError):
        return len(read_product(job, chunk=chunk))
    return -1


@given(programs, st.booleans())
@example(b"M83\nG1 X1 E0.1\nG1 X2 E0.1\nG1 X3 E0.1\nM82\nG1 X4 E0.3\n", True)
@example(b"G20\nG1 X1 E1\nG21\nG1 E25.4\n", True)
@example(b"G0\nG90 X0\nG28\nG0 Y0\nG0 X0 Z0", False)  # homing leaves the positioning mode in doubt
def test_the_kernel_reads_any_program_as_its_twin_does(job: bytes, g90: bool) -> None:
    """Programs of plausible lines in senseless order; where the product refuses, there is nothing to compare."""
    try:
        fast = PRODUCT(job, g90)
    except JobError:
        return
    assert differences(read(job, Dialect(g90)), fast) == []


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused(job: bytes) -> None:
    read_or_refuse(job)


TOKENS = [
    *(
        b"G1",
        b"X",
        b"E",
        b"1",
        b".",
        b"-",
        b"e5",
        b"\n",
        b"\r",
        b" ",
        b"(",
        b";",
        b"*",
        b"\x00",
        b"\xff",
        b"nan",
        b"inf",
    ),
    *(b"1e999", b"{speed}", b"N1", b"M117 ", b"/", b"%", b'"', b"T"),
]


@given(st.lists(st.sampled_from(TOKENS), max_size=60))
def test_any_tokens_are_read_or_refused(tokens: list[bytes]) -> None:
    read_or_refuse(b"".join(tokens), chunk=64)


NUMERALS = {
    "an exponent": b"G1 X1e999 Y1 E1",
    "not a number": b"G1 Xnan Y1 E1",
    "infinite": b"G1 Xinf Y1 E1",
    "four hundred digits": b"G1 X" + b"9" * 400 + b" Y1 E1",
    "four hundred decimals": b"G1 X1." + b"3" * 400 + b" Y1 E1",
    "four hundred zeros": b"G1 X" + b"0" * 400 + b"7 Y1 E1",
    "many signs": b"G1 X" + b"-" * 400 + b"1 Y1 E1",
    "a thousand words": b"G1 " + b" ".join(b"X%d" % i for i in range(1000)) + b" E1",
    "a thousand commands": b" ".join([b"G1 X1 Y1"] * 1000),
    "a thousand blanks": b"G1" + b" " * 1000 + b"X1" + b"\t" * 1000 + b"E1",
    "hexadecimal": b"G1 X0x10 Y1 E1",
    "other digits": "G1 X١ Y1 E1".encode(),
    "a comma": b"G1 X1,5 Y1 E1",
    "underscores": b"G1 X1_000 Y1 E1",
}


@pytest.mark.parametrize("line", NUMERALS.values(), ids=NUMERALS.keys())
def test_hostile_numbers_never_become_a_certain_wrong_place(line: bytes) -> None:
    """Refused with the line, or read as a firmware's words say: X within what the text can mean."""
    job = b"G28\nG90\nM82\nG1 X0 Y0 Z0 F600\n" + line + b"\nG1 X5 Y5 Z1 E2\n"
    rows = PRODUCT.or_refused(job)
    if rows is None:
        with pytest.raises(JobError, match="5:"):
            PRODUCT(job)
        return
    row = next(row for row in rows if row.line == 5)
    if row.known:
        assert float(row.x) in {1.0, 7.0, 10.0, 999.0, 1.333333333333333333}


def test_a_line_without_end_is_refused_and_not_kept() -> None:
    """400 MB of one line, given piece by piece: refused long before all of it was read."""

    class Endless(io.RawIOBase):
        given = 0

        def readable(self) -> bool:
            return True

        def readinto(self, into: memoryview) -> int:  # type: ignore[override]
            size = min(len(into), 400_000_000 - self.given)
            into[:size] = b"G" * size
            self.given += size
            return size

    source = Endless()
    with pytest.raises(JobError, match="MiB"):
        list(MoveReader(source).windows())
    assert source.given < 20_000_000


@pytest.mark.parametrize("filler", [b"\n", b"\r", b";" + b"c" * 70 + b"\n", b"G92 E0\n", b"M117 x\n", b"\x00\n"])
def test_a_long_stretch_without_a_bead_is_bounded(filler: bytes) -> None:
    """Nothing is extruded for 3 MB: read in one window or refused, and nothing else."""
    job = io.BytesIO(b"G90\n" + filler * (3_000_000 // len(filler)))
    with contextlib.suppress(JobError):
        assert list(MoveReader(job, chunk=1 << 16).windows())
