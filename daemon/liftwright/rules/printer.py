"""What one kind of printer can do: the limits that always hold, whatever a rule asks for.

Nothing here is guessed for the operator: bed, height, Z limits and travel acceleration have no default. What belongs to
the motion model alone is optional, and None means "not stated".
"""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Discriminator, Field, Tag, model_validator

from liftwright.rules.fields import Entry, Globs, Name, Positive, fault, rising
from liftwright.rules.globs import fits

_END = Annotated[float, Field(ge=-5000, le=5000)]
Side = Annotated[tuple[_END, _END], AfterValidator(rising)]

# Commands that move the machine, wait, or change how the lines after them are read. Naming one of them neutral would
# let a lift pass over it. Common practice of filament printer firmwares, no source for the list as a whole.
NEVER_NEUTRAL = (
    *("G0", "G1", "G2", "G3", "G4", "G5", "G10", "G11", "G17", "G18", "G19", "G20", "G21", "G27", "G28", "G29", "G30"),
    *("G38", "G53", "G54", "G60", "G61", "G68", "G69", "G90", "G91", "G92", "G93", "G94"),
    *("M0", "M1", "M2", "M18", "M24", "M25", "M30", "M82", "M83", "M84", "M98", "M101", "M103", "M112", "M125", "M206"),
    *("M226", "M428", "M600", "M601", "M602", "M701", "M702", "PAUSE", "RESUME", "CANCEL_PRINT"),
    *(f"T{tool}" for tool in range(16)),
)


class RectBed(Entry):
    """A rectangular bed in the coordinates of the job; the origin may lie anywhere."""

    x: Side = Field(description="lowest and highest X that the nozzle may reach", json_schema_extra={"unit": "mm"})
    y: Side = Field(description="lowest and highest Y that the nozzle may reach", json_schema_extra={"unit": "mm"})


class RoundBed(Entry):
    """A round bed with its centre at X0 Y0, as deltas have it."""

    radius: float = Field(
        gt=0, le=5000, description="reach around the centre, which lies at X0 Y0", json_schema_extra={"unit": "mm"}
    )


def _bed_kind(value: object) -> str:
    is_round = "radius" in value if isinstance(value, dict) else isinstance(value, RoundBed)
    return "<round>" if is_round else "<rect>"


class Head(Entry):
    """What hangs beside the nozzle and would touch tall neighbours before the nozzle does."""

    radius_mm: float = Field(gt=0, le=500, description="farthest part of the head from the nozzle's centre")
    clear_mm: float = Field(gt=0, le=500, description="height of the head's lowest other part above the nozzle's tip")


class SquareCorner(Entry):
    """Corners are taken at a speed that is stated for a right angle."""

    by: Literal["square_corner"] = Field(description="the firmware's way to limit speed in corners")
    speed_mm_s: float = Field(gt=0, le=1000, description="speed through a 90° corner")
    minimum_cruise_ratio: float | None = Field(
        default=None, ge=0, lt=1, description="share of each move that is kept at even speed; not stated: 0"
    )
    extruder_corner_mm_s: float | None = Field(
        default=None, gt=0, le=1000, description="jump of speed allowed to the filament in corners; not stated: 1"
    )


class JunctionDeviation(Entry):
    """Corners are rounded in thought by a stated distance from the corner point."""

    by: Literal["junction_deviation"] = Field(description="the firmware's way to limit speed in corners")
    deviation_mm: float = Field(gt=0, le=10, description="how far from the corner the rounded path may pass")


class AxisJerk(Entry):
    """The greatest jump of speed that each axis may take without accelerating."""

    x: Positive = Field(description="jump of speed allowed to X", json_schema_extra={"unit": "mm/s"})
    y: Positive = Field(description="jump of speed allowed to Y", json_schema_extra={"unit": "mm/s"})
    z: Positive = Field(description="jump of speed allowed to Z", json_schema_extra={"unit": "mm/s"})
    e: Positive = Field(description="jump of speed allowed to the filament", json_schema_extra={"unit": "mm/s"})


class JerkCorner(Entry):
    """Corners are limited by a jump of speed for each axis."""

    by: Literal["axis_jerk"] = Field(description="the firmware's way to limit speed in corners")
    mm_s: AxisJerk = Field(description="the jumps of speed, axis by axis")


