"""The gauge for curled edges: fins that lean out by stepped shares, crossed at stepped clearances from safe to low.

In the figure's own mm: fins lie along X, side by side in Y, on a common plate, each leaning towards +Y. In every
leaning layer the outermost bead of a fin stands out over the one beneath by its share u of the bead's width,
u = h·tan θ / w; the beads behind it are carried. Fin 1 is upright: where it is touched, that is the machine's own
error, not curl.

Two bars, before the first fin and behind the last, carry the crossings. Each begins with a short bead on the one bar,
goes straight over all fins at its own place and its own clearance above their nominal top, and ends with a short bead
on the other; then back, high above everything. A pause before each crossing gives time to look, and because of it no
rule of ours ever changes the crossing.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from liftwright.evidence.gauge_pen import SAFE_ABOVE_MM, TRAVEL_MM_S, GaugeTerms, Pen, Point

SHARES = (0.0, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
"""Unsupported share of each fin's outermost bead; beyond 0.8 a bead hangs free rather than leans."""
CLEARANCES_MM = (1.0, 0.8, 0.6, 0.5, 0.4, 0.3, 0.25, 0.2, 0.15, 0.1)
"""Of the crossings, in their order: from safe to low."""
MODEL = "curl gauge"

PLATE_LAYERS = 2
UPRIGHT_MM = 1.0
LEANING_MM = 2.4  # height over which the fins lean: at the usual allowance the steepest reach its cap, the others don't
BEADS_THICK = 5  # the nozzle's flat, over the bead on one side of a fin, stays clear of the edge on the other
ROOM_MM = 3.0  # between fins, beside the nozzle's flat
PLATE_EDGE_MM = 4.0
LOOP_MM = 3.0  # from the plate to the loop around it
CROSSING_MM_S = 20.0
FIRST_CROSSING_MM = 8.0  # from the fins' end, where edges curl more than along the fin; common practice, no source
TICK_MM = 2.5
PAUSE_MS = 4000
ROUND_ABOVE_MM = 1.0


@dataclass(frozen=True, slots=True)
class Fin:
    """One fin: its share, and y of its inner edge at the foot, mm."""

    number: int
    share: float
    y: float


@dataclass(frozen=True, slots=True)
class CurlFigure:
    """Where everything stands. y of bars is that of their inner edge; `crossings` are x, one for each clearance."""

    length: float
    depth: float
    bars: tuple[float, float]
    fins: tuple[Fin, ...]
    crossings: tuple[float, ...]
    upright: int
    leaning: int

    @property
    def layers(self) -> int:
        return PLATE_LAYERS + self.upright + self.leaning


def leaning_layers(layer_height: float) -> int:
    """Layers in which the fins lean: a number that a reading needs, and that depends on the layer height alone."""
    return max(4, round(LEANING_MM / layer_height))


def curl_figure(terms: GaugeTerms) -> CurlFigure:
    """The figure for this printer's nozzle, flat and layer height."""
    thick = (BEADS_THICK - 1) * terms.pitch + terms.width
    room = ROOM_MM + terms.printer.nozzle_flat_mm
    leaning = leaning_layers(terms.layer_height)
    y, fins = thick + room, []
    for number, share in enumerate(SHARES, 1):
        fins.append(Fin(number, share, y))
        y += thick + leaning * share * terms.width + room
    step = max(4.0, terms.printer.nozzle_flat_mm + 1.5)
    crossings = tuple(FIRST_CROSSING_MM + step * number for number in range(len(CLEARANCES_MM)))
    length = crossings[-1] + FIRST_CROSSING_MM
    upright = max(3, round(UPRIGHT_MM / terms.layer_height))
    return CurlFigure(length, y + thick, (0.0, y), tuple(fins), crossings, upright, leaning)


def corners(figure_length: float, figure_depth: float) -> tuple[Point, Point]:
    """Low and high corner of a figure with its plate, mm."""
    return (-PLATE_EDGE_MM, -PLATE_EDGE_MM), (figure_length + PLATE_EDGE_MM, figure_depth + PLATE_EDGE_MM)


def curl_gauge(terms: GaugeTerms) -> bytes:
    """The whole job, in the middle of the bed; whether it fits is `gauge_limits`' to say."""
    figure = curl_figure(terms)
    middle = terms.middle
    pen = Pen(terms, MODEL, (middle[0] - figure.length / 2, middle[1] - figure.depth / 2))
    lay_plate(pen, *corners(figure.length, figure.depth))
    pen.fan()
    for layer in range(PLATE_LAYERS + 1, figure.layers + 1):
        _lay_layer(pen, figure, layer)
    _cross(pen, figure)
    return pen.finish()


