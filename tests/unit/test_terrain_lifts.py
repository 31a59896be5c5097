"""The terrain shape through the whole core: a textbook case worked by hand, and what it does and leaves alone.

Every rewrite is proved on the way (small_jobs.run). The numbers of the scenes: layers of 0.2 mm, beads 0.45 mm wide,
nozzle 0.4 mm with a flat of 1.0 mm, caution 0 unless stated, so that an obstacle counts from half its width plus
0.5 mm before its middle on. No source: these are the definitions, restated.
"""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.bench_rules import content
from evaluator.scenes import Pen, block
from liftwright.command import main
from liftwright.result import Result
from liftwright.rules.schema import RectBed, RoundBed
from unit.small_jobs import lines_of, rules, run

EARLY = 0.18  # mm by which squares of an eighth of a mm and even places make an obstacle begin earlier
TALL_EARLY = 0.6  # the same of obstacles over 0.5 mm above the nozzle, which count by whole cells of 0.5 mm
H = 0.2
OUT, BACK = "G1 E-1 F1800", "G1 E1 F1800"
Point = tuple[float, float, float]


def terrain(**lift: Any) -> Any:
    """Rules: the terrain shape with the default numbers, no caution."""
    printer = lift.pop("printer", {})
    plain = {"shape": "terrain", "caution": 0.0, "min_travel_mm": None, "annotate": False}
    return rules(printer=printer, **plain | lift)


def start() -> Pen:
    """A job begins with a bead of its own, away from all that follows."""
    pen = Pen()
    pen.lines += ["G28", "G92 E0", "G1 F6000"]
    return pen.travel(5, 5, H).bead((15, 5))


def wall(pen: Pen, x: float, layers: int, y: tuple[float, float] = (50.0, 70.0)) -> None:
    """One bead wide, along Y."""
    for layer in range(1, layers + 1):
        pen.travel(x, y[0], layer * H).bead((x, y[1]))


def from_above(pen: Pen, x: float, y: float, z: float) -> Pen:
    """A travel high over everything, which no rule here touches."""
    pen.lines.append("G0 Z5")
    return pen.travel(x, y, 5).travel(x, y, z)


def across(pen: Pen, *way: Point, z: float = H) -> Pen:
    """A bead at x 20 to 30, a retracted travel to 70 (or along `way`), a bead from there on; come to from above."""
    from_above(pen, 20, 60, z).bead((30, 60))
    pen.lines += [OUT, "G1 F9000"]
    for x, y, height in way or ((70.0, 60.0, z),):
        pen.lines.append(f"G1 X{x:g} Y{y:g} Z{height:g}")
    pen.lines += [BACK]
    pen.at = (way[-1][0], way[-1][1]) if way else (70.0, 60.0)
    return pen.bead((pen.at[0] + 10, pen.at[1]))


def closed(pen: Pen) -> bytes:
    return pen.bytes() + b"M104 S0\n"


def last_gap(text: bytes) -> list[str]:
    """The lines between the last retraction and its priming."""
    lines = lines_of(text)
    end = len(lines) - 1 - lines[::-1].index(BACK)
    return lines[len(lines) - lines[::-1].index(OUT) : end]


def points(lines: list[str], words: str = "XYZ") -> list[tuple[float, ...]]:
    """The named words of the motion lines that have them all."""
    found = []
    for line in lines:
        have = {word[0]: float(word[1:]) for word in line.split(";")[0].split()[1:]}
        if set(words) <= set(have):
            found.append(tuple(have[word] for word in words))
    return found


def became(result: Result) -> dict[str, int]:
    return {reason: count for reason, count in result.travels.items() if reason != "before the print begins"}


# Two towers and a wall


def towers_and_wall(tower: int = 3, wall_of: int = 4, other: int = 3) -> Pen:
    """Towers at x 40 and x 60, a wall at x 50 between them, so many layers tall; a layer under both ends."""
    pen = start()
    pen.travel(20, 60, H).bead((30, 60)).travel(70, 60, H).bead((80, 60))
    wall(pen, 40, tower, (58.5, 61.5))
    wall(pen, 60, other, (58.5, 61.5))
    wall(pen, 50, wall_of)
    return pen


