"""Writes one print job as text: beads whose volume fits their width, travels, retractions, layers.

It is a toy on purpose: enough to make jobs with real overhangs for the demo and the tests. Nothing here
knows your machine. Don't print what it writes without reading it and your machine's manual first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

Point = tuple[float, float]
CAUTION = (
    "CAUTION: an example for trying out a program, not a job for a machine. Its temperatures, speeds and paths",
    "fit no particular printer. Hot and moving parts hurt: your machine's manual and trained people decide.",
)


@dataclass(frozen=True)
class Style:
    """How a job is written: facts for the comments, units in mm and mm/s, temperatures in °C."""

    material: str
    printer: str
    model: str
    layer: float = 0.2
    width: float = 0.45
    first: float = 0.2
    relative_e: bool = False
    firmware_retraction: bool = False
    retraction: float = 0.8
    own_lift: float = 0.0  # straight up and down around every retracted travel
    wipe: float = 0.0  # length of bead run over again, backwards, while retracting
    speed: float = 40.0
    travel_speed: float = 150.0
    hot: int = 215
    bed: int = 60
    keys: tuple[str, str, str] = ("material", "printer", "model")


class JobWriter:
    """`layer`, then `bead` along points; the travel there, with its retraction, is written by itself."""

    def __init__(self, style: Style) -> None:
        self.style = style
        self.lines: list[str] = []
        self.at: Point = (0.0, 0.0)
        self.z = 0.0
        self.height = style.first
        self.e = 0.0
        self.feed = 0.0
        self.trail: list[Point] = []
        self._start()

    def layer(self, number: int, *, fan: int | None = None) -> None:
        """Begin layer `number` (from 0); the nozzle steps up on its next travel."""
        style = self.style
        self.height = style.first if number == 0 else style.layer
        self.z = style.first + number * style.layer
        self.lines.append(f"; layer {number + 1}, height {self.z:.2f}")
        if fan is not None:
            self.lines.append(f"M106 S{fan}" if fan else "M107")
        if not style.relative_e:
            self._e_zero()

    def bead(self, points: Sequence[Point], *, speed: float | None = None) -> None:
        """Travel to the first point and extrude along the rest."""
        self._travel(points[0])
        style = self.style
        section = self.height * (style.width - self.height * (1 - math.pi / 4))
        for x, y in points[1:]:
            length = math.hypot(x - self.at[0], y - self.at[1])
            if length < 0.005:
                continue
            pushed = section * length / (math.pi * 1.75**2 / 4)
            self._line(f"G1 X{x:.3f} Y{y:.3f} {self._e(pushed)}", speed or style.speed)
            self.at = (round(x, 3), round(y, 3))
        self.trail = list(points)

    def loop(self, points: Sequence[Point]) -> None:
        """A closed bead that ends a hair before its start, as closed walls are usually printed."""
        (x0, y0), (x1, y1) = points[-1], points[0]
        share = max(0.0, 1 - 0.05 / max(0.06, math.hypot(x1 - x0, y1 - y0)))
        self.bead([*points, (x0 + share * (x1 - x0), y0 + share * (y1 - y0))])

    def bytes(self) -> bytes:
        """The finished job."""
        end = [self._retract(), "M107", f"G0 Z{self.z + 5:.3f} F600", "M104 S0", "M140 S0", "M84"]
        return ("\n".join([*self.lines, *end, "; end"]) + "\n").encode()

    def _start(self) -> None:
        style = self.style
        material, printer, model = style.keys
        self.lines += [f"; {line}" for line in CAUTION]
        self.lines += [f"; {material}: {style.material}", f"; {printer}: {style.printer}", f"; {model}: {style.model}",
                       f"; layer height: {style.layer}", "; nozzle diameter: 0.4",
                       "G21", "G90", "M83" if style.relative_e else "M82", f"M140 S{style.bed}", f"M104 S{style.hot}",
                       "G28", f"M190 S{style.bed}", f"M109 S{style.hot}", "G92 E0", "M107"]

    def _travel(self, to: Point) -> None:
        style = self.style
        length = math.hypot(to[0] - self.at[0], to[1] - self.at[1])
        first = not self.trail
        step = "" if self.lines[-1].startswith("G0") else f" Z{self.z:.3f}"
        if length < 0.01 and not first:
            self._line(f"G1{step}", 10.0)
            return
        if length < 1.5 and not first:
            self._line(f"G0 X{to[0]:.3f} Y{to[1]:.3f}{step}", style.travel_speed)
        else:
            if not first:
                self._pull()
            lift = 2.0 if first else style.own_lift
            if lift:
                self._line(f"G1 Z{self.z + lift:.3f}", 10.0)
                self._line(f"G0 X{to[0]:.3f} Y{to[1]:.3f}", style.travel_speed)
                self._line(f"G1 Z{self.z:.3f}", 10.0)
            else:
                self._line(f"G0 X{to[0]:.3f} Y{to[1]:.3f} Z{self.z:.3f}", style.travel_speed)
            if not first:
                self._push()
        self.at = (round(to[0], 3), round(to[1], 3))

    def _pull(self) -> None:
        style = self.style
        left = style.retraction
        if style.wipe and len(self.trail) > 1:
            self.trail.reverse()
            left -= self._wipe(0.7 * style.retraction)
        if style.firmware_retraction:
            self.lines.append("G10")
        else:
            self._line(f"G1 {self._e(-left)}", 35.0)

    def _wipe(self, amount: float) -> float:
        """Run back along the last bead while pulling `amount`; returns what was pulled."""
        room, pulled = self.style.wipe, 0.0
        for x, y in self.trail:
            length = math.hypot(x - self.at[0], y - self.at[1])
            if length < 0.05 or room <= 0:
                continue
            share = min(1.0, room / length)
            x, y = self.at[0] + share * (x - self.at[0]), self.at[1] + share * (y - self.at[1])
            part = amount * share * length / self.style.wipe
            self._line(f"G1 X{x:.3f} Y{y:.3f} {self._e(-part)}", 60.0)
            self.at = (round(x, 3), round(y, 3))
            room -= share * length
            pulled += part
        return pulled

    def _push(self) -> None:
        if self.style.firmware_retraction:
            self.lines.append("G11")
        else:
            self._line(f"G1 {self._e(self.style.retraction)}", 35.0)

    def _retract(self) -> str:
        return "G10" if self.style.firmware_retraction else f"G1 {self._e(-self.style.retraction)} F2100"

    def _e(self, pushed: float) -> str:
        if self.style.relative_e:
            return f"E{pushed:.5f}"
        self.e += pushed
        return f"E{self.e:.5f}"

    def _e_zero(self) -> None:
        self.lines.append("G92 E0")
        self.e = 0.0

    def _line(self, words: str, speed: float) -> None:
        if speed != self.feed:
            words += f" F{speed * 60:.0f}"
            self.feed = speed
        self.lines.append(words)
