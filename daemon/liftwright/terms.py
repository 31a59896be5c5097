"""The rule and the printer that apply, as the plain numbers that planning, splicing and proof take.

This is where rules and geometry meet: neither of the two rooms knows the other.
"""

import math

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import S_DECIMALS
from liftwright.job.commands import name_hash
from liftwright.job.survey import Survey
from liftwright.plan.lifts import LiftTerms
from liftwright.plan.shapes import SHAPES
from liftwright.proof import Limits
from liftwright.rules.globs import first_fit
from liftwright.rules.schema import Lift, Printer, RectBed
from liftwright.splice import SpliceTerms

FEWEST_PLACES = 3  # decimals of inserted words
MOST_PLACES = 9


def lift_terms(lift: Lift, printer: Printer, shape: str) -> LiftTerms:
    """The rule's numbers, for one shape (the rule's own, or one it falls back to)."""
    unretracted = lift.unretracted or ("lift" if shape == "terrain" else "leave")
    low, high = lift.between_mm or (-math.inf, math.inf)
    first, last = lift.layers or (0, 1 << 60)
    return LiftTerms(
        shape=SHAPES.index(shape),
        height=lift.height_mm,
        min_travel=lift.min_travel_mm,
        lift_unretracted=unretracted == "lift",
        first_layer=lift.first_layer,
        replace_own=lift.own_lifts == "replace",
        own_lift_max=lift.own_lift_max_mm,
        max_slope=lift.max_slope,
        between=(low, high),
        layers=(first, last),
        z_max=printer.z_max_mm,
        z_speed=printer.z_speed_mm_s,
        z_accel=printer.z_accel_mm_s2,
        travel_accel=printer.travel_accel_mm_s2,
    )


def splice_terms(lift: Lift, printer: Printer, shape: str, found: Survey) -> SpliceTerms:
    """Decimals as the job writes them, three at least."""
    places = min(max(FEWEST_PLACES, int(found.state[S_DECIMALS])), MOST_PLACES)
    return SpliceTerms(places, printer.z_speed_mm_s, shape.encode("ascii") if lift.annotate else b"")


def proof_limits(printer: Printer, lift: Lift, g90_sets_extrusion: bool) -> Limits:
    """What the proof may know: the printer's limits and its firmware."""
    bed = printer.bed_mm
    return Limits(
        bed=(*bed.x, *bed.y) if isinstance(bed, RectBed) else bed.radius,
        z_max_mm=printer.z_max_mm,
        z_speed_mm_s=printer.z_speed_mm_s,
        g90_sets_extrusion=g90_sets_extrusion,
        neutral=printer.neutral,
        own_lift_max_mm=lift.own_lift_max_mm,
    )


def neutral_hashes(printer: Printer, unknown: tuple[str, ...]) -> NDArray[np.uint64]:
    """The names of the job's unknown commands that the printer's globs declare harmless, as the reader knows them."""
    names = [name for name in unknown if first_fit(printer.neutral, [name]) is not None]
    return np.array([name_hash(name) for name in names], np.uint64)


def beyond_bed(printer: Printer, found: Survey) -> str | None:
    """Where the job's beads leave the bed or pass z_max, in words; None where they fit."""
    x_lo, x_hi, y_lo, y_hi = found.bounds
    bed = printer.bed_mm
    if isinstance(bed, RectBed):
        fits = bed.x[0] <= x_lo and x_hi <= bed.x[1] and bed.y[0] <= y_lo and y_hi <= bed.y[1]
        size = f"X {bed.x[0]:g} to {bed.x[1]:g}, Y {bed.y[0]:g} to {bed.y[1]:g}"
    else:
        far = max(math.hypot(x, y) for x in (x_lo, x_hi) for y in (y_lo, y_hi))
        near = max(abs(v) for v in found.bounds)
        # The corner of the beads' box may stand off a round bed where no bead does.
        fits = near <= bed.radius and far <= bed.radius * math.sqrt(2)
        size = f"radius {bed.radius:g}"
    if not fits:
        return (
            f"beads lie at X {x_lo:g} to {x_hi:g}, Y {y_lo:g} to {y_hi:g}, outside the bed of {printer.name} ({size}): "
            "made for another printer?"
        )
    if found.z_top > printer.z_max_mm:
        return f"the print is {found.z_top:g} mm tall, above z_max of {printer.name} ({printer.z_max_mm:g} mm)"
    return None
