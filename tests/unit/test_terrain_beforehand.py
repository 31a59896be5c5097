"""Beads covered before their turn: the terrain that comes of it is the same, word by word."""

from __future__ import annotations

import io
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evaluator.scenes import HEIGHT, Pen
from liftwright.job.moves import MoveReader, Moves
from liftwright.plan import beforehand
from liftwright.plan.terrain import Ground, Strings, walk
from liftwright.plan.travels import TravelFinder, Travels

BED = (0.0, 120.0, 0.0, 120.0)
places = st.tuples(st.floats(2.0, 118.0), st.floats(2.0, 118.0))


@st.composite
def jobs(draw: st.DrawFn) -> bytes:
    """Straight beads, arcs, rising and wide ones, in layers of changing height; some begin anew on the bed."""
    pen, z = Pen(), 0.0
    for _ in range(draw(st.integers(2, 8))):
        z = draw(st.sampled_from([z + HEIGHT, z + HEIGHT, z + 0.3, HEIGHT]))
        pen.travel(*draw(places), z)
        for kind in draw(st.lists(st.sampled_from("sssawr"), min_size=1, max_size=4)):
            x, y = draw(places)
            if kind == "a":
                pen.lines.append(f"G2 X{pen.at[0] + 4:.3f} Y{pen.at[1]:.3f} I2 J0 E0.3")
                pen.at = (pen.at[0] + 4, pen.at[1])
            elif kind == "w":
                pen.lines.append(f"G1 X{x:.3f} Y{y:.3f} E50")
                pen.at = (x, y)
            elif kind == "r":
                z += 0.1
                pen.lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{z:.3f} E2")
                pen.at = (x, y)
            else:
                pen.bead((x, y))
    return pen.bytes() + b"G0 Z50\n"


def windows(job: bytes, chunk: int = 256) -> Iterator[tuple[Moves, Travels]]:
    finder = TravelFinder(0)
    for window in MoveReader(io.BytesIO(job), chunk=chunk, spare=True).windows():
        yield window.moves, finder.find(window.moves)


def look(ground: Ground, moves: Moves, travels: Travels, covered: bool) -> Strings:
    strips = ground.cover(moves) if covered else None
    lift = np.ones(len(travels), np.uint8)
    return walk(ground, moves, travels, lift, clearance=0.15, max_height=1.0, strips=strips)


@given(jobs(), st.sampled_from([24, 1]))
def test_the_terrain_is_the_same_whether_beads_were_covered_before_or_not(job: bytes, room: int) -> None:
    """With room for all of a window's beads, or only for some."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(beforehand, "CELLS_PER_ROW", room)
        one, two = Ground(BED), Ground(BED)
        for moves, travels in windows(job):
            found = [look(ground, moves, travels, covered) for ground, covered in ((one, True), (two, False))]
            for name in Strings.__slots__:
                assert np.array_equal(getattr(found[0], name), getattr(found[1], name)), name
    assert np.array_equal(one.bed.words, two.bed.words)
    assert np.array_equal(one.bed.state, two.bed.state)


def test_straight_level_beads_are_covered_before_and_others_are_not() -> None:
    pen = Pen().travel(20, 20, HEIGHT).bead((40, 20))
    pen.lines += ["G2 X44 Y20 I2 J0 E0.3", "G1 X60 Y20 E50", "G1 X80 Y20 Z0.5 E1", "G1 X90 Y20 E0.4"]
    ground = Ground(BED)
    moves = next(windows(pen.bytes() + b"G0 Z50\n", 1 << 12))[0]
    strips = ground.cover(moves)
    beads = np.flatnonzero(moves.de > 0)
    assert (np.diff(strips.at)[beads] > 0).tolist() == [True, False, False, False, True]
    assert (np.diff(strips.columns_at)[beads] > 0).tolist() == [True, False, False, False, True]
