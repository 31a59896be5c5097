"""The proof's own reader: published grammar and firmware figures, and its slow twin on odd lines and real jobs."""

from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright import proof_state as ps
from liftwright.proof_names import Names
from liftwright.proof_plain import is_plain, plain_moves, plain_row
from liftwright.proof_reader import read_line
from liftwright.proof_words import SCALE, number
from reference.odd_lines import LINES
from reference.slow_proof_reader import Line, Reader

KINDS = ("blank", "note", "move", "bead", "back", "forward", "neutral", "dwell", "wall")
JOBS = sorted((Path(__file__).parents[3] / "shared" / "jobs").glob("*.gcode"))
AXES = (ps.X, ps.Y, ps.Z, ps.E)


def read(job: bytes, sets: bool | None = True, neutral: tuple[str, ...] = ()) -> list[tuple[np.ndarray, np.ndarray]]:
    """Row and state of each line by the kernels."""
    window = np.frombuffer(job + b"\n\n", dtype=np.uint8).copy()
    state, names = ps.new_state(sets), Names(neutral)
    tables = ps.Tables(np.zeros(26, dtype=np.int64), np.zeros(26, dtype=np.int64), names.codes, names.names)
    found, at = [], 0
    while at < len(job):
        row = np.zeros(ps.ROW_SIZE, dtype=np.int64)
        plainly = read_plainly(window, at, len(job), state)
        while read_line(window, at, len(job), state, row, tables) == ps.ASK:
            table, first, end = (int(value) for value in tables.words[:3])
            names.learn(table, first, bytes(window[first:end]))
        if plainly is not None:
            assert plainly == (row.tolist(), state.tolist()), "the short way reads the same"
        found.append((row, state.copy()))
        at = int(row[ps.NEXT])
    return found


def read_plainly(window: np.ndarray, at: int, n: int, state: np.ndarray) -> tuple[list[int], list[int]] | None:
    """Row and state by the short way, where it takes the line."""
    row, after = np.zeros(ps.ROW_SIZE, dtype=np.int64), state.copy()
    if not (is_plain(state) and plain_row(window, at, n, after, row)):
        assert after.tolist() == state.tolist()
        return None
    return row.tolist(), after.tolist()


def last(job: bytes, sets: bool | None = True) -> tuple[list[Decimal], str]:
    """X, Y, Z, E after the last line, and its kind."""
    row, state = read(job, sets)[-1]
    return [Decimal(int(state[k])) / SCALE for k in AXES], KINDS[row[ps.KIND]]


def differences(job: bytes, sets: bool | None = True, neutral: tuple[str, ...] = ()) -> list[str]:
    """What the kernels and the twin read differently."""
    lines = Reader(sets, neutral).read(job)
    rows = read(job, sets, neutral)
    if len(lines) != len(rows):
        return [f"{len(lines)} lines against {len(rows)}"]
    found = []
    for k, (line, (row, state)) in enumerate(zip(lines, rows, strict=True), 1):
        found += [f"line {k} {line.text!r}: {name}: twin {a}, kernel {b}" for name, a, b in _pairs(line, row, state)
                  if a != b]  # fmt: skip
    return found


def _pairs(line: Line, row: np.ndarray, state: np.ndarray) -> list[tuple[str, object, object]]:
    after = line.after
    bits = {"X": ps.KNOW_X, "Y": ps.KNOW_Y, "Z": ps.KNOW_Z, "E": ps.KNOW_E, "M": ps.KNOW_MODE}
    known = {name for name, bit in bits.items() if state[ps.KNOWN] & bit}
    return [
        ("kind", line.kind, KINDS[row[ps.KIND]]),
        ("span", len(line.text), row[ps.END] - row[ps.START]),
        ("place", True, all(_near(after.at[k], state[axis]) for k, axis in zip("XYZE", AXES, strict=True))),
        ("feed", after.feed * SCALE, int(state[ps.F])),
        ("known", set(after.known), known),
        ("tool", after.tool, int(state[ps.TOOL])),
        ("pushed", True, _near(line.pushed, row[ps.RDE])),
        ("modes", [after.absolute, after.inch, after.latched], [state[k] == 1 for k in (ps.ABS, ps.INCH, ps.LATCHED)]),
        ("rest", (after.plane, after.firmware_lift, after.frame, after.percent * SCALE),
         (int(state[ps.PLANE]), bool(state[ps.FIRMWARE_LIFT]), bool(state[ps.FRAME]), int(state[ps.PERCENT]))),
        ("flags", (line.numbered, line.unsure, line.unknown),
         tuple(bool(row[ps.FLAGS] & bit) for bit in (ps.NUMBERED, ps.UNSURE, ps.UNKNOWN))),
    ]  # fmt: skip


