"""Whole jobs under the terrain shape, judged by the tests' own judge, which shares no code with the planner; and the
judge's strikes against shapely."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely import LineString

from evaluator.judge import judge
from evaluator.numbers import Numbers
from evaluator.scenes import HEIGHT, WIDTH, Pen, ring
from unit.small_jobs import rules, run

BLUR = 0.08  # mm: the judge's cells of 0.1 mm count at their middle
LEANS = (-50, -20, 0, 20, 35, 45, 50, 55, 60, 70)


def model(seed: int) -> bytes:
    """Two to five objects of two to eight layers side by side: rings that lean up to 70° either way, open or closed,
    printed in turns layer by layer, each begun anywhere."""
    chance, pen = Random(seed), Pen()
    pen.lines += ["G28", "G1 F6000"]
    objects = []
    for spot in chance.sample(range(9), chance.randint(2, 5)):
        x, y = 60 + 14 * (spot % 3) + chance.uniform(-0.5, 0.5), 60 + 14 * (spot // 3) + chance.uniform(-0.5, 0.5)
        lean = math.tan(math.radians(chance.choice(LEANS)))
        objects.append((x, y, chance.uniform(3.0, 4.5), lean, chance.choice((12, 24, 40)), chance.random() < 0.5))
    for layer in range(chance.randint(2, 8)):
        for x, y, radius, lean, pieces, closed in objects:
            points = ring(x, y, max(radius + layer * HEIGHT * lean, 0.6), chance.uniform(0, 2 * math.pi), pieces)
            pen.travel(*points[0], (layer + 1) * HEIGHT).bead(*points[1 : None if closed else -2])
    return pen.bytes() + b"M104 S0\n"


def test_hardly_a_strike_is_left_and_what_is_clear_is_not_touched(long: bool) -> None:
    """The judge's count over all models, with the rule's default caution: at most 3 % of the strikes of the jobs as
    they came are left, and lifts over what the judge finds clear (margins) are fewer than those it wants. At caution 0
    the margins are gone but for half a square: at most 4 % of the travels are lifted without need."""
    before = left = travels = 0
    needless = {0.0: 0, 0.5: 0}
    lifted = dict(needless)
    for seed in range(400 if long else 30):
        job = model(seed)
        for caution in needless:
            result, out = run(job, rules(shape="terrain", min_travel_mm=None, caution=caution))
            rows = judge(job, {"out": out}, Numbers()).rows
            needless[caution] += rows["out"].changed_without_need
            lifted[caution] += result.travels.get("rewritten", 0)
            if caution:
                before, left = before + rows["as it came"].strikes, left + rows["out"].strikes
                travels += rows["out"].travels
    print(f"{travels} travels, {before} strikes, {left} left; lifted {lifted}, without need {needless}")
    assert before > 100
    assert left <= 0.03 * before
    assert needless[0.5] <= 0.5 * lifted[0.5]
    assert needless[0.0] <= 0.04 * travels


@given(
    st.floats(42.0, 58.0), st.floats(57.5, 62.5), st.floats(0.0, 2 * math.pi), st.floats(0.5, 6.0),
    st.floats(0.21, 0.9), st.floats(-3.0, 3.0),
)  # fmt: skip
def test_the_judge_strikes_what_shapely_finds_under_the_flat(
    x: float, y: float, turn: float, length: float, z: float, bend: float
) -> None:
    """shapely: distance of the travel's line (with a way-point) from the buffer of a wall of 0.6 mm, at most 0.5 mm,
    and the way lower than the wall by more than 0.03 mm."""
    end = (x + length * math.cos(turn), y + length * math.sin(turn))
    line, shape = LineString([(40, 60), (50, 60 + bend), (60, 60)]), LineString([(x, y), end]).buffer(WIDTH / 2)
    gap = line.distance(shape)
    assume(abs(gap - 0.5) > BLUR)
    assume(abs(z - 0.57) > 0.01)
    assume(min(LineString([(34, 60), (42, 60)]).distance(shape), LineString([(58, 60), (66, 60)]).distance(shape)) > 2)
    pen = Pen()
    for layer in (1, 2, 3):
        pen.travel(x, y, layer * HEIGHT).bead(end)
    pen.travel(35, 60, 5).travel(35, 60, z).bead((40, 60)).travel(50, 60 + bend, z).travel(60, 60, z).bead((65, 60))
    row = judge(pen.bytes(), {}, Numbers(gain=0.0)).rows["as it came"]
    assert bool(row.struck[-1]) == (gap < 0.5 and z < 0.57)


@pytest.mark.parametrize(("clearance", "z0", "z1"), [(0.15, 0.2, 0.2), (0.3, 0.2, 0.4), (0.0, 0.4, 0.2)])
def test_the_least_stroke_is_that_of_the_lowest_peak(clearance: float, z0: float, z1: float) -> None:
    """By hand: no path over a wall of 0.8 mm peaks lower than wall and clearance; up and down from the higher end is
    twice the difference."""
    pen = Pen()
    for layer in range(1, 5):
        pen.travel(50, 50, layer * HEIGHT).bead((50, 70))
    pen.travel(20, 60, 5).travel(20, 60, z0).bead((30, 60)).travel(70, 60, z1).bead((80, 60))
    verdict = judge(pen.bytes(), {}, Numbers(clearance_mm=clearance, gain=0.0))
    assert verdict.needed[-1]
    assert verdict.least_stroke[-1] == pytest.approx(2 * (0.8 + clearance - max(z0, z1)), abs=1e-6)
