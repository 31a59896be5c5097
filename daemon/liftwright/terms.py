"""The rule and the printer that apply, as the plain numbers that planning, splicing and proof take.

This is where rules and geometry meet: neither of the two rooms knows the other.
"""

import math

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import S_DECIMALS
from liftwright.job.commands import name_hash
from liftwright.job.survey import Survey
from liftwright.plan.cost import Cost
from liftwright.plan.lifts import FixedShapes, LiftTerms
from liftwright.plan.limits import Limits as MotionLimits
from liftwright.plan.limits import limits_from
from liftwright.plan.shapes import SHAPES, TERRAIN
from liftwright.plan.terrain import Curl, Ground, fits
from liftwright.plan.terrain_lifts import TerrainLifts
from liftwright.proof import Limits
from liftwright.rules.globs import first_fit
from liftwright.rules.printer import JunctionDeviation, SquareCorner
from liftwright.rules.schema import Curl as CurlEntry
from liftwright.rules.schema import Lift, Material, Printer, RectBed
from liftwright.splice import SpliceTerms

FEWEST_PLACES = 3  # decimals of inserted words
MOST_PLACES = 9
ROUNDED_UP_MM = 0.003  # rounding an inserted height up adds less: three decimals of a mm, four of an inch
_WRONG_PRINTER = "make the job for this printer, name the one it was made for, or correct {} of the entry"
# Shortest travel that is lifted where the rule doesn't say, mm: a lift over a short one is steep, so fixed shapes leave
# it alone; over an obstacle a steep lift is still better than a strike.
SHORTEST = {False: 1.5, True: 0.02}


def lift_terms(lift: Lift, printer: Printer, shape: str) -> LiftTerms:
    """The rule's numbers, for one shape (the rule's own, or one it falls back to)."""
    unretracted = lift.unretracted or ("lift" if shape == "terrain" else "leave")
    low, high = lift.between_mm or (-math.inf, math.inf)
    first, last = lift.layers or (0, 1 << 60)
    return LiftTerms(
        shape=SHAPES.index(shape),
        height=lift.height_mm,
        min_travel=lift.min_travel_mm if lift.min_travel_mm is not None else SHORTEST[shape == "terrain"],
        lift_unretracted=unretracted == "lift",
        first_layer=lift.first_layer,
        replace_own=lift.own_lifts == "replace",
        own_lift_max=lift.own_lift_max_mm,
        max_slope=lift.max_slope,
        between=(low, high),
        layers=(first, last),
        z_max=printer.z_max_mm - ROUNDED_UP_MM,
        limits=motion_limits(printer),
    )


def planner(
    lift: Lift, printer: Printer, material: Material | None, shape: str, found: Survey
) -> FixedShapes | TerrainLifts:
    """What plans the lifts of one job; a material that no entry knows gets the commonest curl numbers."""
    terms = lift_terms(lift, printer, shape)
    if terms.shape != TERRAIN:
        return FixedShapes(terms)
    return TerrainLifts(
        terms,
        bare_ground(lift, printer, material, found),
        clearance=lift.clearance_mm,
        max_height=lift.max_height_mm,
        climb_blocked=lift.blocked == "climb",
    )


def bed_bounds(printer: Printer) -> tuple[float, float, float, float]:
    """x_lo, x_hi, y_lo, y_hi of the bed, mm."""
    bed = printer.bed_mm
    return (*bed.x, *bed.y) if isinstance(bed, RectBed) else (-bed.radius, bed.radius, -bed.radius, bed.radius)


def is_ground(printer: Printer) -> bool:
    """Whether the whole bed can be the ground, so that nothing need be known of the job's reach beforehand."""
    return fits(bed_bounds(printer), printer.nozzle_mm)


def bare_ground(lift: Lift, printer: Printer, material: Material | None, found: Survey) -> Ground:
    """The terrain before the first bead; on a bed too large for it, within the reach of the job's beads."""
    curl = material.curl if material else CurlEntry()
    bounds = bed_bounds(printer) if is_ground(printer) else found.bounds
    return Ground(
        bounds,
        nozzle=printer.nozzle_mm,
        flat=printer.nozzle_flat_mm,
        filament=printer.filament_mm,
        curl=Curl(curl.onset, curl.gain, curl.cap_mm, curl.decay),
        caution=lift.caution,
        head=(printer.head.radius_mm, printer.head.clear_mm) if printer.head else None,
    )


