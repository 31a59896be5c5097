"""The readers against the abstract job: whatever the spelling, the rows are the steps that were written."""

import math
from decimal import Decimal
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from property.jobs import WALLS, Spelling, Step, jobs, spell, spellings
from reference.readers import read_product
from reference.slow_reader import Dialect, Row, read
from reference.twins import differences

MOVES = {"BEAD", "WIPE", "TRAVEL", "RETRACT", "PRIME"}


def expected_moves(job: list[Step]) -> list[tuple[str, Decimal, Decimal, Decimal, Decimal]]:
    """(kind, x, y, z, de) of every motion step; axes never named yet stand at 0, as a reader assumes."""
    at = {"x": Decimal(0), "y": Decimal(0), "z": Decimal(0)}
    moves = []
    for step in job:
        if step.kind not in ("bead", "wipe", "travel", "retract", "prime"):
            continue
        for axis in at:
            value = getattr(step, axis)
            at[axis] = at[axis] if value is None else value
        moves.append((step.kind.upper(), at["x"], at["y"], at["z"], step.e or Decimal(0)))
    return moves


def moves_of(rows: list[Row]) -> list[tuple[str, Decimal, Decimal, Decimal, Decimal]]:
    return [(row.kind, row.x, row.y, row.z, row.de) for row in rows if row.kind in MOVES]


@given(jobs(), spellings())
def test_the_slow_reader_finds_the_steps_that_were_spelled(job: list[Step], how: Spelling) -> None:
    """Exactly, in decimals: the speller and the slow reader share no code."""
    for g90_sets_extrusion in (True, False):
        assert moves_of(read(spell(job, how), Dialect(g90_sets_extrusion))) == expected_moves(job)


@given(jobs(walls=True), spellings())
def test_no_position_is_called_known_behind_a_wall_before_all_three_axes_were_seen(
    job: list[Step], how: Spelling
) -> None:
    """The row of a wall is unknown, and a row that becomes known is an absolute move."""
    rows = read(spell(job, how))
    for before, after in pairwise(rows):
        if after.kind == "WALL":
            assert not after.known
        if after.known and not before.known:
            assert after.kind in MOVES
    walls = sum(row.kind in ("WALL", "TOOL") for row in rows)
    assert walls >= sum(step.text in WALLS and step.text not in (b"T0", b"T1") for step in job)


@given(jobs(walls=False), spellings())
def test_an_arc_turns_about_the_centre_that_was_spelled(job: list[Step], how: Spelling) -> None:
    """Half circles of the discs: centre exact, sweep π with the sign of the direction."""
    arcs = [row.arc for row in read(spell(job, how)) if row.code in (2, 3) and row.kind == "BEAD"]
    steps = [step for step in job if step.centre]
    assert len(arcs) == len(steps)
    for arc, step in zip(arcs, steps, strict=True):
        assert arc is not None
        assert (arc.cx, arc.cy) == step.centre
        assert math.isclose(arc.sweep, -math.pi if step.clockwise else math.pi)


@given(jobs(), spellings(), st.booleans(), st.integers(200, 5000))
def test_the_kernel_reads_every_spelling_as_its_twin_does(
    job: list[Step], how: Spelling, g90: bool, chunk: int
) -> None:
    """Whatever the dialect, the spelling and the size of the windows."""
    text = spell(job, how)
    assert differences(read(text, Dialect(g90)), read_product(text, g90, chunk)) == []