def lay_plate(pen: Pen, low: Point, high: Point) -> None:
    """A loop around to let the filament flow, then the plate's layers, crosswise, the first at half speed."""
    h = pen.terms.layer_height
    (x0, y0), (x1, y1) = (low[0] - LOOP_MM, low[1] - LOOP_MM), (high[0] + LOOP_MM, high[1] + LOOP_MM)
    around = [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]
    pen.rise(h + SAFE_ABOVE_MM)
    pen.go(around[:1])
    pen.rise(h)
    pen.bead([*around[1:], around[0]], pen.terms.speed_mm_s / 2)
    for layer in range(PLATE_LAYERS):
        pen.note(f"layer {layer + 1}, plate")
        path = list(_zigzag(pen.terms, low, high, across=layer % 2 == 1))
        pen.travel(path[:1], h * (layer + 1))
        pen.bead(path[1:], pen.terms.speed_mm_s / (2 if layer == 0 else 1))


def _zigzag(terms: GaugeTerms, low: Point, high: Point, *, across: bool) -> Iterator[Point]:
    """Lines side by side that fill a rectangle to its edges, along X or across it, a hair closer than the pitch."""
    one, other = (1, 0) if across else (0, 1)
    room = high[other] - low[other] - terms.width
    gaps = math.ceil(room / terms.pitch)
    for line in range(gaps + 1):
        c = low[other] + terms.width / 2 + line * room / gaps
        a, b = low[one] + terms.width / 2, high[one] - terms.width / 2
        for end in (a, b) if line % 2 == 0 else (b, a):
            yield (c, end) if across else (end, c)


def _lay_layer(pen: Pen, figure: CurlFigure, layer: int) -> None:
    """Bar, fins in their order, bar; from one to the next around the fins' ends, never over an edge.

    In the last layer the bars are left out: the crossings lay their beads there.
    """
    terms = pen.terms
    pen.note(f"layer {layer}")
    lean = max(0, layer - PLATE_LAYERS - figure.upright)
    walls = [(fin.y + lean * fin.share * terms.width, f"fin {fin.number}") for fin in figure.fins]
    if layer < figure.layers:
        walls = [(figure.bars[0], "first bar"), *walls, (figure.bars[1], "last bar")]
    z = terms.layer_height * layer
    for y, name in walls:
        pen.note(name)
        start = pen.at[0] if pen.at[0] in (0.0, figure.length) else 0.0
        first = y + terms.width / 2
        _go_round(pen, figure, (start, first), z)
        for bead in range(BEADS_THICK):
            here = first + bead * terms.pitch
            if bead:
                pen.bead([(pen.at[0], here)])
            pen.bead([(figure.length - pen.at[0], here)])


def _go_round(pen: Pen, figure: CurlFigure, to: Point, z: float) -> None:
    """To the end of a wall by the free way beside the walls' ends, and above what may have curled there."""
    side = -PLATE_EDGE_MM / 2 if to[0] == 0.0 else figure.length + PLATE_EDGE_MM / 2
    pen.retract()
    pen.rise(z + ROUND_ABOVE_MM)
    pen.go([(side, pen.at[1]), (side, to[1]), to])
    pen.rise(z)
    pen.prime()


def _cross(pen: Pen, figure: CurlFigure) -> None:
    """All crossings, from safe to low."""
    terms = pen.terms
    top, half = terms.layer_height * figure.layers, BEADS_THICK * terms.pitch / 2
    begin, end = figure.bars[0] + half, figure.bars[1] + half
    for number, (x, clearance) in enumerate(zip(figure.crossings, CLEARANCES_MM, strict=True), 1):
        pen.retract()
        pen.rise(top + SAFE_ABOVE_MM)
        pen.go([(x - TICK_MM, begin)], TRAVEL_MM_S)
        pen.rise(top)
        pen.prime()
        pen.bead([(x, begin)])
        pen.retract()
        pen.rise(top + clearance)
        pen.mark(f"crossing {number} of {len(CLEARANCES_MM)}, clearance {clearance:.2f} mm")
        pen.lines.append(f"G4 P{PAUSE_MS}")
        pen.go([(x, end)], CROSSING_MM_S)
        pen.rise(top)
        pen.prime()
        pen.bead([(x + TICK_MM, end)])
