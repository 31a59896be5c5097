"""A job's bytes to windows of moves: column tables in bed coordinates, with the byte span of each line.

`MoveReader.windows()` goes through a job of any size in bounded memory. Every window ends right behind a bead, so that
no travel is ever cut; the rows and bytes behind the last bead are carried over into the next window, whose row 0
(START) holds the position at which the cut was made. Refuses lines and stretches without a bead beyond stated limits,
and the first word without a number.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from mmap import MAP_ANONYMOUS, MAP_PRIVATE, mmap
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from liftwright.errors import JobTooLarge, UnreadableJob
from liftwright.job.columns import *  # noqa: F403  (the kinds and bits are part of this module's face)
from liftwright.job.columns import (
    B_CODE,
    B_KIND,
    B_KNOWN,
    BEAD,
    E_FEED,
    E_TEMPLATE,
    E_TOO_LARGE,
    F_DE,
    F_FEED,
    F_VALUE,
    F_X,
    F_Y,
    F_Z,
    I_END,
    I_LINE,
    I_START,
    J_ARC,
    J_FRAME,
    J_LABEL,
    J_TOOL,
    J_WORDS,
    MAX_NOTES,
    MAX_UNKNOWN,
    N_BYTE,
    N_FLOAT,
    N_INT,
    N_SMALL,
    N_STATE_FLOAT,
    N_STATE_INT,
    R_SCALE,
    S_ABSOLUTE,
    S_ARCS,
    S_DIALECT,
    S_E_BOTH,
    S_E_LAST,
    S_ERROR,
    S_ERROR_AT,
    S_ERROR_LINE,
    S_FRAMES,
    S_LABEL,
    S_LONGEST,
    S_LONGEST_LINE,
    S_NOTES,
    S_NUL,
    S_ROWS,
    S_SCALE,
    S_UNKNOWN,
    START,
    W_ODD,
)
from liftwright.job.reading import read_lines
from liftwright.job.rows import add_frame

CHUNK = 1 << 19  # bytes read at a time: the tables of one window stay in the processor's cache
NEAR_END = 256  # rows: seldom is the last bead farther from a window's end
MAX_LINE = 1 << 20
MAX_WINDOW = 64 << 20  # a stretch without a bead beyond this isn't a print

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Moves:
    """One window of a job as columns of equal length; the move of row i goes from row i - 1 to row i.

    x y z: bed coordinates after the row, mm. de: filament pushed, mm. f: modal feed as the file writes it, units/min.
    value: seconds of a dwell, number of a LIMIT, 1 for a G92 that no lift may enclose. line: 1-based. start, end: byte
    span of the line in `Window.buf`.
    known: 1 where X, Y and Z are certain. arc: row of `arcs` or -1. frame: row of `frames`.
    """

    kind: NDArray[np.uint8]
    code: NDArray[np.uint8]
    known: NDArray[np.uint8]
    words: NDArray[np.int32]
    arc: NDArray[np.int32]
    frame: NDArray[np.int32]
    label: NDArray[np.int32]
    tool: NDArray[np.int32]
    line: Ints
    start: Ints
    end: Ints
    x: Floats
    y: Floats
    z: Floats
    de: Floats
    f: Floats
    value: Floats
    arcs: Floats  # (3, n): centre x, centre y, signed sweep in rad, + counter-clockwise
    frames: Floats  # (5, n): shifts of x, y, z in mm, mm per unit, 1 for absolute positioning

    def __len__(self) -> int:
        return len(self.kind)

    @property
    def feed(self) -> Floats:
        """Modal feed after each row, mm/s."""
        feed: Floats = self.f * (self.frames[R_SCALE][self.frame] / 60.0)
        return feed


@dataclass(frozen=True, slots=True)
class Window:
    """`buf[:size]` are the window's bytes."""

    buf: NDArray[np.uint8]
    size: int
    moves: Moves