def test_two_towers_and_a_wall_worked_by_hand() -> None:
    """Towers of 0.6 mm, a wall of 0.8 mm, a travel of 40 mm from x 30 at Z 0.4, clearance 0.15.

    The flat is over the first tower from 39.275 to 40.725, over the wall from 49.275 to 50.725, over the second tower
    from 59.275 to 60.725. Up to the tower: 0.6 + 0.15 at s = 9.275 (0.35 mm, slope 0.0377). On to the wall: 0.95 at
    19.275 (slope 0.02), level to 20.725, down to 0.75 at 30.725, where the second tower ends, and to 0.4 at 40. Four
    vertices between the ends, none over the inner sides of the towers: the string is straight there.
    """
    result, text = run(closed(across(towers_and_wall(), z=0.4)), terrain())
    x, y, z = np.array(points(last_gap(text))).T
    assert y.tolist() == [60.0] * 5
    by_hand = np.array([9.275, 19.275, 20.725, 30.725, 40.0])
    outwards = np.array([-1, -1, 1, 1, 0]) * (x - 30 - by_hand)
    assert (outwards >= -1e-6).all()
    assert (outwards <= EARLY).all()
    assert z == pytest.approx([0.75, 0.95, 0.95, 0.75, 0.4], abs=0.0011)
    assert (z >= np.array([0.75, 0.95, 0.95, 0.75, 0.4]) - 1e-9).all()
    assert became(result)["rewritten"] == 1
    assert result.counts["strikes_before"] - result.counts["strikes_after"] == 1
    assert result.measures["tallest_lift_mm"] == pytest.approx(0.55, abs=0.002)


def test_a_tower_under_the_string_adds_nothing() -> None:
    """Towers of 0.8 and 0.4 mm, the wall 1.0 mm, from Z 0.2: behind the wall the string falls from 1.15 at 20.725 to
    0.2 at 40; where the second tower ends, at 30.725, it is at 1.15 − 0.95 · 10 / 19.275 = 0.657, above 0.55."""
    _, text = run(closed(across(towers_and_wall(4, 5, 2))), terrain())
    found = np.array(points(last_gap(text)))
    assert found[:, 0] - 30 == pytest.approx([9.275, 19.275, 20.725, 40], abs=TALL_EARLY)
    assert found[:, 2] == pytest.approx([0.95, 1.15, 1.15, 0.2], abs=0.0011)


def test_the_feed_of_a_slope_is_lowered_just_enough_for_z() -> None:
    """z_speed 4 mm/s. The first slope climbs 0.35 mm in 9.275 mm, a path of 9.2816: the feed is 4 · 9.2816 / 0.35 =
    106.08 mm/s (6365 mm/min) instead of 150, a little less as the tower begins up to EARLY before its edge. The next
    asks 0.02 · 150 = 3 mm/s of Z and keeps 9000."""
    gap = last_gap(run(closed(across(towers_and_wall(), z=0.4)), terrain(printer={"z_speed_mm_s": 4.0}))[1])
    place, feed, feeds = (30.0, 0.4), 9000.0, []
    for line in gap:
        feed = float(line.split("F")[1]) if "F" in line else feed
        for x, z in points([line], "XZ"):
            feeds.append(feed)
            share = abs(z - place[1]) / math.hypot(x - place[0], z - place[1])
            assert feed / 60 * share <= 4.0 + 1e-9
            if feed < 9000:
                assert (feed + 2) / 60 * share > 4.0
            place = (x, z)
    assert 6365 * (1 - EARLY / 9.275) - 2 <= feeds[0] <= 6366
    assert feeds[1:3] == [9000, 9000]


def test_the_string_of_the_whole_core_is_as_steep_as_it_must_and_concave() -> None:
    _, text = run(closed(across(towers_and_wall(), z=0.4)), terrain())
    path = [(30.0, 0.4), *((x, z) for x, _, z in points(last_gap(text)))]
    slopes = [(zb - za) / (b - a) for (a, za), (b, zb) in pairwise(path)]
    assert slopes == sorted(slopes, reverse=True)