def splice_terms(lift: Lift, printer: Printer, shape: str, found: Survey) -> SpliceTerms:
    """Decimals as the job writes them, three at least."""
    places = min(max(FEWEST_PLACES, int(found.state[S_DECIMALS])), MOST_PLACES)
    # M220 speeds our feeds up as well, so the limit must hold at its largest.
    z_speed = printer.z_speed_mm_s / found.speed_factor
    return SpliceTerms(places, z_speed, shape.encode("ascii") if lift.annotate else b"")


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


def motion_limits(printer: Printer) -> MotionLimits:
    """The printer's limits for the time model; what the entry doesn't state, the model fills in and says so."""
    stated = {
        "speed_z": printer.z_speed_mm_s,
        "accel_z": printer.z_accel_mm_s2,
        "travel_accel": printer.travel_accel_mm_s2,
    }
    motion = printer.motion
    if motion is None:
        return limits_from(stated)
    for prefix, axes in (("speed", motion.max_speed_mm_s), ("accel", motion.max_accel_mm_s2)):
        for axis in "xye":
            value = getattr(axes, axis, None)
            if value is not None:
                stated[f"{prefix}_{axis}"] = value
    if motion.print_accel_mm_s2 is not None:
        stated["accel"] = motion.print_accel_mm_s2
    if motion.retract_accel_mm_s2 is not None:
        stated["retract_accel"] = motion.retract_accel_mm_s2
    corner = motion.cornering
    if isinstance(corner, SquareCorner):
        stated["square_corner"] = corner.speed_mm_s
        if corner.minimum_cruise_ratio is not None:
            stated["minimum_cruise"] = corner.minimum_cruise_ratio
        if corner.extruder_corner_mm_s is not None:
            stated["extruder_corner"] = corner.extruder_corner_mm_s
    elif isinstance(corner, JunctionDeviation):
        stated["deviation"] = corner.deviation_mm
    elif corner is not None:
        stated |= {f"jerk_{axis}": getattr(corner.mm_s, axis) for axis in "xyze"}
    return limits_from(stated, corner.by if corner else None)


def over_budget(lift: Lift, cost: Cost) -> str | None:
    """Which budget of the rule the cost exceeds, in words; None where it keeps them all."""
    if lift.max_added_s is not None and cost.added_s > lift.max_added_s:
        return f"adds {_beyond(cost.added_s, lift.max_added_s, 1)} s, max_added_s is {lift.max_added_s:.12g}"
    if lift.max_added_percent is not None and cost.added_percent > lift.max_added_percent:
        added = _beyond(cost.added_percent, lift.max_added_percent, 2)
        return f"adds {added} %, max_added_percent is {lift.max_added_percent:.12g}"
    if lift.max_z_reversals is not None and cost.added_z_reversals > lift.max_z_reversals:
        return f"adds {cost.added_z_reversals} turns of Z, max_z_reversals is {lift.max_z_reversals}"
    return None


def _beyond(value: float, limit: float, places: int) -> str:
    """A value above a limit in so many decimals, or as many more as show that it is above."""
    return next((text for k in range(places, 12) if float(text := f"{value:.{k}f}") > limit), repr(value))


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
        fits = found.reach <= bed.radius
        size = f"radius {bed.radius:g}"
    if not fits:
        return (
            f"beads lie at X {x_lo:g} to {x_hi:g}, Y {y_lo:g} to {y_hi:g}, outside the bed of {printer.name} ({size}): "
            + _WRONG_PRINTER.format("bed_mm")
        )
    if found.z_top > printer.z_max_mm:
        tall = f"the print is {found.z_top:g} mm tall, above z_max of {printer.name} ({printer.z_max_mm:g} mm)"
        return f"{tall}: {_WRONG_PRINTER.format('z_max_mm')}"
    return None
