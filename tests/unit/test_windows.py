"""What is told of a whole job doesn't depend on the pieces in which it was read."""

import io

import numpy as np
import pytest

from liftwright.errors import JobTooLarge
from liftwright.job.moves import MAX_LINE, MoveReader, Moves, Window
from unit.small_jobs import AFTER, PLAIN_GAP, job

LONG = [f"G1 X{k} Y10 F9000" for k in range(40)]
CHUNKS = [1, 7, 64, 1 << 19]


@pytest.mark.parametrize("chunk", CHUNKS)
@pytest.mark.parametrize("end", [b"", b"\n", b"\r", b"\r\n", b"\n;", b";\n"])
def test_size_and_last_line_end_are_those_of_the_file(end: bytes, chunk: int) -> None:
    """With a long stretch behind the last bead, so that bytes of earlier windows lie behind the end."""
    text = job(*PLAIN_GAP, after=[*AFTER, *LONG])[:-1] + end
    reader = MoveReader(io.BytesIO(text), chunk=chunk)
    windows = list(reader.windows())
    assert windows
    assert reader.size == len(text)
    assert reader.ends_in_newline == (text[-1:] in (b"\n", b"\r"))


def test_an_empty_file_lacks_no_line_end() -> None:
    reader = MoveReader(io.BytesIO(b""))
    assert [len(window.moves) for window in reader.windows()] == [1]
    assert (reader.size, reader.ends_in_newline) == (0, True)


@pytest.mark.parametrize("chunk", CHUNKS)
@pytest.mark.parametrize("eol", ["\n", "\r", "\r\n"])
def test_every_line_end_cuts_windows_and_counts_once(eol: str, chunk: int) -> None:
    """Chunks shorter than a line too, where a pair comes in halves: each row holds the text of the line it names."""
    text = job(*PLAIN_GAP * 5, after=[*LONG, *AFTER, *LONG, *AFTER], eol=eol)
    lines = text.split(eol.encode())
    found, windows = [], 0
    for window in MoveReader(io.BytesIO(text), chunk=chunk).windows():
        moves, bytes_of = window.moves, bytes(window.buf)
        spans = zip(moves.line[1:], moves.start[1:], moves.end[1:], strict=True)
        found += [(int(line), bytes_of[start:end]) for line, start, end in spans]
        windows += 1
        assert bytes_of[: window.size].endswith(eol.encode())
    silent = [k for k, line in enumerate(lines, 1) if line in (b"", b"M104 S0")]  # no rows
    assert found == [(k, line) for k, line in enumerate(lines, 1) if k not in silent]
    assert windows >= (4 if chunk < len(text) else 2)


def kept(window: Window) -> tuple[bytes, ...]:
    """Everything in a window, copied."""
    arrays = (getattr(window.moves, name) for name in Moves.__dataclass_fields__)
    return bytes(window.buf[: window.size]), *(np.ascontiguousarray(array).tobytes() for array in arrays)


@pytest.mark.parametrize("chunk", [1, 7, 64])
def test_with_spare_room_a_window_stands_until_the_second_next(chunk: int) -> None:
    """Arcs, frames and open gaps go over from one set of tables to the other; what is read is the same."""
    gap = ["G20", "G1 X1 F300", "G21", "G2 X60 Y10 I5 J0", "G1 X60"]
    text = job(*[*PLAIN_GAP, *gap, "G3 X30 Y10 I-5 E1", *LONG] * 8)
    expected = [kept(window) for window in MoveReader(io.BytesIO(text), chunk=chunk).windows()]
    found, before, copy = [], None, ()
    for window in MoveReader(io.BytesIO(text), chunk=chunk, spare=True).windows():
        assert before is None or kept(before) == copy
        before, copy = window, kept(window)
        found.append(copy)
    assert len(found) > 2
    assert found == expected


@pytest.mark.parametrize("more", [0, 1])
@pytest.mark.parametrize("chunk", [1 << 16, 1 << 19, 1 << 22])
def test_the_longest_line_is_a_mebibyte(more: int, chunk: int) -> None:
    """Seen whole, or before its end was read; many short lines are no long one."""
    short = b"G1 X1 F600\n" * 100_000
    reader = MoveReader(io.BytesIO(short + b";" * (MAX_LINE + more) + b"\nG1 X2\n"), chunk=chunk)
    if not more:
        assert sum(len(window.moves) for window in reader.windows()) == 100_002
        return
    with pytest.raises(JobTooLarge, match=r"^line 100001: longer than 1 MiB") as refused:
        list(reader.windows())
    assert refused.value.line == 100_001


@pytest.mark.parametrize("chunk", [40, 80, 100, 120, 1 << 19])
def test_the_first_arc_of_a_job_keeps_its_centre_over_a_cut(chunk: int) -> None:
    """Behind the last bead of a window, with more of them in the next."""
    gap = [PLAIN_GAP[0], "G3 Z0.6 I5 J1 F900", "G1 X60 Y10", "G3 Z0.2 I-4 J2", "G3 X70 Y20 I10 J0 E1"]
    text = job(*gap * 3)
    found = []
    for window in MoveReader(io.BytesIO(text), chunk=chunk).windows():
        moves = window.moves
        found += [tuple(moves.arcs[:2, moves.arc[k]]) for k in range(1, len(moves)) if moves.arc[k] >= 0]
    first = [(25.0, 11.0), (56.0, 12.0), (70.0, 10.0)]
    again = [(75.0, 21.0), (56.0, 12.0), (70.0, 10.0)]
    assert found == first + again * 2


@pytest.mark.parametrize("chunk", [16, 40, 100, 150])
@pytest.mark.parametrize("changes", [["G20"], ["G91"], ["G92 X0", "T1"], ["M486 S3", "G91", "G20"], ["M600"]])
def test_a_window_begins_as_the_one_before_ended(changes: list[str], chunk: int) -> None:
    """Place, feed, frame, tool, label and certainty of the last bead, whatever changes right behind it."""
    text = job(*changes, *PLAIN_GAP, "G1 X9 Y9 Z1 E1", "G21", "G90", "G1 X5 E1", *changes, after=AFTER)
    ends: list[tuple[float, ...]] = []
    for window in MoveReader(io.BytesIO(text), chunk=chunk).windows():
        moves = window.moves
        columns = (moves.x, moves.y, moves.z, moves.f, moves.tool, moves.label, moves.known, moves.feed)
        states = [(*(float(c[k]) for c in columns), *moves.frames[:, moves.frame[k]].tolist()) for k in (0, -1)]
        assert not ends or states[0] == ends[-1]
        ends.append(states[1])
    assert len(ends) > 1