def test_a_wall_near_the_start_is_reached_by_a_step_of_only_the_missing_height() -> None:
    """A wall of 0.6 mm at x 31.5: the flat meets it at s = 0.775; 1 in 2 climbs 0.3875 of the 0.55 mm, so 0.1625 mm
    straight up come first."""
    _, text = run(closed(across(pen_with_wall(31.5, 3))), terrain())
    (x0, _, z0), (x1, _, z1) = points(last_gap(text))[:2]
    assert (x0, z1) == pytest.approx((30.0, 0.75), abs=0.0011)
    assert 0.775 - EARLY <= x1 - 30 <= 0.775
    assert z0 == pytest.approx(z1 - 0.5 * (x1 - 30), abs=0.0021)
    assert z0 == pytest.approx(H + 0.1625, abs=EARLY / 2 + 0.002)
    steeper = last_gap(run(closed(across(pen_with_wall(31.5, 3))), terrain(max_slope=2.0))[1])
    assert points(steeper)[0][2] == pytest.approx(0.75, abs=0.0011)


def pen_with_wall(x: float, layers: int) -> Pen:
    pen = start()
    wall(pen, x, layers)
    return pen


def test_more_clearance_lifts_higher_and_changes_nothing_else() -> None:
    for clearance in (0.0, 0.1, 0.3):
        _, text = run(closed(across(pen_with_wall(50, 3))), terrain(clearance_mm=clearance))
        assert max(z for _, _, z in points(last_gap(text))) == pytest.approx(0.6 + clearance, abs=0.0011)


# Nothing in the way


@pytest.mark.parametrize("layers", [0, 1])
@pytest.mark.parametrize("caution", [0.0, 0.5, 1.0])
def test_without_an_obstacle_not_a_byte_changes(layers: int, caution: float) -> None:
    """Nothing at all, or a wall of the same layer that lies flush: the threshold of what counts stays above 0 up to a
    caution of 0.5; full caution may lift over what is flush."""
    text = closed(across(pen_with_wall(50, layers)))
    result, out = run(text, terrain(caution=caution))
    if layers == 0 or caution <= 0.5:
        assert (result.outcome, out) == ("unchanged", text)
        assert set(became(result)) <= {"clear", "own lift deliberate"}


def test_own_lifts_go_where_nothing_stands_and_are_replaced_where_something_does() -> None:
    """Way-points stay; over the wall the string takes the place of the own square."""
    up = ((30.0, 60.0, 0.8), (50.0, 62.0, 0.8), (70.0, 60.0, 0.8), (70.0, 60.0, H))
    result, text = run(closed(across(start(), *up)), terrain())
    assert became(result)["rewritten"] == 1
    assert {z for _, _, z in points(last_gap(text))} == {H}
    assert [(x, y) for x, y, _ in points(last_gap(text))] == [(50.0, 62.0), (70.0, 60.0)]
    _, text = run(closed(across(pen_with_wall(60, 2), *up)), terrain())
    found = points(last_gap(text))
    assert (50.0, 62.0) in [(x, y) for x, y, _ in found]
    assert max(z for *_, z in found) == pytest.approx(0.55, abs=0.0011)
    kept, text = run(closed(across(start(), *up)), terrain(own_lifts="keep"))
    assert kept.outcome == "unchanged"
    assert became(kept)["own lift kept"] == 1


def test_a_wall_beside_the_way_counts_as_far_as_the_flat_reaches() -> None:
    """A wall along the way: its side at 0.225; the flat's rim at 0.5 from the way."""
    for offset, lifted in ((0.55, 1), (0.70, 1), (0.90, 0), (1.2, 0)):
        pen = start()
        for layer in range(1, 4):
            pen.travel(40, 60 + offset, layer * H).bead((60, 60 + offset))
        assert became(run(closed(across(pen)), terrain())[0]).get("rewritten", 0) == lifted, offset


def test_a_wider_flat_reaches_farther() -> None:
    """Rim at 1.0 with a flat of 2 mm."""
    def lifted(offset: float, **keys: Any) -> int:
        pen = start()
        for layer in range(1, 4):
            pen.travel(40, 60 + offset, layer * H).bead((60, 60 + offset))
        return became(run(closed(across(pen)), terrain(**keys))[0]).get("rewritten", 0)

    assert lifted(1.1, printer={"nozzle_flat_mm": 2.0}) == 1
    assert lifted(1.4, printer={"nozzle_flat_mm": 2.0}) == 0


# Too tall


