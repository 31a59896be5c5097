"""The gauge for strings: two rows of posts, and from each post to its partner one shape of lift, side by side.

In every layer the nozzle goes once from row to row at each pair, always from the same side within a layer, with that
pair's own shape; between pairs it goes along its row. So whatever hangs between the rows at a pair was drawn by the
pair's shape. A terrain lift has nothing to clear here and is no lift: the pair called `flat` stands for it.
"""

import numpy as np

from liftwright.evidence.gauge import PLATE_LAYERS, corners, lay_plate
from liftwright.evidence.gauge_pen import TRAVEL_MM_S, GaugeTerms, Pen, Point
from liftwright.plan.shapes import MAX_VERTICES, peak, square, trapezoid

MODEL = "string gauge"
PAIRS = ("flat", "square", "triangle", "sawtooth", "trapezoid")
HEIGHT_MM = 0.4  # of the lifts; the height that rules take where they state none
MAX_SLOPE = 0.5  # the slope that rules take where they state none
POST_MM = 8.0
APART_MM = 30.0  # the way from row to row, between the posts' middles
STEP_MM = 16.0  # from pair to pair
TALL_MM = 8.0
WALLS = 3


def string_layers(layer_height: float) -> int:
    """Layers of the posts, plate included."""
    return PLATE_LAYERS + max(4, round(TALL_MM / layer_height))


def string_size() -> Point:
    """Length and depth of the figure without its plate's edge, mm."""
    return POST_MM + (len(PAIRS) - 1) * STEP_MM, POST_MM + APART_MM


def string_gauge(terms: GaugeTerms) -> bytes:
    """The whole job, in the middle of the bed; whether it fits is `gauge_limits`' to say."""
    length, depth = string_size()
    middle = terms.middle
    pen = Pen(terms, MODEL, (middle[0] - length / 2, middle[1] - depth / 2))
    for number, shape in enumerate(PAIRS, 1):
        pen.note(f"pair {number}: {shape}")
    lay_plate(pen, *corners(length, depth))
    pen.fan()
    for layer in range(PLATE_LAYERS + 1, string_layers(terms.layer_height) + 1):
        _lay_layer(pen, layer)
    return pen.finish()


def _lay_layer(pen: Pen, layer: int) -> None:
    """Through the pairs from the first to the last, changing rows at each; layers begin in either row by turns."""
    pen.note(f"layer {layer}")
    terms, row = pen.terms, layer % 2
    outer = POST_MM / 2 - terms.width / 2
    insets = [outer - wall * terms.pitch for wall in range(WALLS)]
    pen.retract()
    pen.rise(terms.layer_height * layer)
    for number, shape in enumerate(PAIRS):
        near, far = _post_at(number, row), _post_at(number, 1 - row)
        towards = 1 if row == 0 else -1
        pen.go([(near[0], near[1] + towards * insets[-1])])
        pen.prime()
        _post(pen, near, [towards * inset for inset in reversed(insets)])
        pen.note(f"pair {number + 1}, {shape}")
        pen.retract()
        lift(pen, shape, (far[0], far[1] - towards * outer))
        pen.prime()
        _post(pen, far, [-towards * inset for inset in insets])
        if number + 1 < len(PAIRS):
            pen.retract()
        row = 1 - row


def _post_at(number: int, row: int) -> Point:
    """Middle of a post."""
    return POST_MM / 2 + number * STEP_MM, POST_MM / 2 + row * APART_MM


def _post(pen: Pen, middle: Point, insets: list[float]) -> None:
    """Square walls one after another, each from the middle of the side that faces the other row."""
    x, y = middle
    for a in insets:
        pen.travel([(x, y + a)])
        half = abs(a)
        pen.bead([(x + half, y + a), (x + half, y - a), (x - half, y - a), (x - half, y + a), (x, y + a)])


def lift(pen: Pen, shape: str, to: Point) -> None:
    """Travel straight to a point in one of PAIRS' shapes; the side view is the one that jobs get."""
    x, y, z = *pen.at, pen.z
    length = float(np.hypot(to[0] - x, to[1] - y))
    for s, height in side_view(pen.terms, shape, length, z):
        share = s / length
        pen.climb((x + share * (to[0] - x), y + share * (to[1] - y)), height)


def side_view(terms: GaugeTerms, shape: str, length: float, z: float) -> list[tuple[float, float]]:
    """(s, z) of the vertices after the first, mm."""
    ss, zs, top = np.zeros(MAX_VERTICES), np.zeros(MAX_VERTICES), z + HEIGHT_MM
    printer = terms.printer
    if shape == "flat":
        return [(length, z)]
    if shape == "square":
        end = square(length, z, z, top, 0, ss, zs)
    elif shape == "trapezoid":
        free = min(printer.z_speed_mm_s / TRAVEL_MM_S, printer.z_accel_mm_s2 / printer.travel_accel_mm_s2)
        end = trapezoid(length, z, z, top, free, MAX_SLOPE, 0, ss, zs)
    else:
        end = peak(length, length / (2 if shape == "triangle" else 1), z, z, top, MAX_SLOPE, 0, ss, zs)
    return [(float(s), float(height)) for s, height in zip(ss[1:end], zs[1:end], strict=True)]
