"""Whether a gauge can be printed: what the operator said and the printer's entry against the figure's measures.

Refuses (UsageError, one sentence) what is missing, what can't be meant, and a figure that leaves the bed or its height.
"""

from collections.abc import Mapping
from math import hypot

from liftwright.errors import UsageError
from liftwright.evidence.gauge import LOOP_MM, PLATE_EDGE_MM, curl_figure
from liftwright.evidence.gauge_pen import SAFE_ABOVE_MM, GaugeTerms
from liftwright.evidence.gauge_strings import string_layers, string_size
from liftwright.rules.schema import RectBed

# What a number may be at all; none of them says what your machine and your material stand.
RANGES = {
    "nozzle-temp": (100, 500, "°C"),
    "bed-temp": (0, 200, "°C"),
    "fan": (0, 100, "percent"),
    "layer-height": (0.05, 2.0, "mm"),
    "retraction": (0.0, 20.0, "mm"),
    "speed": (1.0, 300.0, "mm/s"),
}
TALLEST_PER_NOZZLE = 0.75  # of a layer; common practice, no source


def check_numbers(given: Mapping[str, float | None]) -> None:
    """UsageError unless every one of RANGES is given and within its range; names all that are missing at once."""
    missing = [f"--{name}" for name in RANGES if given[name] is None]
    if missing:
        raise UsageError(
            f"found no {', '.join(missing)}; wanted what you print this material with on this machine: "
            "nothing here is guessed for you"
        )
    for name, (low, high, unit) in RANGES.items():
        value = given[name]
        if value is None or not low <= value <= high:
            raise UsageError(f"--{name}: found {value:g}; wanted {low:g} to {high:g} {unit}")


def check_figure(terms: GaugeTerms, kind: str) -> None:
    """UsageError for layers too tall for the nozzle, and for a figure that doesn't fit the printer."""
    printer, h = terms.printer, terms.layer_height
    tallest = TALLEST_PER_NOZZLE * printer.nozzle_mm
    if h > tallest + 1e-9:
        raise UsageError(
            f"--layer-height: found {h:g}; wanted at most {tallest:g}, three quarters of the nozzle of {printer.name}"
        )
    if kind == "curl":
        figure = curl_figure(terms)
        size, layers = (figure.length, figure.depth), figure.layers
    else:
        size, layers = string_size(), string_layers(h)
    edge = 2 * (PLATE_EDGE_MM + LOOP_MM) + terms.width
    length, depth, tall = size[0] + edge, size[1] + edge, layers * h + SAFE_ABOVE_MM
    bed = printer.bed_mm
    if isinstance(bed, RectBed):
        fits = length <= bed.x[1] - bed.x[0] and depth <= bed.y[1] - bed.y[0]
    else:
        fits = hypot(length, depth) / 2 <= bed.radius
    if not fits:
        raise UsageError(f"the gauge is {length:.0f} x {depth:.0f} mm; the bed of {printer.name} doesn't hold that")
    if tall > printer.z_max_mm:
        raise UsageError(f"the gauge needs {tall:.1f} mm of height; {printer.name} has {printer.z_max_mm:g}")