def test_what_needs_more_than_the_greatest_height_is_left_or_climbed() -> None:
    """Wall of 1.2 mm: 1.15 above the ends. Blocked at 1.0 and counted; left byte for byte, or climbed all the same."""
    text = closed(across(pen_with_wall(50, 6)))
    left, out = run(text, terrain(max_height_mm=1.0))
    assert became(left)["blocked"] == 1
    assert left.outcome == "unchanged"
    assert left.counts["strikes_before"] == left.counts["strikes_after"] > 0
    climbed, out = run(text, terrain(max_height_mm=1.0, blocked="climb"))
    assert became(climbed)["rewritten"] == 1
    assert max(z for _, _, z in points(last_gap(out))) == pytest.approx(1.35, abs=0.0011)
    allowed, out = run(text, terrain(max_height_mm=1.2))
    assert became(allowed)["rewritten"] == 1
    assert allowed.counts["strikes_after"] == 0


def test_z_max_is_never_passed() -> None:
    result, _ = run(closed(across(pen_with_wall(50, 4))), terrain(printer={"z_max_mm": 0.9}))
    assert became(result)["no room below z_max"] == 1


HEAD = {"head": {"radius_mm": 10.0, "clear_mm": 2.0}}


def tall_beside() -> Pen:
    """A tower of 3 mm, 5 mm beside the way: far from the nozzle, under the head."""
    pen = start()
    block(pen, (45, 50), (65, 70), range(1, 16))
    return pen


def test_new_lifts_count_the_heads_radius_beside_what_it_does_not_clear() -> None:
    """The head hangs 2 mm above the nozzle's tip: over the tower the tip must be at 1 mm and clearance at least."""
    text = closed(across(tall_beside()))
    without = run(text, terrain(max_height_mm=5.0))[1]
    lifted = run(text, terrain(max_height_mm=5.0, printer=HEAD))[1]
    assert points(last_gap(without)) == [(70.0, 60.0, H)]
    assert max(z for _, _, z in points(last_gap(lifted))) >= 1.0
    narrow = {"head": {"radius_mm": 3.0, "clear_mm": 2.0}}
    assert run(text, terrain(max_height_mm=5.0, printer=narrow))[1] == without


def test_own_lifts_are_kept_beside_terrain_taller_than_the_head_clears() -> None:
    up = ((30.0, 60.0, 1.8), (70.0, 60.0, 1.8), (70.0, 60.0, H))
    text = closed(across(tall_beside(), *up))
    assert last_gap(run(text, terrain(printer=HEAD))[1]) == last_gap(text)
    assert max(z for _, _, z in points(last_gap(run(text, terrain())[1]))) == H


# Waived ends


def in_the_air(*way: Point) -> bytes:
    """A bead that ends in the air and curls, and a travel from its end: 0.1 mm of allowance at x 34 to 40."""
    pen = start()
    block(pen, (31, 34), (56, 64), [1, 2])
    pen.travel(32, 60, 3 * H).bead((40, 60))
    pen.lines += [OUT, "G1 F9000"] + [f"G1 X{x:g} Y{y:g} Z{z:g}" for x, y, z in way] + [BACK]
    pen.at = (way[-1][0], way[-1][1])
    return closed(pen.bead((pen.at[0], pen.at[1] + 5)))


def test_the_bead_just_left_is_waived_for_1_2_mm_only() -> None:
    """Straight on, or aside: nothing. Back along the curled bead: lifted."""
    for way, lifted in (((60, 60, 3 * H), 0), ((40, 75, 3 * H), 0), ((20, 60, 3 * H), 1)):
        assert became(run(in_the_air(way), terrain())[0]).get("rewritten", 0) == lifted, way


def test_a_tall_neighbour_at_the_end_is_not_waived() -> None:
    """A wall of two more layers, 0.6 mm beside the end of the travel."""
    pen = start()
    wall(pen, 70.6, 3)
    pen.travel(20, 60, H).bead((30, 60))
    pen.lines += [OUT, "G1 F9000", f"G1 X70 Y60 Z{H}", BACK]
    pen.at = (70, 60)
    result, text = run(closed(pen.bead((65, 66))), terrain())
    assert became(result)["rewritten"] == 1
    x, _, z = points(last_gap(text))[-2]
    assert z > H + 0.1  # what is missing at the end comes down straight beside the wall
    assert x == 70


