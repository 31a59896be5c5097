"""Overhang and curl allowance on cones against the elementary formula u = h·tan θ / w, and where there may be none.

Source of the formula: plane geometry. A wall leaning θ from the vertical steps out by h·tan θ a layer, and that much of
its bead's width w has nothing beneath. There is no published curve of curl height over overhang, so of the allowance
only what its own definition says is asserted: 0 where carried and flat, growing with u, never above the cap.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from evaluator.scenes import cone
from reference.terrain_scenes import CELL, HEIGHT, WIDTH, Curl, Pen, Picture, block, looked, ring

ANGLES = [0, 5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55, 60, 65, 70, 75]
PLACES = [(60.0, 60.0, 0.0), (57.031, 53.377, 0.3), (32.05, 80.05, 0.7), (33.333, 66.667, 1.1), (81.049, 40.951, 1.5)]
PIECES = 90
END = b"G0 Z50\n"  # a path is settled when it ends
AROUND = np.linspace(0.0, 2 * math.pi, 720, endpoint=False)
CAP = 2.0
PLAIN = Curl(onset=0.0, gain=CAP / HEIGHT, cap=CAP, decay=0.5)  # the second ring's allowance is CAP · u


def share(angle: float) -> float:
    return min(1.0, HEIGHT * math.tan(math.radians(angle)) / WIDTH)


def on_ring(picture: Picture, x: float, y: float, layer: int, angle: float) -> np.ndarray:
    """Heights above the layer's own, along the middle of the bead of one ring (counted from 1)."""
    radius = (10.0 + (layer - 1) * HEIGHT * math.tan(math.radians(angle))) * math.cos(math.pi / PIECES)
    points = zip(x + radius * np.cos(AROUND), y + radius * np.sin(AROUND), strict=True)
    return np.array([picture.height(*point) for point in points]) - layer * HEIGHT


@pytest.mark.parametrize(("x", "y", "turn"), PLACES)
def test_the_second_ring_of_a_cone_has_the_share_of_the_formula(x: float, y: float, turn: float) -> None:
    """Mean over the ring: within 0.01 from 15° to 65°, within 0.05 elsewhere (u under 0.1 is lost among 64 samples a
    cell, and round ends of the pieces reach carried ground at u = 1). Every stretch: within 0.075 from 20° to 55°."""
    for angle in ANGLES:
        found = on_ring(looked(cone(angle, x, y, turn, layers=2) + END, curl=PLAIN), x, y, 2, angle) / CAP
        assert abs(found.mean() - share(angle)) < (0.01 if 15 <= angle <= 65 else 0.05), angle
        if 20 <= angle <= 55:
            assert np.abs(found - share(angle)).max() < 0.075, angle


@pytest.mark.parametrize("angle", [20, 30, 40, 45, 50, 55])
def test_an_onset_below_the_share_takes_nearly_all_of_a_cone_and_one_above_it_nearly_none(angle: int) -> None:
    """0.1 to either side of u; share of the beads' length above the first layer. A gain so great that none is dropped
    for being small."""
    for x, y, turn in PLACES:
        taken = []
        for onset in (share(angle) - 0.1, share(angle) + 0.1):
            picture = looked(cone(angle, x, y, turn, layers=5) + END, curl=Curl(onset, gain=5.0))
            taken.append(picture.curled.sum() / picture.beads[PIECES:].sum())
        assert taken[0] > 0.92
        assert taken[1] < 0.04


def leaning(angle: float, width: float, place: tuple[float, float, float]) -> bytes:
    """Eight rings, and twelve travels of 12 mm outwards over the last."""
    x, y, turn = place
    pen = Pen(width, HEIGHT)
    for layer in range(8):
        points = ring(x, y, 10.0 + layer * HEIGHT * math.tan(math.radians(angle)), turn, PIECES)
        pen.travel(*points[0], HEIGHT * (layer + 1)).bead(*points[1:])
    for k in range(12):
        ux, uy = math.cos(k * math.pi / 6 + 0.05), math.sin(k * math.pi / 6 + 0.05)
        pen.travel(x + 3 * ux, y + 3 * uy, 8 * HEIGHT).bead((x + 4 * ux, y + 4 * uy))
        pen.travel(x + 16 * ux, y + 16 * uy, 8 * HEIGHT).bead((x + 17 * ux, y + 17 * uy))
    return pen.bytes()