def _room(capacity: int) -> tuple[bytearray, list[Any]]:
    """Room for that many bytes and the tables of their rows; pages that no row reaches cost nothing."""
    rows = capacity // 2 + 64
    return bytearray(capacity + 128), [
        _table((N_FLOAT, rows), np.float64),
        _table((N_INT, rows), np.int64),
        _table((N_SMALL, rows), np.int32),
        _table((N_BYTE, rows), np.uint8),
        _table((3, rows // 2), np.float64),
        _table((5, rows // 2), np.float64),
    ]


def _table(shape: tuple[int, int], kind: type[np.generic]) -> NDArray[Any]:
    """An array of zeros in small pages: numpy asks for large ones, and a few rows in each column would fill them."""
    size = shape[0] * shape[1]
    pages = mmap(-1, size * np.dtype(kind).itemsize, MAP_PRIVATE | MAP_ANONYMOUS)
    return np.frombuffer(pages, kind, size).reshape(shape)


class MoveReader:
    """Reads one job from a binary file object; `state_int` and `state_float` hold what was seen so far.

    g90_sets_extrusion: whether G90/G91 also set the extruder's mode. keys: hashes of the comment keys to note.
    neutral: hashes of command names that leave the nozzle where it is.
    """

    def __init__(
        self,
        source: BinaryIO,
        *,
        g90_sets_extrusion: bool = True,
        keys: NDArray[np.uint64] | None = None,
        neutral: NDArray[np.uint64] | None = None,
        chunk: int = CHUNK,
        spare: bool = False,
    ) -> None:
        self._source = source
        self._keys = np.zeros(0, np.uint64) if keys is None else keys
        self._neutral = np.zeros(0, np.uint64) if neutral is None else neutral
        self._chunk = chunk
        self.state_float = np.zeros(N_STATE_FLOAT)
        self.state_int = np.zeros(N_STATE_INT, np.int64)
        self.state_float[S_SCALE] = 1.0
        for slot in (S_ABSOLUTE, S_E_LAST, S_E_BOTH):
            self.state_int[slot] = 1
        self.state_int[S_LABEL] = -1
        self.state_int[S_DIALECT] = g90_sets_extrusion
        self.notes: list[tuple[str, str, int]] = []
        self.unknown: list[str] = []
        self.ends_in_newline = True
        self.size = 0
        self._notes = np.zeros((4, MAX_NOTES), np.int64)
        self._unknown = np.zeros((3, MAX_UNKNOWN), np.int64)
        self._spare = spare
        self._others: tuple[bytearray, list[Any]] | None = None
        self._allocate(2 * chunk)

    def _allocate(self, capacity: int) -> None:
        """Buffers for that many bytes; pages that no row reaches are never touched, so they cost nothing."""
        old = getattr(self, "_bytes", None)
        fresh, tables = _room(capacity)
        if old is None:
            self._fill = self._parsed = 0
            self._bytes, self._tables = fresh, tables
            self._begin_tables()
        else:
            fresh[: self._fill] = memoryview(old)[: self._fill]
            for k, (new, table) in enumerate(zip(tables, self._tables, strict=True)):
                used = int(self.state_int[(S_ROWS, S_ROWS, S_ROWS, S_ROWS, S_ARCS, S_FRAMES)[k]])
                new[:, :used] = table[:, :used]
            self._bytes, self._tables = fresh, tables
        self._capacity = capacity
        self._buf = np.frombuffer(self._bytes, np.uint8)

    def _begin_tables(self) -> None:
        si, (fc, ic, jc, bc, _, frames) = self.state_int, self._tables
        add_frame(self.state_float, si, frames)
        for table in (fc, ic, jc, bc):
            table[:, 0] = 0
        jc[J_ARC, 0] = jc[J_LABEL, 0] = -1
        bc[B_KIND, 0] = START
        si[S_ROWS] = 1

    def windows(self) -> Iterator[Window]:
        """All windows of the job in order; the arrays of one are overwritten by the next, or, with `spare`, by the
        second next."""
        last = False
        while not last:
            last = self._read_more()
            self._parse(last)
            rows = int(self.state_int[S_ROWS])
            if last:
                yield Window(self._buf, self._fill, self._moves(rows))
            elif (bead := self._last_bead(rows)) > 0:
                cut = self._behind_line(int(self._tables[1][I_END, bead]))
                yield Window(self._buf, cut, self._moves(bead + 1))
                self._carry(bead, cut)

    def _last_bead(self, rows: int) -> int:
        """Row of the last bead, 0 for none."""
        kind = self._tables[3][B_KIND]
        stop = rows
        while stop > 0:
            start = max(0, stop - NEAR_END)
            beads = np.flatnonzero(kind[start:stop] == BEAD)
            if len(beads):
                return start + int(beads[-1])
            stop = start
        return 0

    def _read_more(self) -> bool:
        if self._capacity - self._fill < self._chunk:
            if self._capacity >= MAX_WINDOW:
                raise JobTooLarge("no_bead", f"no extrusion within {MAX_WINDOW >> 20} MiB; wanted a print; upload one")
            self._allocate(2 * self._capacity)
        view = memoryview(self._bytes)
        got = self._source.readinto(view[self._fill : self._fill + self._chunk])  # type: ignore[attr-defined]
        if self._bytes.find(0, self._fill, self._fill + got) >= 0:
            self.state_int[S_NUL] = 1
        self._fill += got
        self.size += got
        if got == 0:
            self.ends_in_newline = self.size == 0 or self._bytes[self._fill - 1] in b"\r\n"
        return bool(got == 0)

    def _parse(self, last: bool) -> None:
        """Read the whole lines that lie in the buffer; at the end of the job the unfinished one as well."""
        stop = self._fill
        if last:
            self._bytes[stop] = 10
        else:
            stop = self._bytes.rfind(b"\n", self._parsed, stop) + 1
            if stop == 0:
                # Bare carriage returns end lines too; the last byte may be half of a pair.
                stop = self._bytes.rfind(b"\r", self._parsed, max(self._parsed, self._fill - 1)) + 1
            if self._fill - max(stop, self._parsed) > MAX_LINE:
                self._too_long(int(self.state_int[0]) + 1)
            if stop == 0:
                return
        fc, ic, jc, bc, ac, frames = self._tables
        si = self.state_int
        read_lines(
            self._buf, self._parsed, stop, self._keys, self._neutral, self.state_float, si, fc, ic, jc, bc, ac, frames,
            self._notes, self._unknown,
        )  # fmt: skip
        self._parsed = stop
        if si[S_ERROR]:
            self._raise_unreadable()
        if si[S_LONGEST] > MAX_LINE:
            self._too_long(int(si[S_LONGEST_LINE]))
        self._keep_notes()

    def _too_long(self, line: int) -> None:
        raise JobTooLarge(
            "line_too_long", f"line {line}: longer than 1 MiB; wanted lines of G-code: make the job anew", line
        )

    def _raise_unreadable(self) -> None:
        si = self.state_int
        at, line = int(si[S_ERROR_AT]), int(si[S_ERROR_LINE])
        begin = max(self._bytes.rfind(b"\n", 0, at), self._bytes.rfind(b"\r", 0, at)) + 1
        word = bytes(self._bytes[at : at + 24]).split(b"\n")[0].split(b"\r")[0].decode("ascii", "backslashreplace")
        place = f"{line}:{at - begin + 1}"
        if si[S_ERROR] == E_TEMPLATE:
            raise UnreadableJob(
                "template",
                f"{place}: found {word!r}; a template was not filled in: make the job anew with a value there",
                line,
            )
        wanted = {E_TOO_LARGE: "a number of at most 18 digits that stays within 100 m", E_FEED: "a feed above zero"}
        text = wanted.get(int(si[S_ERROR]), "a number")
        raise UnreadableJob("number", f"{place}: found {word!r}; wanted {text}: correct the line", line)

    def _keep_notes(self) -> None:
        for k in range(int(self.state_int[S_NOTES])):
            key, key_end, end, line = (int(v) for v in self._notes[:, k])
            value_at = key_end + 1
            text = bytes(self._bytes[key:key_end]).decode("utf-8", "replace")
            self.notes.append((text.strip(), bytes(self._bytes[value_at:end]).decode("utf-8", "replace").strip(), line))
        self.state_int[S_NOTES] = 0 if len(self.notes) < MAX_NOTES else MAX_NOTES
        for k in range(len(self.unknown), int(self.state_int[S_UNKNOWN])):
            _, begin, end = (int(v) for v in self._unknown[:, k])
            self.unknown.append(bytes(self._bytes[begin:end]).decode("ascii", "backslashreplace")[:120])

    def _behind_line(self, end: int) -> int:
        """Index of the first byte of the next line."""
        if end >= self._fill:
            return self._fill
        pair = self._bytes[end] == 13 and end + 1 < self._fill and self._bytes[end + 1] == 10
        return end + 2 if pair else end + 1

    def _moves(self, rows: int) -> Moves:
        fc, ic, jc, bc = (table[:, :rows] for table in self._tables[:4])
        return Moves(
            kind=bc[B_KIND], code=bc[B_CODE], known=bc[B_KNOWN], words=jc[J_WORDS], arc=jc[J_ARC], frame=jc[J_FRAME],
            label=jc[J_LABEL], tool=jc[J_TOOL], line=ic[I_LINE], start=ic[I_START], end=ic[I_END], x=fc[F_X], y=fc[F_Y],
            z=fc[F_Z], de=fc[F_DE], f=fc[F_FEED], value=fc[F_VALUE],
            arcs=self._tables[4][:, : int(self.state_int[S_ARCS])],
            frames=self._tables[5][:, : int(self.state_int[S_FRAMES])],
        )  # fmt: skip

    def _carry(self, bead: int, cut: int) -> None:
        """Move what stands behind the last bead to the front: its row as START, the open gap's rows, unread bytes."""
        si, before, text = self.state_int, self._tables, self._bytes
        if self._spare:
            if self._others is None or len(self._others[0]) != len(text):
                self._others = _room(self._capacity)
            (self._bytes, self._tables), self._others = self._others, (text, before)
            self._buf = np.frombuffer(self._bytes, np.uint8)
        fc, ic, jc, bc, ac, frames = self._tables
        rows = int(si[S_ROWS])
        kept = rows - bead
        for table, source in zip((fc, ic, jc, bc), before[:4], strict=True):
            table[:, :kept] = source[:, bead:rows].copy()
        bc[B_KIND, 0] = START
        jc[J_WORDS, 0] = W_ODD
        fc[F_DE, 0] = 0.0
        arc = jc[J_ARC, 1:kept]
        jc[J_ARC, 0] = -1
        arcs, drawn = int(si[S_ARCS]), arc[arc >= 0]
        first = int(drawn[0]) if len(drawn) else arcs
        ac[:, : arcs - first] = before[4][:, first:arcs].copy()
        arc[arc >= 0] -= first
        si[S_ARCS] = arcs - first
        frame, held = int(jc[J_FRAME, 0]), int(si[S_FRAMES])
        frames[:, : held - frame] = before[5][:, frame:held].copy()
        jc[J_FRAME, :kept] -= frame
        si[S_FRAMES] = held - frame
        ic[I_START, :kept] -= cut
        ic[I_END, :kept] -= cut
        si[S_ROWS] = kept
        left = self._fill - cut
        self._bytes[:left] = text[cut : self._fill]
        self._fill, self._parsed = left, self._parsed - cut