# Kinds of jobs


def test_several_objects_one_after_the_other_are_one_picture() -> None:
    """Sequential printing: the second object's first layer passes beside and over the first, 1 mm tall."""
    def tower() -> Pen:
        pen = start()
        block(pen, (45, 50), (55, 65), range(1, 6))
        return pen

    result, text = run(closed(across(tower())), terrain())
    assert became(result)["rewritten"] == 1
    assert max(z for _, _, z in points(last_gap(text))) == pytest.approx(1.15, abs=0.0011)
    beside, _ = run(closed(across(tower(), (30.0, 53.0, H), (70.0, 53.0, H), (70.0, 60.0, H))), terrain())
    assert "rewritten" not in became(beside)


def test_a_new_print_on_a_cleared_bed_forgets_the_old_one() -> None:
    """After a tower of ten layers a first layer through its place, 11 beads of 20 mm: then a travel over it is free."""
    pen = start()
    block(pen, (45, 50), (50, 70), range(1, 11))
    block(pen, (45, 50), (50, 70), [1])
    result, _ = run(closed(across(pen)), terrain(max_height_mm=5.0))
    tower = start()
    block(tower, (45, 50), (50, 70), range(1, 11))
    standing, _ = run(closed(across(tower)), terrain(max_height_mm=5.0))
    over = [[risk["length_mm"] == pytest.approx(40.0) for risk in r.details["riskiest"]] for r in (standing, result)]
    assert (sum(over[0]), sum(over[1])) == (1, 0)
    assert any("cleared" in warning for warning in result.warnings)
    assert not any("cleared" in warning for warning in standing.warnings)


@pytest.mark.parametrize(
    ("dx", "dy", "bed"),
    [(-50.0, -60.0, RoundBed(radius=90.0)), (0.5, 8.0, RectBed(x=(0.0, 200.0), y=(0.0, 200.0))),
     (-100.0, 52.0, RectBed(x=(-150.0, 0.0), y=(0.0, 150.0)))],
)  # fmt: skip
def test_the_origin_of_the_bed_does_not_matter(dx: float, dy: float, bed: RectBed | RoundBed) -> None:
    """A delta's origin is the middle of a round bed; and other origins: the same lifts, shifted."""
    def shifted(line: str) -> str:
        words = line.split()
        for k, word in enumerate(words):
            if word[0] in "XY" and line[0] == "G":
                words[k] = f"{word[0]}{float(word[1:]) + (dx if word[0] == 'X' else dy):.5f}"
        return " ".join(words)

    plain = closed(across(towers_and_wall()))
    moved = "\n".join(map(shifted, plain.decode().splitlines())).encode() + b"\n"
    one = np.array(points(last_gap(run(plain, terrain())[1])))
    two = np.array(points(last_gap(run(moved, terrain(printer={"bed_mm": bed}))[1])))
    assert two - one == pytest.approx(np.tile([dx, dy, 0.0], (len(one), 1)), abs=1e-6)


def test_comments_say_nothing_that_the_plan_needs() -> None:
    """Types, layers and heights claimed by comments, true or not, and none at all: the same moves."""
    plain = closed(across(towers_and_wall()))
    spoken = b"".join(b"%s ; layer 7 type support z 9\n" % line for line in plain.splitlines())
    one, two = (lines_of(run(text, terrain())[1]) for text in (plain, spoken))
    assert points(one) == points(two)


def over_a_wall_to_a_change(*behind: str) -> bytes:
    """From (30, 60) over a wall of three layers at x 50 to (70, 60), where the tool is changed; at 0.2 mm."""
    pen = start()
    pen.lines += ["T0"]
    wall(pen, 50, 3)
    from_above(pen, 20, 60, H).bead((30, 60))
    pen.lines += [OUT, "G1 X70 Y60 F9000", "T1", *behind, "G1 X72 Y60 Z0.2", BACK]
    pen.at = (72, 60)
    return closed(pen.bead((80, 60)))