class AxisSpeeds(Entry):
    """Top speeds of the axes; Z has its own key, `z_speed_mm_s` of the printer."""

    x: Positive | None = Field(default=None, description="top speed of X", json_schema_extra={"unit": "mm/s"})
    y: Positive | None = Field(default=None, description="top speed of Y", json_schema_extra={"unit": "mm/s"})
    e: Positive | None = Field(
        default=None, description="top speed of the filament", json_schema_extra={"unit": "mm/s"}
    )


class AxisAccels(Entry):
    """Top accelerations of the axes; Z has its own key, `z_accel_mm_s2` of the printer."""

    x: Positive | None = Field(default=None, description="acceleration limit of X", json_schema_extra={"unit": "mm/s²"})
    y: Positive | None = Field(default=None, description="acceleration limit of Y", json_schema_extra={"unit": "mm/s²"})
    e: Positive | None = Field(
        default=None, description="acceleration limit of the filament", json_schema_extra={"unit": "mm/s²"}
    )


class Motion(Entry):
    """How the firmware plans its moves, for the time estimates; what is missing counts as not stated."""

    max_speed_mm_s: AxisSpeeds | None = Field(default=None, description="top speeds of X, Y and filament")
    max_accel_mm_s2: AxisAccels | None = Field(default=None, description="acceleration limits of X, Y and filament")
    print_accel_mm_s2: Positive | None = Field(default=None, description="acceleration while extruding")
    retract_accel_mm_s2: Positive | None = Field(default=None, description="acceleration of filament moving alone")
    cornering: Annotated[SquareCorner | JunctionDeviation | JerkCorner, Field(discriminator="by")] | None = Field(
        default=None, description="how the firmware limits speed in corners: exactly one of three ways"
    )


class Printer(Entry):
    """One kind of printer. Its limits hold for every rewritten travel and are proved of every job."""

    name: Name = Field(description="our name for it; compared without case")
    also: Globs = Field(default=(), description="other names under which jobs may know it (a glob or a list of globs)")
    bed_mm: Annotated[
        Annotated[RectBed, Tag("<rect>")] | Annotated[RoundBed, Tag("<round>")], Discriminator(_bed_kind)
    ] = Field(description="the printable area: {x: [lo, hi], y: [lo, hi]} or {radius: r}")
    z_max_mm: float = Field(gt=0, le=10_000, description="highest Z that the nozzle may reach")
    z_speed_mm_s: float = Field(gt=0, le=1000, description="Z speed that no rewritten move exceeds")
    z_accel_mm_s2: float = Field(gt=0, le=100_000, description="Z acceleration that gentle slopes keep to")
    travel_accel_mm_s2: float = Field(gt=0, le=100_000, description="acceleration of travels in XY")
    nozzle_mm: float = Field(default=0.4, ge=0.05, le=5, description="diameter of the nozzle's hole")
    nozzle_flat_mm: float = Field(
        default=1.0, ge=0.1, le=20, description="diameter of the flat around the hole: what strikes; measure it"
    )
    filament_mm: float = Field(default=1.75, ge=0.5, le=10, description="diameter of the filament")
    neutral: Globs = Field(
        default=(),
        description="this machine's own commands that neither move it nor change its modes (globs): "
        "travels may be lifted across them",
    )
    g90_sets_extrusion: bool | None = Field(
        default=None,
        description="does this firmware's G90/G91 switch the extruder too? not stated: decided from the job",
    )
    head: Head | None = Field(default=None, description="the head around the nozzle, for tall neighbours")
    motion: Motion | None = Field(default=None, description="how the firmware plans its moves, for time estimates")

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.nozzle_flat_mm < self.nozzle_mm:
            found = f"{self.nozzle_flat_mm:g}, below nozzle_mm {self.nozzle_mm:g}"
            raise fault("nozzle_flat_mm", found, "the flat's measured diameter, which is never smaller than the hole's")
        for glob in self.neutral:
            caught = [command for command in NEVER_NEUTRAL if fits(glob, command)]
            if caught:
                found = f'"{glob}", which takes in {", ".join(caught[:4])}'
                raise fault("neutral", found, "globs of commands that neither move the machine nor change its modes")
        return self