@pytest.mark.parametrize("caution", [0.0, 0.5])
@pytest.mark.parametrize("width", [0.42, 0.45, 0.5])
def test_walls_that_lean_up_to_30_degrees_stand_in_no_way(caution: float, width: float) -> None:
    """Common settings (common practice, no source), up to the default caution. Travels over walls of 50° are
    lifted, every one."""
    for place in PLACES:
        for angle, status in ((-30, "clear"), (0, "clear"), (30, "clear"), (50, "lifted")):
            across = [w for w in looked(leaning(angle, width, place), caution=caution).ways if 11.9 < w.length < 12.1]
            assert len(across) == 12
            assert {way.status for way in across} == {status}, angle


@pytest.mark.parametrize(
    ("height", "width", "caution"), [(0.2, 0.45, 0.0), (0.2, 0.42, 0.5), (0.15, 0.45, 0.5), (0.3, 0.5, 0.0)]
)
def test_nothing_that_leans_less_than_twenty_degrees_gets_any(height: float, width: float, caution: float) -> None:
    """None at all up to 20°, inwards and outwards; up to 25° on less than 3 % of the length."""
    for x, y, turn in PLACES:
        for angle in (-25, -20, 0, 15, 20, 25):
            pen = Pen(width, height)
            for layer in range(8):
                points = ring(x, y, 10.0 + layer * height * math.tan(math.radians(angle)), turn, PIECES)
                pen.travel(*points[0], height * (layer + 1)).bead(*points[1:])
            picture = looked(pen.bytes() + END, caution=caution)
            assert picture.curled.sum() <= (0.0 if abs(angle) <= 20 else 0.03 * picture.beads.sum()), angle


def test_a_wall_that_leans_inwards_overhangs_on_its_inner_side() -> None:
    x, y, turn = PLACES[1]
    for angle in (-20, -45, -55):
        found = on_ring(looked(cone(angle, x, y, turn, layers=2) + END, curl=PLAIN), x, y, 2, angle) / CAP
        assert found.mean() == pytest.approx(share(-angle), abs=0.02)


@pytest.mark.parametrize(("x", "y", "turn"), PLACES)
def test_the_allowance_grows_layer_by_layer_to_the_cap_and_no_farther(x: float, y: float, turn: float) -> None:
    """At 60°, u = 0.77: 0.5 · 0.2 · (u − 0.4) / 0.6 = 0.0617 mm a layer. The greatest beneath is handed on, so that
    errors add up outwards: no less than the sum, less 0.01, and no more than 0.03 mm a layer above it."""
    step = 0.5 * HEIGHT * (share(60) - 0.4) / 0.6
    means = []
    for layers in range(1, 13):
        found = on_ring(looked(cone(60, x, y, turn, layers=layers) + END), x, y, layers, 60)
        means.append(found.mean())
        assert found.max() <= 0.5 + 1e-5
        assert min(0.5, (layers - 1) * step) - 0.01 <= means[-1] <= min(0.5, (layers - 1) * (step + 0.03)) + 1e-5
    assert means[0] == pytest.approx(0.0, abs=1e-5)
    assert means == sorted(means)
    assert means[-1] == pytest.approx(0.5, abs=1e-4)


def test_steeper_cones_never_get_less() -> None:
    x, y, turn = PLACES[2]
    means = [on_ring(looked(cone(a, x, y, turn, layers=4) + END), x, y, 4, a).mean() for a in ANGLES]
    assert all(b >= a - 1e-6 for a, b in pairwise(means))
    assert means[ANGLES.index(30)] == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize("curl", [Curl(), Curl(0.2, 2.0, 0.3, 0.9), Curl(0.0, 5.0, 2.0, 1.0)])
def test_the_first_layer_never_gets_any(curl: Curl) -> None:
    for height in (0.1, 0.2, 0.3):
        pen = Pen(WIDTH, height).travel(60, 60, height).bead((90, 60), (90, 75), (61, 74.4), (40, 30))
        assert looked(pen.bytes() + END, curl=curl).curled.sum() == 0.0