@pytest.mark.parametrize("behind", [[], ["PARK_HEAD"], ["G1 X50 Y60 Z0.2", "G1 X40"]])
def test_the_way_up_to_a_tool_change_is_lifted_and_ends_where_it_did(behind: list[str]) -> None:
    """What lies behind the change is left, whatever stands in its way."""
    result, text = run(over_a_wall_to_a_change(*behind), terrain())
    assert became(result)["rewritten"] == 1
    gap = last_gap(text)
    change = gap.index("T1")
    way = points(gap[:change])
    assert way[-1] == (70.0, 60.0, 0.2)
    assert max(z for _, _, z in way) == pytest.approx(0.75, abs=0.0011)
    assert gap[change + 1 :] == [*behind, "G1 X72 Y60 Z0.2"]


@pytest.mark.parametrize(
    ("change", "lifted"),
    [("T1", 1), ("T01", 1), ("T 1", 1), ("t1 ; clips", 1), ("T99", 1), ("T1 F1800", 1), ("T100", 0), ("T1000", 0),
     ("T-1", 0), ("T1.5", 0), ("T+1", 0), ("T?", 0), ("Tx", 0), ("T-1\nT1", 0), ("M600\nT1", 0), ("T1\nT-1", 1)],
)  # fmt: skip
def test_only_a_tool_of_the_machine_is_changed_to(change: str, lifted: int) -> None:
    """Other numbers than 0 to 99 name macros, or unload (seen in jobs, no source); the proof reads them alike."""
    result, _ = run(over_a_wall_to_a_change().replace(b"\nT1\n", f"\n{change}\n".encode()), terrain())
    assert became(result).get("rewritten", 0) == lifted


def test_what_a_bead_about_to_begin_waives_is_an_obstacle_where_the_tool_is_changed_first() -> None:
    """The travel ends on a strip that hangs in the air and curls. The bead that begins there runs along it; behind a
    change of the tool another one begins elsewhere."""
    for change, lifted in (([], 0), (["T1", f"G1 X60 Y70 Z{3 * H:g}"], 1)):
        pen = start()
        block(pen, (31, 34), (56, 64), [1, 2])
        pen.travel(32, 60, 3 * H).bead((40, 60))
        from_above(pen, 50, 70, 3 * H).bead((50, 60))
        pen.lines += [OUT, "G1 X40 Y60 F9000", *change, BACK]
        pen.at = (60, 70) if change else (40, 60)
        result, _ = run(closed(pen.bead((70, 70) if change else (34, 60))), terrain())
        assert became(result).get("rewritten", 0) == lifted, change


def test_beads_of_another_tool_are_obstacles_too_and_a_travel_behind_a_change_is_left() -> None:
    pen = start()
    pen.lines += ["T0"]
    pen.travel(5, 6, H).bead((15, 6))
    wall(pen, 50, 3)
    pen.lines += [OUT, "T1"]
    pen.travel(5, 8, H)
    pen.lines += [BACK]
    pen.bead((15, 8))
    result, text = run(closed(across(pen)), terrain())
    assert became(result)["wall"] == 1
    assert max(z for _, _, z in points(last_gap(text))) == pytest.approx(0.75, abs=0.0011)


def test_a_rising_bead_stands_as_high_as_it_was_laid_at_each_place() -> None:
    """A spiral's last turn, from (50, 40, 0.6) to (50, 80, 0.8) on a wall of 0.6 mm; crossed at y 44, 60 and 72."""
    tops = []
    for y in (44.0, 60.0, 72.0):
        pen = start()
        wall(pen, 50, 3, (40, 80))
        pen.travel(50, 40, 3 * H)
        for k in range(1, 41):
            pen.lines.append(f"G1 X50 Y{40 + k} Z{0.6 + k / 200:.3f} E{pen.section / (math.pi * 1.75**2 / 4):.5f}")
        from_above(pen, 20, y, 2 * H).bead((30, y))
        pen.lines += [OUT, "G1 F9000", f"G1 X70 Y{y:g}", BACK]
        pen.at = (70, y)
        _, text = run(closed(pen.bead((80, y))), terrain())
        tops.append(max(z for _, _, z in points(last_gap(text))) - 0.15)
    assert tops == pytest.approx([0.62, 0.70, 0.76], abs=0.03)
    assert tops == sorted(tops)


