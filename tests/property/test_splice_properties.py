"""What a rewrite may never change, on generated jobs in every spelling; read back exactly by the slow reader."""

import math
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from liftwright.rules.schema import RectBed
from property.jobs import Spelling, Step, jobs, spell, spellings
from reference.slow_reader import Dialect, Row, read
from unit.small_jobs import job as one_gap
from unit.small_jobs import rules, run

SHAPES = st.sampled_from(["flat", "square", "triangle", "sawtooth", "trapezoid"])
HEIGHTS = st.sampled_from([0.05, 0.3333, 0.4, 1.9])
ROOMY = {"bed_mm": RectBed(x=(-900.0, 900.0), y=(-900.0, 900.0)), "z_max_mm": 900.0, "g90_sets_extrusion": True}
MOTIONS = {"BEAD", "WIPE", "TRAVEL", "RETRACT", "PRIME"}
Point = tuple[Decimal, Decimal]


def both(job: list[Step], how: Spelling, shape: str, height: float) -> tuple[list[list[Row]], list[list[Row]]]:
    """The gaps of the original and of the rewritten job; a gap is its rows from one bead to the next."""
    text = spell(job, how)
    result, out = run(text, rules(printer=ROOMY, shape=shape, height_mm=height, unretracted="lift"))
    assume(result.outcome == "rewritten")
    return gaps_of(text), gaps_of(out)


def gaps_of(text: bytes) -> list[list[Row]]:
    gaps: list[list[Row]] = [[]]
    for row in read(text, Dialect(g90_sets_extrusion=True)):
        if row.kind in MOTIONS:
            gaps[-1].append(row)
        if row.kind == "BEAD":
            gaps.append([row])
    return gaps


@given(jobs(max_layers=3), spellings(), SHAPES, HEIGHTS)
def test_beads_wipes_and_primes_are_the_same_to_the_last_decimal(
    job: list[Step], how: Spelling, shape: str, height: float
) -> None:
    """Exact decimals: in G91 this holds only if the increments of every lift add up exactly."""
    before, after = both(job, how, shape, height)
    for one, two in zip(before, after, strict=True):
        kept = [
            [(r.kind, r.x, r.y, r.z, r.de, r.feed, r.tool) for r in gap if r.kind != "TRAVEL"] for gap in (one, two)
        ]
        assert kept[0] == kept[1]


@given(jobs(max_layers=3), spellings(), SHAPES, HEIGHTS)
def test_the_way_over_the_bed_is_the_same_polyline(job: list[Step], how: Spelling, shape: str, height: float) -> None:
    """Every way-point in its turn, exactly; what stands between two of them lies on the line that joins them."""
    before, after = both(job, how, shape, height)
    grain = 0.5 * (25.4e-4 if how.inch else 1e-3) * math.sqrt(2) + 1e-9
    for one, two in zip(before, after, strict=True):
        way, new = corners(one), corners(two)
        at = 0
        for a, b in pairwise(way):
            assert new[at] == a
            at += 1
            while new[at] != b:
                assert off_line(new[at], a, b) <= grain
                at += 1
        assert new[at:] == way[-1:]


def corners(gap: list[Row]) -> list[Point]:
    points = [(row.x, row.y) for row in gap]
    return [point for k, point in enumerate(points) if k == 0 or point != points[k - 1]]


def off_line(p: Point, a: Point, b: Point) -> float:
    """Distance of p from the stretch between a and b."""
    (px, py), (ax, ay), (bx, by) = ((float(x), float(y)) for x, y in (p, a, b))
    length = math.hypot(bx - ax, by - ay)
    share = min(max(((px - ax) * (bx - ax) + (py - ay) * (by - ay)) / length**2, 0.0), 1.0)
    return math.hypot(px - ax - share * (bx - ax), py - ay - share * (by - ay))


@given(jobs(max_layers=3), spellings(), SHAPES, HEIGHTS)
def test_a_travel_stays_between_its_lower_end_and_the_height_of_the_rule(
    job: list[Step], how: Spelling, shape: str, height: float
) -> None:
    """Only upward by the grain of the numbers; what stays as it was may be higher, never lower."""
    before, after = both(job, how, shape, height)
    grain = 25.4e-4 if how.inch else 1e-3
    for one, two in zip(before, after, strict=True):
        if [row.z for row in one] == [row.z for row in two]:
            continue
        heights = [float(row.z) for row in two]
        own = [row for row in one if row.kind != "TRAVEL" or row in (one[0], one[-1])]
        ends = [float(row.z) for row in own]
        limit = max(ends) + (0.0 if shape == "flat" else height)
        assert min(heights) >= min(ends) - 1e-9
        assert max(heights) <= limit + grain + 1e-9