@pytest.mark.parametrize("turn", [0.0, 0.3, 0.7854, 1.1])
def test_vertical_walls_get_none(turn: float) -> None:
    """A straight wall two beads wide at any turn, twenty layers."""
    pen = Pen()
    (ux, uy), (x, y) = (math.cos(turn), math.sin(turn)), (40.013, 30.271)
    for layer in range(1, 21):
        for side in (0.0, 0.4):
            a, b = x - side * uy, y + side * ux
            pen.travel(a, b, layer * HEIGHT).bead((a + 25 * ux, b + 25 * uy))
    assert looked(pen.bytes() + END, caution=1.0).curled.sum() == 0.0


def two_towers() -> Pen:
    pen = Pen()
    block(pen, (30, 33), (30, 39), [1, 2, 3])
    block(pen, (43, 46), (30, 39), [1, 2, 3])
    return pen


def test_a_bridge_gets_none_and_the_same_span_held_at_one_end_gets_the_whole() -> None:
    """10 mm free: c = 0.5 · 0.2 mm where it ends in the air, 0 where it is held at both ends."""
    pen = two_towers()
    pen.travel(31, 32, 4 * HEIGHT).bead((45, 32))
    pen.travel(31, 37, 4 * HEIGHT).bead((39, 37))
    picture = looked(pen.bytes() + END)
    assert picture.height(38, 32) == pytest.approx(0.8, abs=1e-5)
    assert picture.height(38, 37) == pytest.approx(0.9, abs=0.005)
    assert picture.height(31, 37) == pytest.approx(0.8, abs=1e-5)


def test_a_bridge_is_one_path_and_may_turn() -> None:
    """Cut in the middle it is two beads that end in the air."""
    pen = two_towers()
    pen.travel(31, 32, 4 * HEIGHT).bead((38, 33), (38, 32), (45, 32))
    pen.travel(31, 37, 4 * HEIGHT).bead((38, 37)).travel(45, 37, 4 * HEIGHT).bead((38, 37))
    picture = looked(pen.bytes() + END)
    assert picture.height(41.5, 32) == pytest.approx(0.8, abs=1e-5)
    assert picture.height(41.5, 37) == pytest.approx(0.9, abs=0.005)


@pytest.mark.parametrize("slant", [0.0, 1.0, 3.0])
def test_a_bridge_gets_none_over_its_whole_length(slant: float) -> None:
    """Its ramps, where it leaves a tower slantwise, are part of it."""
    pen = two_towers()
    pen.travel(31, 32, 4 * HEIGHT).bead((45, 32 + slant))
    assert looked(pen.bytes() + END).curled.sum() == 0.0


@pytest.mark.parametrize(("turn", "most"), [(0.0, 0.0), (0.4, 0.01), (0.8, 0.01), (1.2, 0.01)])
@pytest.mark.parametrize("gap", [3.0, 5.0])
def test_sparse_infill_gets_none(turn: float, most: float, gap: float) -> None:
    """Lines within a wall, at right angles from layer to layer: each hangs free between those beneath. None along the
    grid; turned, where crossings fall anyhow on the squares, on less than 1 % of the length."""
    pen = Pen()

    def at(u: float, v: float) -> tuple[float, float]:
        return 50 + u * math.cos(turn) - v * math.sin(turn), 40 + u * math.sin(turn) + v * math.cos(turn)

    for layer in range(1, 9):
        pen.travel(*at(0, 0), layer * HEIGHT).bead(at(30, 0), at(30, 30), at(0, 30), at(0, 0))
        for line in range(1, round(30 / gap)):
            ends = [(0.0, gap * line), (30.0, gap * line)]
            first, last = ends if layer % 2 else [(v, u) for u, v in ends]
            pen.travel(*at(*first), layer * HEIGHT).bead(at(*last))
    picture = looked(pen.bytes() + END)
    assert picture.curled.sum() <= most * picture.beads.sum()


def test_a_free_loop_gets_the_whole_though_it_closes() -> None:
    """Nothing holds it: it was laid loose."""
    pen = two_towers()
    points = ring(60, 60, 3, 0, 40)
    pen.travel(*points[0], 4 * HEIGHT).bead(*points[1:])
    picture = looked(pen.bytes() + END)
    assert [picture.height(*point) for point in points] == pytest.approx([0.9] * 41, abs=0.011)