def test_an_arc_bead_stands_where_its_arc_runs() -> None:
    """A half circle of 10 mm about (50, 60): crossed on its way round, not on its chord."""
    for y, lifted in ((69.0, 1), (60.0, 0), (72.0, 0)):
        pen = start()
        for layer in range(1, 4):
            e = math.pi * 10 * pen.section / (math.pi * 1.75**2 / 4)
            pen.travel(40, 60, layer * H)
            pen.lines += [f"G2 X60 Y60 I10 J0 E{e:.5f}"]
        begin, end = (42, 57) if y == 60.0 else (30, 70)
        from_above(pen, begin, y, H).bead((begin + 1, y))
        pen.lines += [OUT, "G1 F9000", f"G1 X{end:g} Y{y:g}", BACK]
        pen.at = (end, y)
        result, _ = run(closed(pen.bead((end + 1, y))), terrain())
        assert became(result).get("rewritten", 0) == lifted, y


def test_a_travel_along_an_arc_sweeps_its_arc() -> None:
    """From (30, 60) to (70, 60) by the upper half circle: clear of a wall on the chord, over a wall on the arc."""
    for x0, y0, y1, struck in ((50.0, 50.0, 70.0, False), (50.0, 75.0, 85.0, True)):
        pen = start()
        wall(pen, x0, 4, (y0, y1))
        pen.travel(20, 60, H).bead((30, 60))
        pen.lines += [OUT, "G1 F9000", "G2 X70 Y60 I20 J0", BACK]
        pen.at = (70, 60)
        result, _ = run(closed(pen.bead((80, 60))), terrain())
        assert (result.counts["strikes_before"] > 0) is struck


# The record


def twelve_walls() -> tuple[bytes, dict[int, float]]:
    """Walls of 3 to 14 layers, each crossed once: the job, and the wall's height above Z by the line of its travel."""
    pen, lines = start(), {}
    for k in range(12):
        x, layers = 20.0 + 12 * k, 3 + k
        wall(pen, x, layers, (55.0, 65.0))
        pen.travel(x - 5, 60, H).bead((x - 4, 60))
        pen.lines += [OUT, f"G1 X{x + 4:g} Y60 F9000", BACK]
        lines[len(pen.lines) - 1] = round(0.2 * layers - H, 6)
        pen.at = (x + 4, 60)
        pen.bead((x + 5, 60))
    return closed(pen), lines


def test_the_riskiest_travels_are_told_with_their_lines() -> None:
    """The ten over the tallest walls, tallest first, and what became of each: 1.35 mm may be climbed with clearance."""
    text, lines = twelve_walls()
    result, _ = run(text, terrain(max_height_mm=1.5))
    risks = result.details["riskiest"]
    tallest = sorted(lines, key=lambda line: -lines[line])[:10]
    assert [risk["line"] for risk in risks] == tallest
    assert [risk["obstacle_mm"] for risk in risks] == pytest.approx([lines[line] for line in tallest], abs=1e-3)
    assert all(risk["length_mm"] == pytest.approx(8.0) for risk in risks)
    assert [risk["became"] for risk in risks] == ["blocked"] * 7 + ["rewritten"] * 3
    assert result.counts["strikes_before"] - result.counts["strikes_after"] == became(result)["rewritten"]


def test_explain_lists_the_riskiest_travels(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One row each: line, layer, length, obstacle, what becomes of it."""
    text, lines = twelve_walls()
    (tmp_path / "job.gcode").write_bytes(text)
    (tmp_path / "rules").mkdir()
    data = content({"shape": "terrain", "caution": 0.0, "max_height_mm": 1.5})
    (tmp_path / "rules" / "rules.yaml").write_text(json.dumps(data))
    job, folder = str(tmp_path / "job.gcode"), str(tmp_path / "rules")
    assert main(["explain", job, "--rules", folder, "--tag", "printer=bench"]) == 0
    rows = capsys.readouterr().out.split("the riskiest travels:\n")[1].splitlines()[1:]
    found = [row.split() for row in rows if row.split() and row.split()[0].isdigit()]
    tallest = sorted(lines, key=lambda line: -lines[line])[:10]
    assert [int(row[0]) for row in found] == tallest
    assert [float(row[3]) for row in found] == pytest.approx([lines[line] for line in tallest], abs=1e-3)
    assert [row[4] for row in found] == ["blocked"] * 7 + ["rewritten"] * 3
