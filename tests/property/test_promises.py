"""The promises of every rewrite, on generated jobs in every dialect, shape and spelling.

The product proves each rewrite itself; here the slow reader of the tests looks at both files once more, since it
shares no line with the product's reader or with its proof.
"""

import re
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from property.gaps import gaps, pushed, rows_of, starts
from property.jobs import GRID, Spelling, Step, jobs, shifted, spell, spellings
from property.rewriting import SHAPES, press

shapes = st.sampled_from(SHAPES)
STAMP = re.compile(rb";liftwright stamp 1 sha256=[0-9a-f]{64}(\r\n|\n|\r)\Z")


@given(jobs(), spellings(), shapes)
def test_every_rewrite_is_proved(job: list[Step], how: Spelling, shape: str) -> None:
    """No valid job ends as a failed proof, whatever stands in it."""
    done = press(spell(job, how), shape)
    assert done.result.reason_code != "proof_failed", done.result.violations


@given(jobs(), spellings(), shapes)
def test_beads_wipes_retractions_and_primes_stay(job: list[Step], how: Spelling, shape: str) -> None:
    """Same order, ends, starts, filament, feed and tool, as exact decimals (promises 1 and 2)."""
    text = spell(job, how)
    before, after = rows_of(text), rows_of(press(text, shape).text)
    assert pushed(after) == pushed(before)
    assert starts(after) == starts(before)
    assert (after[-1].x, after[-1].y, after[-1].z, after[-1].feed) == (
        before[-1].x,
        before[-1].y,
        before[-1].z,
        before[-1].feed,
    )


@given(jobs(), spellings(), shapes)
def test_lines_that_are_no_travels_stand_in_the_output_as_they_were(job: list[Step], how: Spelling, shape: str) -> None:
    """Byte for byte and in order (promise 3), and with no rewrite the lines are the source."""
    text = spell(job, how)
    done = press(text, shape)
    moving = {row.line for row in rows_of(text) if row.kind in ("TRAVEL", "FEED")}
    lines = re.split(rb"\r\n|\r|\n", text)
    kept = iter(re.split(rb"\r\n|\r|\n", done.text))
    for number, line in enumerate(lines, start=1):
        if number not in moving:
            assert line in kept, f"line {number} is missing or out of order: {line!r}"  # `in` moves the iterator on
    assert done.is_rewritten or done.text == text


@given(jobs(), spellings(), shapes, st.integers(64, 4000))
def test_cutting_windows_at_other_beads_gives_the_same_bytes(
    job: list[Step], how: Spelling, shape: str, chunk: int
) -> None:
    text = spell(job, how)
    whole, cut = press(text, shape), press(text, shape, chunk=chunk)
    assert cut.text == whole.text
    assert (cut.result.outcome, cut.result.counts, cut.result.travels) == (
        whole.result.outcome,
        whole.result.counts,
        whole.result.travels,
    )


@given(jobs(), spellings(), shapes)
def test_a_job_handed_in_again_comes_out_as_it_is(job: list[Step], how: Spelling, shape: str) -> None:
    """Promise 7: a true stamp means unchanged; without the stamp all promises hold and no lift is higher."""
    once = press(spell(job, how), shape)
    if not once.is_rewritten:
        return
    again = press(once.text, shape)
    assert again.result.reason_code == "already_rewritten"
    assert again.text == once.text
    bare = STAMP.sub(b"", once.text)
    assert bare != once.text
    twice = press(bare, shape)
    assert twice.result.reason_code != "proof_failed", twice.result.violations
    assert pushed(rows_of(twice.text)) == pushed(rows_of(once.text))
    for first, second in zip(gaps(rows_of(once.text)), gaps(rows_of(twice.text)), strict=True):
        assert second.top <= first.top


@given(jobs(walls=False), st.sampled_from(["square", "triangle", "sawtooth", "trapezoid"]))
def test_no_gap_dips_below_its_ends_unless_the_job_did(job: list[Step], shape: str) -> None:
    """Promise 4, and a lifted gap is not higher than the rule's height above the higher end, or the job's own way."""
    text = spell(job)
    done = press(text, shape, "height_mm: 0.4")
    for before, after in zip(gaps(rows_of(text)), gaps(rows_of(done.text)), strict=True):
        assert after.top <= max(before.top, max(before.z0, before.z1) + Decimal("0.4") + Decimal("0.001"))


@given(jobs(walls=False), st.sampled_from([(0.05, 0.15), (0.15, 0.4), (0.0, 0.5)]))
def test_more_clearance_never_lowers_a_lift(job: list[Step], clearances: tuple[float, float]) -> None:
    """Terrain: gap by gap, unless the taller one is blocked and left as it was."""
    text = spell(job)
    less, more = (press(text, "terrain", f"clearance_mm: {c}, max_height_mm: 5") for c in clearances)
    for low, high in zip(gaps(rows_of(less.text)), gaps(rows_of(more.text)), strict=True):
        assert high.top >= low.top - Decimal("0.001")


@given(jobs(walls=False, max_layers=3), shapes, st.integers(-3, 3), st.integers(-3, 3))
def test_shifting_the_model_by_whole_cells_shifts_the_plan(
    job: list[Step], shape: str, across: int, along: int
) -> None:
    """Steps of 10 mm are whole cells of the terrain's grid for every cell of 0.5, 0.4, 0.25, 0.2 or 0.1 mm."""
    moved = shifted(job, Decimal(10) * across, Decimal(10) * along)
    here, there = press(spell(job), shape), press(spell(moved), shape)
    assert [gap.top for gap in gaps(rows_of(there.text))] == [gap.top for gap in gaps(rows_of(here.text))]


@pytest.mark.parametrize("shape", SHAPES)
def test_the_generator_makes_jobs_that_are_rewritten(shape: str) -> None:
    """The laws above would hold of nothing too: of sixty fixed jobs at least one in six must be lifted."""
    made = []

    @settings(derandomize=True, max_examples=60)
    @given(jobs())
    def count(job: list[Step]) -> None:
        made.append(b";lw " in press(spell(job), shape).text)

    count()
    assert sum(made) >= len(made) / 6


def test_the_grid_of_the_generator_is_exact_in_inches() -> None:
    assert Decimal("25.4") == GRID * 1000