@pytest.mark.parametrize("decay", [0.5, 0.8])
def test_carried_beads_let_the_allowance_die_away(decay: float) -> None:
    """Straight walls on a free ring: each layer keeps `decay` of what is beneath it, to 1/125 of the cap a layer."""
    pen = Pen()
    block(pen, (30, 32), (30, 35), [1, 2])
    points = ring(60, 60, 3, 0, 40)
    for layers in range(5):
        pen.travel(*points[0], (3 + layers) * HEIGHT).bead(*points[1:])
        picture = looked(pen.bytes() + END, curl=Curl(decay=decay))
        found = picture.height(60, 63) - (3 + layers) * HEIGHT
        expected = 0.1 * decay**layers
        least = 4 * 0.5 / 125  # what is less than this is dropped
        assert found <= expected + 0.004 + 1e-5
        assert found >= (expected - 0.004 * (layers + 1) if expected > 1.5 * least else -1e-6)


@pytest.mark.parametrize(("caution", "angle", "kept"), [(0.0, 28, False), (0.5, 28, True), (0.5, 0, False)])
def test_where_the_onset_is_in_doubt_an_allowance_stays_as_it_is(caution: float, angle: float, kept: bool) -> None:
    """A free ring, and walls on it whose share of u = h·tan θ / w = 0.24 is under the onset, which is 0.4 and with that
    caution 0.32. The definition alone lets the allowance die away; with caution only a bead that is surely carried
    does. It never grows."""
    pen = Pen()
    block(pen, (30, 32), (30, 35), [1, 2])
    found = []
    for layer in range(5):
        points = ring(60, 60, 3 + layer * HEIGHT * math.tan(math.radians(angle)), 0, 40)
        pen.travel(*points[0], (3 + layer) * HEIGHT).bead(*points[1:])
        picture = looked(pen.bytes() + END, caution=caution)
        heights = [picture.height(*point) - (3 + layer) * HEIGHT for point in points[:-1]]
        found.append(float(np.mean(heights)))
    assert found[0] > 0.09
    assert found[-1] == (pytest.approx(found[0], abs=0.01) if kept else pytest.approx(0.0, abs=0.016))
    assert max(found) <= found[0] + 1e-6


def test_shifting_a_model_by_whole_cells_shifts_the_terrain() -> None:
    """Any number of cells, tiles of eight cells or not."""
    def model(dx: float, dy: float) -> bytes:
        return cone(50, 50 + dx, 50 + dy, 0.3, layers=5, pieces=40) + END

    grid = np.arange(36.1, 64.0, 0.7)
    plain = looked(model(0, 0))
    for cells in ((1, 0), (3, -5), (8, 16), (-11, 7)):
        dx, dy = cells[0] * CELL, cells[1] * CELL
        shifted = looked(model(dx, dy))
        assert shifted.curled.sum() == pytest.approx(plain.curled.sum(), abs=1e-6)
        differ = sum(
            abs(plain.height(x, y) - shifted.height(x + dx, y + dy)) > 1e-5 for x in grid for y in grid
        )
        assert differ <= 0.002 * grid.size**2  # five decimals of the file round otherwise


def test_more_material_lowers_nothing_that_stands_above_the_layer() -> None:
    """Beads across a leaning ring, in its own layer and in the next, against the same ground without them.

    What lies lower than the layer itself may be forgotten: the nozzle never goes down to it again. Where the next layer
    covers a curled edge its own height counts.
    """
    x, y, turn = PLACES[3]
    ground = cone(55, x, y, turn, layers=6)
    before = looked(ground + END)
    grid = [(x + dx, y + dy) for dx in np.arange(-14, 14, 0.37) for dy in np.arange(-14, 14, 0.37)]
    high = [point for point in grid if before.height(*point) > 6 * HEIGHT + 0.03]
    assert len(high) > 50
    for z in (6 * HEIGHT, 7 * HEIGHT):
        pen = Pen().travel(x - 20, y - 5.2, z).bead((x + 20, y + 6.1)).travel(x - 3, y - 20, z)
        after = looked(ground + pen.bead((x + 4, y + 20)).bytes() + END)
        assert all(after.height(*p) >= (before.height(*p) if z == 6 * HEIGHT else z) - 1e-5 for p in high)
