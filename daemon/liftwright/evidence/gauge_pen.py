"""Beads and travels as the lines of a gauge: points in mm go in, G-code text comes out. Knows no figure and no rule.

1. Temperatures, fan, retraction and print speed are the operator's; nothing here has a default for them.
2. Z moves stand alone or keep the printer's Z speed; extrusion is relative (M83), positions are absolute (G90).
3. The volume of a bead is its section times its length. The section is a rectangle between two half circles of the
   layer's height: A = (w - h) h + π h² / 4. Elementary geometry; the same section that the terrain takes.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from liftwright.rules.schema import Printer, RectBed

Point = tuple[float, float]

WIDTH_PER_NOZZLE = 1.125  # usual bead width; common practice, no source
TRAVEL_MM_S = 60.0  # slow enough to be watched
Z_MM_S = 10.0  # or the printer's own, if that is less
RETRACT_MM_S = 25.0  # common practice, no source
LONG_MM = 1.5  # travels from this length on are retracted
SAFE_ABOVE_MM = 3.0  # taller than a rule takes for a lift of its own, so that no rule replaces it
PARK_ABOVE_MM = 20.0

CAUTION = (
    "CAUTION: this job heats and moves a machine along paths that touch printed plastic on purpose.",
    "Parts burn and crush: keep hands out. It can start a fire: never leave it unattended, keep a hand near the stop.",
    "It holds no start or end procedure of your machine. Read it first; the machine's manual, local codes and",
    "qualified people have the last word. Temperatures, fan, retraction and speed are those you gave.",
)


@dataclass(frozen=True, slots=True)
class GaugeTerms:
    """What the operator said, and the printer's entry. mm, mm/s, °C, percent."""

    printer: Printer
    material: str
    nozzle_temp: int
    bed_temp: int
    fan_percent: int
    layer_height: float
    retraction_mm: float
    speed_mm_s: float

    @property
    def width(self) -> float:
        """Width of every bead, mm."""
        return round(WIDTH_PER_NOZZLE * self.printer.nozzle_mm, 3)

    @property
    def pitch(self) -> float:
        """Distance of beads side by side, mm: their round edges run into each other and fill the gap between."""
        return self.width - self.layer_height * (1 - math.pi / 4)

    @property
    def section(self) -> float:
        """Area of a bead's section, mm²."""
        h = self.layer_height
        return (self.width - h) * h + math.pi * h * h / 4

    @property
    def middle(self) -> Point:
        """Middle of the bed."""
        bed = self.printer.bed_mm
        if isinstance(bed, RectBed):
            return (bed.x[0] + bed.x[1]) / 2, (bed.y[0] + bed.y[1]) / 2
        return 0.0, 0.0


class Pen:
    """Draws around `origin`, which is added to every point. `at` is where the nozzle is, in the figure's own mm."""

    def __init__(self, terms: GaugeTerms, model: str, origin: Point) -> None:
        self.terms, self.origin = terms, origin
        self.at: Point = (0.0, 0.0)
        self.z = 0.0
        self.lines: list[str] = []
        self._per_mm = terms.section / (math.pi * terms.printer.filament_mm**2 / 4)
        self._z_feed = 60 * min(Z_MM_S, terms.printer.z_speed_mm_s)
        self._begin(model)

    def note(self, text: str) -> None:
        """A comment line."""
        self.lines.append(f"; {text}")

    def mark(self, text: str) -> None:
        """A comment that the machine's display shows too, where it has one."""
        self.note(text)
        self.lines.append(f"M117 {text}")

    def bead(self, points: Sequence[Point], speed: float | None = None) -> None:
        """Extrude from where the nozzle is along the points."""
        feed = f" F{60 * (speed or self.terms.speed_mm_s):.0f}"
        for point in points:
            length = math.dist(self.at, point)
            self.lines.append(f"G1 {self._xy(point)} E{self._per_mm * length:.5f}{feed}")
            self.at, feed = point, ""

    def travel(self, points: Sequence[Point], z: float | None = None, speed: float = TRAVEL_MM_S) -> None:
        """Go along the points without extruding, up or down to `z` over the first of them."""
        way = [self.at, *points]
        is_long = sum(math.dist(a, b) for a, b in zip(way, points, strict=False)) >= LONG_MM
        if is_long:
            self.retract()
        if z is not None and z != self.z:
            self.rise(z)
        self.go(points, speed)
        if is_long:
            self.prime()

    def go(self, points: Sequence[Point], speed: float = TRAVEL_MM_S) -> None:
        """Level moves alone."""
        feed = f" F{60 * speed:.0f}"
        for point in points:
            if point == self.at:
                continue
            self.lines.append(f"G0 {self._xy(point)}{feed}")
            self.at, feed = point, ""

    def climb(self, point: Point, z: float, speed: float = TRAVEL_MM_S) -> None:
        """A sloped move, slowed down until Z keeps its speed."""
        length, rise = math.dist(self.at, point), abs(z - self.z)
        if length == 0.0:
            self.rise(z)
            return
        most = self.terms.printer.z_speed_mm_s * math.hypot(length, rise) / rise if rise else speed
        self.lines.append(f"G0 {self._xy(point)} Z{z:.3f} F{math.floor(60 * min(speed, most))}")
        self.at, self.z = point, z

    def rise(self, z: float) -> None:
        """Straight up or down."""
        self.lines.append(f"G0 Z{z:.3f} F{self._z_feed:.0f}")
        self.z = z

    def retract(self) -> None:
        self.lines.append(f"G1 E{-self.terms.retraction_mm:.3f} F{60 * RETRACT_MM_S:.0f}")

    def prime(self) -> None:
        self.lines.append(f"G1 E{self.terms.retraction_mm:.3f} F{60 * RETRACT_MM_S:.0f}")

    def fan(self) -> None:
        """The fan as the operator said, from here on."""
        self.lines.append(f"M106 S{round(2.55 * self.terms.fan_percent)}" if self.terms.fan_percent else "M107")

    def finish(self) -> bytes:
        """Up, everything off; the whole job."""
        self.retract()
        self.rise(min(self.z + PARK_ABOVE_MM, self.terms.printer.z_max_mm))
        self.lines += ["M107", "M104 S0", "M140 S0", "M84", "; end"]
        return ("\n".join(self.lines) + "\n").encode()

    def _begin(self, model: str) -> None:
        terms = self.terms
        for line in CAUTION:
            self.note(line)
        for key, value in (
            *(("material", terms.material), ("printer", terms.printer.name), ("model", model)),
            *(("layer height", f"{terms.layer_height:g}"), ("nozzle diameter", f"{terms.printer.nozzle_mm:g}")),
        ):
            self.note(f"{key}: {value}")
        self.lines += [
            *("G21", "G90", "M83", "M107", f"M140 S{terms.bed_temp}", f"M104 S{terms.nozzle_temp}", "G28"),
            *(f"M190 S{terms.bed_temp}", f"M109 S{terms.nozzle_temp}", "G92 E0"),
        ]

    def _xy(self, point: Point) -> str:
        return f"X{self.origin[0] + point[0]:.3f} Y{self.origin[1] + point[1]:.3f}"