@given(jobs(max_layers=3), spellings(), SHAPES)
def test_no_word_has_an_exponent_and_emitted_moves_state_all_axes(job: list[Step], how: Spelling, shape: str) -> None:
    text = spell(job, how)
    _, out = run(text, rules(printer=ROOMY, shape=shape, unretracted="lift"))
    own = set(text.replace(b"\r", b"\n").split(b"\n"))
    for line in out.replace(b"\r", b"\n").split(b"\n"):
        if not line or line in own or line.startswith((b";", b"(")):
            continue
        words = line.split(b";")[0].split()
        letters = b"".join(word[:1] for word in words)
        assert letters in (b"GXYZ", b"GXYZF", b"GF")
        assert all(set(word[1:]) <= set(b"-.0123456789") for word in words)


@given(jobs(max_layers=3), spellings(), SHAPES, st.integers(64, 3000))
def test_cutting_at_other_beads_gives_the_same_bytes(job: list[Step], how: Spelling, shape: str, chunk: int) -> None:
    text, ruleset = spell(job, how), rules(printer=ROOMY, shape=shape, unretracted="lift")
    assert run(text, ruleset, chunk=chunk)[1] == run(text, ruleset)[1]


@given(jobs(max_layers=3), spellings(), SHAPES)
def test_without_its_stamp_a_second_rewrite_rises_nowhere_higher(job: list[Step], how: Spelling, shape: str) -> None:
    ruleset = rules(printer=ROOMY, shape=shape, unretracted="lift")
    result, once = run(spell(job, how), ruleset)
    assume(result.outcome == "rewritten")
    _, twice = run(once[: once.index(b";liftwright stamp")], ruleset)
    for one, two in zip(gaps_of(once), gaps_of(twice), strict=True):
        assert max((row.z for row in two), default=Decimal(0)) <= max((row.z for row in one), default=Decimal(0))


@given(jobs(max_layers=3), spellings(), SHAPES)
def test_the_lines_that_are_counted_as_added_are_those_that_came(job: list[Step], how: Spelling, shape: str) -> None:
    """Lines put in less lines taken out: what the record says of positions that moved."""
    text = spell(job, how)
    result, out = run(text, rules(printer=ROOMY, shape=shape, unretracted="lift"))
    assume(result.outcome == "rewritten")
    assert result.counts["lines_added"] == len(lines_of_all(out)) - len(lines_of_all(text))


def lines_of_all(text: bytes) -> list[bytes]:
    return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n").rstrip(b"\n").split(b"\n")


@pytest.mark.parametrize("shape", ["square", "triangle", "sawtooth", "trapezoid"])
@pytest.mark.parametrize(("feed", "restored"), [("F600", 0), ("F9000", 1)])
def test_a_feed_is_restored_only_where_it_was_lost(shape: str, feed: str, restored: int) -> None:
    """The bead behind brings no F: a bare line gives it the travel's own, unless that is in force anyway.

    10 mm/s of Z: at 600 mm/min nothing is slowed; at 9000 the steep pieces are, and the last one is among them.
    """
    gap = ["G1 E-1 F600", f"G1 X24 Y10 {feed}", "G1 E1"]
    _, out = run(one_gap(*gap, after=["G1 X70 Y10 E0.5", "M104 S0"]), rules(shape=shape, height_mm=0.4))
    assert sum(line.startswith(b"G1 F") for line in out.splitlines()) == restored


@given(jobs(max_layers=2, walls=False), SHAPES)
def test_the_cost_that_is_told_of_a_rewrite_is_that_of_its_bytes(job: list[Step], shape: str) -> None:
    """Seconds and Z stroke "after" are those "before" of the rewritten job, read afresh without its stamp."""
    ruleset = rules(printer=ROOMY, shape=shape, unretracted="lift")
    result, once = run(spell(job), ruleset)
    assume(result.outcome == "rewritten")
    again, _ = run(once[: once.index(b";liftwright stamp")], ruleset)
    for name in ("seconds", "travel_s", "z_stroke_mm", "z_starts", "z_reversals"):
        assert math.isclose(result.measures[name + "_after"], again.measures[name + "_before"], rel_tol=1e-4)