def _near(twin: Decimal, kernel: int) -> bool:
    """Equal; where the job writes more than twelve decimals, to the last one that is kept."""
    exact = twin * SCALE
    return exact == int(kernel) or (exact % 1 != 0 and abs(exact - int(kernel)) < 2)


@pytest.mark.parametrize(
    ("text", "value"),
    [("5", "5"), ("5.", "5"), (".5", "0.5"), ("+4", "4"), ("-0.8807", "-0.8807"), ("00012.500", "12.5"),
     ("-.0525", "-0.0525"), ("0.123456789012", "0.123456789012")],
)  # fmt: skip
def test_numbers_of_the_published_grammar_are_read(text: str, value: str) -> None:
    """NIST RS274/NGC 3.3.2.1: sign, digits, point, at least one digit."""
    got, end, found, residue = number(np.frombuffer(text.encode() + b"\n", dtype=np.uint8), 0)
    assert (found, end, residue) == (True, len(text), 0)
    assert Decimal(got) / SCALE == Decimal(value)


@pytest.mark.parametrize("text", ["", ".", "+", "-.", "--1"])
def test_what_the_grammar_forbids_is_no_number(text: str) -> None:
    """NIST RS274/NGC 3.3.2.1."""
    assert not number(np.frombuffer(text.encode() + b"\n", dtype=np.uint8), 0)[2]


def test_there_is_no_exponent() -> None:
    """NIST RS274/NGC appendix E has none; firmware executes X1E3 as X1 and E3, and E1e-5 names E twice."""
    assert last(b"G1 X1E3") == ([1, 0, 0, 3], "bead")
    assert last(b"M83\nG1E-2") == ([0, 0, 0, -2], "back")
    assert last(b"G1 X2 E1e-5")[1] == "wall"


@pytest.mark.parametrize(
    ("first", "second", "if_set", "if_not"),
    [("M83", "G90", 0, 1), ("M83", "G91", 1, 1), ("M82", "G91", 1, 1), ("G91", "M82", 0, 1),
     ("G91", "M83", 1, 1), ("G90", "M83", 1, 1), ("M82", "G90", 0, 0), ("G90", "M82", 0, 0)],
)  # fmt: skip
def test_the_two_firmware_dialects_of_the_extruders_mode(first: str, second: str, if_set: int, if_not: int) -> None:
    """Truth table of the two firmware documents: which orders make E relative (1) when G90/G91 set it, and when not."""
    job = f"G1 X1 E10\n{first}\n{second}\nG1 X3 E10\n".encode()
    for sets, relative in ((True, if_set), (False, if_not)):
        assert last(job, sets)[0][3] == (20 if relative else 10)
    row, _ = read(job, None)[-1]
    assert bool(row[ps.FLAGS] & ps.UNSURE) == (if_set != if_not)


def test_g92_shifts_the_named_axes_and_moves_nothing() -> None:
    """NIST RS274/NGC 3.5.18, worked example: X is 4; G92 X7, then G92 X9: a move to X9 goes nowhere."""
    assert last(b"G1 X4 Y1\nG92 X7\nG92 X9\nG1 X9")[0][:2] == [4, 1]
    assert last(b"G1 X4\nG92 X7\nG1 X8")[0][0] == 5


def test_inches_are_converted_exactly() -> None:
    """25.4 mm (NIST SP 811, from memory); units apply from their line on (NIST RS274/NGC 3.5.7)."""
    assert last(b"G20\nG1 X1.00001 E.1")[0] == [Decimal("25.400254"), 0, 0, Decimal("2.54")]
    assert last(b"G20\nG1 X1\nG21\nG1 X26\nG91\nG20\nG1 X-1")[0][0] == Decimal("0.6")


SETS = [True, False, None]
ENDS = [b"\n", b"\r\n", b"\r", b"\r\r\n"]


@pytest.mark.parametrize("sets", SETS)
def test_every_odd_line_is_read_as_the_twin_reads_it(sets: bool | None) -> None:
    for line in LINES:
        job = b"G1 X1 Y1 Z1 E1 F100\n" + line + b"\nG1 X2 Y2 Z2 E2\n"
        assert differences(job, sets) == []
    assert differences(b"\n".join(LINES), sets) == []
    assert (
        differences(
            b"\r\n".join(reversed(LINES)), sets, ("LIGHTS_*", "M6*", "M1002", "M10000", "M9999*", "t1*", "G29*")
        )
        == []
    )


@given(
    st.lists(st.tuples(st.sampled_from(LINES), st.sampled_from(ENDS)), max_size=40),
    st.sampled_from([True, False, None]),
)
def test_any_order_of_odd_lines_is_read_as_the_twin_reads_it(
    lines: list[tuple[bytes, bytes]], sets: bool | None
) -> None:
    assert differences(b"".join(line + end for line, end in lines), sets, ("LIGHTS_*", "M622*")) == []


