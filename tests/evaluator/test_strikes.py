"""The judge's verdicts on scenes worked by hand. No source: these are the definitions, restated."""

from __future__ import annotations

import pytest

from evaluator.gaps import Ways, split
from evaluator.ground import Ground
from evaluator.judge import BeadsDiffer, judge
from evaluator.measures import measure
from evaluator.numbers import Numbers
from evaluator.reader import read
from evaluator.scenes import HEIGHT, Pen, block
from evaluator.shapes import lifted
from evaluator.strikes import judge_ways

WALL = (10.0, 11.0)  # x of the wall's outer bead lines
TOP = 5 * HEIGHT


def wall_scene(*way: tuple[float, float, float]) -> bytes:
    """A wall of five layers across the way of a travel at two layers, from x = 0 to x = 20."""
    pen = Pen()
    block(pen, WALL, (-5, 5), range(1, 6))
    for layer in (1, 2):
        pen.travel(-3, 0, layer * HEIGHT).bead((0, 0))
    for point in way or ((20.0, 0.0, 0.4),):
        pen.travel(*point)
    return pen.bead((23, 0)).bytes()


def last_struck(job: bytes, **changed: float) -> bool:
    verdict = judge(job, {}, Numbers(**changed))
    return bool(verdict.rows["as it came"].struck[-1])


def test_a_level_way_into_a_wall_strikes():
    assert last_struck(wall_scene())


@pytest.mark.parametrize(("z", "struck"), [(TOP - 0.031, True), (TOP - 0.029, False), (TOP, False)])
def test_what_stands_up_to_the_threshold_is_no_obstacle(z, struck):
    assert last_struck(wall_scene((0.0, 0.0, z), (20.0, 0.0, z), (20.0, 0.0, 0.4))) is struck


@pytest.mark.parametrize(("x", "struck"), [(8.9, False), (9.5, True)])
def test_the_flat_reaches_the_wall_half_its_width_early(x, struck):
    """The wall's first bead reaches x = 9.775; a nozzle 1 mm wide must be up before 9.275."""
    assert last_struck(wall_scene((x, 0.0, 0.4), (x, 0.0, 2.0), (20.0, 0.0, 2.0), (20.0, 0.0, 0.4))) is struck


def test_a_wider_flat_strikes_sooner():
    way = ((8.9, 0.0, 0.4), (8.9, 0.0, 2.0), (20.0, 0.0, 2.0), (20.0, 0.0, 0.4))
    assert not last_struck(wall_scene(*way))
    assert last_struck(wall_scene(*way), flat_mm=2.0)


def test_a_ramp_is_judged_at_its_lowest_over_the_wall():
    """From 0.4 at x = 0 rising 1 in 20 it is at 0.864 where the flat meets the wall (9.275), below 0.97; at
    1 in 15 it is at 1.02 there."""
    assert last_struck(wall_scene((20.0, 0.0, 1.4), (20.0, 0.0, 0.4)))
    assert not last_struck(wall_scene((20.0, 0.0, 0.4 + 20 / 15), (20.0, 0.0, 0.4)))


def test_straight_up_beside_a_wall_is_no_stretch():
    """The bead ends 0.3 mm from the wall, under the flat; up first, then away: nothing struck on a stretch."""
    pen = Pen()
    block(pen, WALL, (-5, 5), range(1, 6))
    pen.travel(0, 0, 0.2).bead((9.5, 0)).travel(9.5, 0, 1.5).travel(0, 3, 1.5).travel(0, 3, 0.2).bead((3, 3))
    assert not last_struck(pen.bytes())


def test_a_tall_neighbour_at_the_end_is_not_waived():
    """The same with the nozzle moving away level: the wall is no material of the bead's own path."""
    pen = Pen()
    block(pen, WALL, (-5, 5), range(1, 6))
    pen.travel(0, 0, 0.2).bead((9.5, 0)).travel(0, 3, 0.2).bead((3, 3))
    assert last_struck(pen.bytes())


def curled(*way: tuple[float, float]) -> bytes:
    """A free bead from a block into the air, which curls by 0.1 mm, and a way from its end."""
    pen = Pen()
    block(pen, (0, 3), (0, 9), [1, 2])
    pen.travel(1, 4, 3 * HEIGHT).bead((9, 4))
    for x, y in way:
        pen.travel(x, y, 3 * HEIGHT)
    return pen.bead((way[-1][0] - 1, way[-1][1])).bytes()


def test_the_last_path_is_waived_for_the_first_stretch_only():
    """Straight away from the curled end is no strike; back along the curled bead is one after 1.2 mm."""
    assert not last_struck(curled((15, 4)))
    assert last_struck(curled((2, 4)))
    assert not last_struck(curled((2, 4)), waived_mm=20.0)


