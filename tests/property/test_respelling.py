"""One job written in other words is planned alike: case, blanks, line ends, E and position modes, units."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from property.gaps import gaps, rows_of
from property.jobs import PLAIN, Spelling, Step, jobs, spell, spellings
from property.rewriting import SHAPES, press

INCH_STEP = Decimal("0.0254")  # inserted words have three decimals: a height in inches is rounded up by at most this


@given(jobs(), spellings(units=False), st.sampled_from(SHAPES))
def test_another_spelling_gets_the_same_plan(job: list[Step], how: Spelling, shape: str) -> None:
    """Same travels lifted or left for the same reasons, same tops to the last written decimal."""
    plain, other = press(spell(job, PLAIN), shape), press(spell(job, how), shape)
    assert other.result.travels == plain.result.travels
    assert (other.result.outcome, other.result.reason_code) == (plain.result.outcome, plain.result.reason_code)
    for one, two in zip(gaps(rows_of(plain.text)), gaps(rows_of(other.text)), strict=True):
        assert abs(one.top - two.top) <= Decimal("0.001")


@given(jobs(), spellings(), st.sampled_from(SHAPES))
def test_a_job_in_inches_gets_the_same_plan(job: list[Step], how: Spelling, shape: str) -> None:
    """Tops may differ by the coarser last decimal, and only upwards."""
    plain, other = press(spell(job, PLAIN), shape), press(spell(job, how), shape)
    assert (other.result.outcome, other.result.reason_code) == (plain.result.outcome, plain.result.reason_code)
    for one, two in zip(gaps(rows_of(plain.text)), gaps(rows_of(other.text)), strict=True):
        assert abs(one.top - two.top) <= INCH_STEP + Decimal("0.001")


@given(jobs(), st.sampled_from(SHAPES))
def test_the_setting_for_the_extruder_mode_changes_nothing_where_it_does_not_matter(
    job: list[Step], shape: str
) -> None:
    """Both dialects read the generator's jobs alike, so the printer's setting leaves the bytes alone."""
    text = spell(job)
    texts = {press(text, shape, printer=f"g90_sets_extrusion: {value}").text for value in ("true", "false")}
    assert texts == {press(text, shape).text}