WORDS = [
    b'G', b'M', b'T', b'N', b'X', b'y', b'E', b'F', b'I', b'P', b'1', b'0', b'92', b'9', b'.5', b'-', b'+', b'.',
    b' ', b'\t', b';', b'(', b')', b'*', b'/', b'_', b'A_B', b'"', b'\xff', b'\x00', b'G1 X1', b' E2', b'\n', b'\r',
]  # fmt: skip


@given(st.lists(st.sampled_from(WORDS), max_size=60).map(b"".join))
def test_any_bytes_are_read_as_the_twin_reads_them(job: bytes) -> None:
    assert differences(job) == []


@pytest.mark.skipif(not JOBS, reason="the collection of real jobs is not here")
@pytest.mark.parametrize("job", JOBS, ids=lambda path: path.stem)
def test_real_jobs_are_read_as_the_twin_reads_them(job: Path, long: bool) -> None:
    text = job.read_bytes()
    assert differences(text if long else text[:150_000]) == []


def test_what_does_not_fit_is_remembered_digit_by_digit() -> None:
    """Numbers beyond twelve decimals or ±4,000,000 are cut off; that they are the same digits still shows."""

    def residue(text: bytes) -> tuple[int, int]:
        value, _, found, rest = number(np.frombuffer(text + b"\n", dtype=np.uint8), 0)
        assert found
        return int(value), int(rest)

    assert residue(b"0.1234567890123") != residue(b"0.1234567890124")
    assert residue(b"0.1234567890123") == residue(b"0.12345678901230")
    assert residue(b"0.1234567890120") == residue(b"0.123456789012")
    assert residue(b"9" * 400) == residue(b"9" * 400)
    assert residue(b"9" * 400) != residue(b"9" * 399)
    assert residue(b"9" * 400)[1] != 0
    assert residue(b"-" + b"9" * 400) != residue(b"9" * 400)
    assert residue(b"0" * 400 + b"5") == (5 * SCALE, 0)


PLAIN = b"""G1 X11 Y10.5 E.25 F1200
G1 X12 Y10.5 E0.25
G1 E-0.8 F2100
G0 X-3 Y+4.125 Z0.6 F9000 ;lw triangle +0.40
G0 X13 Y9
G1 E0.8
G1 X13 Y10 E0
G1 X13.5 Y10 E1 ; out
G1 X13.50 Y10.0 E1
G1 F600
"""
ORDER = b"G1 X12 Y10.5 E0.25\nG1 X12 Y11 E1 ;x\nM106\nG1 X14 E1\n"


@pytest.mark.parametrize("modes", [b"G90\nM83\n", b"G90\nM82\n", b"G91\n", b"G20\nG90\nM83\n"])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_a_run_of_plain_moves_is_what_its_lines_are_one_by_one(modes: bytes, end: bytes) -> None:
    """`plain_moves` counts, and leaves the state, as the rows of `read_line` say; it stops before what isn't plain."""
    head = (b"G28\n" + modes + b"G1 X10 Y10 Z0.2 E0 F6000\n").replace(b"\n", end)
    body = (PLAIN + PLAIN + ORDER).replace(b"\n", end)
    rows = read(head + body, True)[head.count(b"\n") :]
    state, start = read(head, True)[-1][1].copy(), np.zeros(ps.STATE_SIZE, dtype=np.int64)
    window = np.frombuffer(body + b"\n\n", dtype=np.uint8).copy()
    at, lines, beads, travels, moved, gap, upto = plain_moves(window, 0, len(body), 0, state, start)
    if modes[:3] in (b"G91", b"G20"):
        assert (at, lines, gap) == (0, 0, -1)
        return
    kinds = [row[ps.KIND] for row, _ in rows[:lines]]
    assert lines == 2 * PLAIN.count(b"\n") + 2
    assert body[at:].startswith(b"M106")
    assert state.tolist() == rows[lines - 1][1].tolist()
    assert beads == kinds.count(ps.BEAD)
    last_bead = max(k for k, kind in enumerate(kinds) if kind == ps.BEAD)
    assert upto == last_bead + 1
    assert start.tolist() == rows[last_bead][1].tolist()
    assert moved == (ps.MOVE in kinds[last_bead:])
    before = [k for k, kind in enumerate(kinds) if kind == ps.BEAD]
    assert travels == sum(ps.MOVE in kinds[a:b] for a, b in zip([0, *before], before, strict=False))
    assert gap == sum(len(line) for line in body.splitlines(keepends=True)[:upto])