def test_the_next_path_is_waived_at_its_own_end():
    """A free bead, curled, is printed over again lengthwise: the way to its start runs over its end only."""
    pen = Pen()
    block(pen, (0, 3), (0, 9), [1, 2])
    pen.travel(1, 4, 3 * HEIGHT).bead((9, 4)).travel(9, 8, 3 * HEIGHT).bead((9, 7))
    pen.travel(9, 4, 3 * HEIGHT).bead((1, 4))
    assert not last_struck(pen.bytes())
    assert last_struck(pen.bytes(), waived_mm=0.0)


def test_least_stroke_is_up_to_the_peak_plus_clearance_and_down():
    """Wall top 1.0, ends at 0.4, clearance 0.15: 2 × (1.15 − 0.4) mm."""
    verdict = judge(wall_scene(), {}, Numbers())
    assert verdict.needed[-1]
    assert verdict.least_stroke[-1] == pytest.approx(1.5, abs=1e-6)


def test_every_rewrite_is_judged_and_counted():
    """Square over the wall clears it; level back down into it does not. Both count as one changed travel."""
    job = wall_scene()
    over = wall_scene((0.0, 0.0, 1.2), (20.0, 0.0, 1.2), (20.0, 0.0, 0.4))
    low = wall_scene((0.0, 0.0, 0.7), (20.0, 0.0, 0.7), (20.0, 0.0, 0.4))
    rows = judge(job, {"over": over, "low": low}, Numbers()).rows
    came = rows["as it came"]
    assert rows["over"].strikes == came.strikes - 1
    assert rows["low"].strikes == came.strikes
    assert (rows["over"].changed, rows["over"].changed_without_need) == (1, 0)
    assert rows["over"].stroke - came.stroke == pytest.approx(1.6)
    assert rows["over"].early - came.early == pytest.approx(0.8)
    assert rows["over"].lifted - came.lifted == 1


def test_other_beads_are_not_judged():
    with pytest.raises(BeadsDiffer, match="cut"):
        judge(wall_scene(), {"cut": wall_scene() + b"G1 X25 E1\n"}, Numbers())
    with pytest.raises(BeadsDiffer, match="moved"):
        judge(wall_scene(), {"moved": wall_scene().replace(b"X23", b"X24")}, Numbers())


@pytest.mark.parametrize(
    ("shape", "stroke", "early"),
    # up and down 0.6 above the higher end; within the first millimetre of ten: all, a fifth, a tenth of it,
    # less the layer step of 0.2 which is climbed on the way in any case
    [("square", 1.2, 0.6), ("triangle", 1.2, 0.0), ("sawtooth", 1.2, 0.0)],
)
def test_stroke_and_early_climb_leave_out_the_layer_step(shape, stroke, early):
    job = Pen().travel(0, 0, 0.2).bead((5, 0)).travel(5, 10, 0.4).bead((9, 10)).bytes()
    ways = lifted(split(read(job))[1], shape, 0.6, 1.0)
    found = measure(ways)
    assert found.stroke[0] == pytest.approx(stroke)
    assert found.early[0] == pytest.approx(early)
    assert found.lift[0] == pytest.approx(0.6)


def test_early_climb_counts_from_the_bead_and_not_from_the_wipe():
    """After a wipe of 0.7 mm only 0.3 mm of the way are early: of a 1 in 10 ramp 0.03 mm."""
    job = b"M83\nG1 X5 Z.2 E1\nG1 X4.3 E-1\nG0 X14.3 Z1.2\nG0 Z.2\nG1 E1\nG1 X20 E1\n"
    assert measure(split(read(job))[1]).early[0] == pytest.approx(0.03)


def test_reversals_count_turns_of_the_z_axis():
    """Up, down, up, down: three turns."""
    job = b"M83\nG1 X1 E1\nG0 X2 Z1\nG0 X3 Z0\nG1 X4 E1\nG0 X5 Z1\nG0 X6 Z0\nG1 X7 E1\n"
    assert measure(split(read(job))[1]).reversals == 3


def test_textbook_squares_clear_what_textbook_ramps_do_not():
    """A curl of 0.1 mm 1.5 mm from the start of a way of 25.5 mm: a square of 0.6 mm clears it; where the flat
    meets it, after 0.775 mm, a triangle is 0.036 mm up and a sawtooth 0.018."""
    pen = Pen()
    block(pen, (0, 3), (0, 9), [1, 2])
    pen.travel(1, 4, 3 * HEIGHT).bead((9, 4)).travel(9, 6, 3 * HEIGHT).bead((9, 5.5))
    pen.travel(9, -20, 3 * HEIGHT).bead((8, -20))
    beads, ways = split(read(pen.bytes()))
    shapes: list[Ways] = [ways, *(lifted(ways, shape, 0.6, 1.0) for shape in ("square", "triangle", "sawtooth"))]
    ground = Ground(beads.ends, beads.pushed, beads.path, Numbers())
    verdicts = judge_ways(ground, beads, shapes)
    assert verdicts.struck[-1].tolist() == [True, False, True, True]
    expected = [0.07, 0.0, 0.07 - 0.6 * 0.775 / 12.75, 0.07 - 0.6 * 0.775 / 25.5]
    assert verdicts.depth[-1].tolist() == pytest.approx(expected, abs=0.005)
