"""The slow, plain twin of the motion planner: rows of a reader in, seconds of each row out.

Written from the published formulas, one thing at a time and for the eye: every standstill-to-standstill stretch is a
list of `Leg`s; speeds at the nodes between them are lowered again and again until every limit holds; then each leg is
timed by its three phases. Angles come from atan2, distances from the vectors; nothing is carried from leg to leg.
"""

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from liftwright.plan.limits import AXIS_JERK, JUNCTION_DEVIATION, SQUARE_CORNER, Limits

MOVING = {"BEAD", "WIPE", "TRAVEL", "RETRACT", "PRIME"}
STOPPING = {"DWELL", "WALL", "TOOL", "FW_RETRACT", "FW_PRIME"}


@dataclass
class Leg:
    """One straight move: from where to where, filament pushed, the row it belongs to and the limits that hold."""

    row: int
    step: tuple[float, float, float]
    de: float
    feed: float
    limits: Limits
    length: float = field(init=False)
    unit: tuple[float, float, float] = field(init=False)
    ratio: float = field(init=False)
    speed: float = field(init=False)
    accel: float = field(init=False)

    def __post_init__(self) -> None:
        self.length = math.hypot(*self.step)
        self.unit = tuple(part / self.length for part in self.step)  # type: ignore[assignment]
        self.ratio = self.de * self.limits.e_factor / self.length
        get = self.limits.get
        speeds = [(self.feed or 25.0) * self.limits.feed_factor, get("speed")]
        accels = [get("accel") if self.de else get("travel_accel")]
        for part, axis in zip(self.unit, "xyz", strict=True):
            if part:
                speeds.append(get(f"speed_{axis}") / abs(part))
                accels.append(get(f"accel_{axis}") / abs(part))
        if self.de and (self.limits.model != SQUARE_CORNER or self.de < 0 or self.step[:2] == (0.0, 0.0)):
            speeds.append(get("speed_e") / abs(self.ratio))
            accels.append(get("accel_e") / abs(self.ratio))
        self.speed, self.accel = min(speeds), min(accels)

    @property
    def smooth_accel(self) -> float:
        """The acceleration of the plan that leaves the minimum cruise ratio to cruising."""
        highest = self.limits.get("accel") if self.de else self.limits.get("travel_accel")
        return min(self.accel, highest * (1.0 - self.limits.values.get("minimum_cruise", 0.0)))


Corner = Callable[[Leg, Leg], float]


def row_seconds(
    rows: Sequence[Any], limits: Sequence[Limits], start: tuple[float, float, float], corner: Corner | None = None
) -> list[float]:
    """Seconds of each row; rows as the readers of these tests give them, limits those that hold at each row.

    corner: another rule for the highest v² between two legs, to see what a difference of that rule comes to.
    """
    seconds = [0.0] * len(rows)
    stretch: list[Leg] = []
    at = start

    def stand_still() -> None:
        for leg, time in zip(stretch, stretch_seconds(stretch, corner or model_corner), strict=True):
            seconds[leg.row] += time
        stretch.clear()

    for i, (row, limit) in enumerate(zip(rows, limits, strict=True)):
        end = (float(row.x), float(row.y), float(row.z))
        if row.kind in STOPPING:
            stand_still()
            seconds[i] = halt_seconds(row, limit)
            at = end
        elif row.kind in MOVING:
            points = chord_points(at, end, row.arc, limit)
            for point in points:
                step = tuple(b - a for a, b in zip(at, point, strict=True))
                de = float(row.de) / len(points)
                if math.hypot(*step) >= 1e-9:
                    stretch.append(Leg(i, step, de, float(row.feed), limit))  # type: ignore[arg-type]
                    at = point
                elif de:
                    stand_still()
                    seconds[i] += extruder_seconds(de, float(row.feed), limit)
    stand_still()
    return seconds


def chord_points(
    start: tuple[float, float, float], end: tuple[float, float, float], arc: Any, limits: Limits
) -> list[tuple[float, float, float]]:
    """The points a move goes through: its end, and before it the chords of an arc."""
    if arc is None:
        return [end]
    cx, cy = float(arc.cx), float(arc.cy)
    spoke = (start[0] - cx, start[1] - cy)
    radius = math.hypot(*spoke)
    length = math.hypot(radius * arc.sweep, end[2] - start[2])
    chord = 1.0 if limits.model == SQUARE_CORNER else min(max(math.tau * radius / 72.0, 0.1), 1.0)
    count = min(max(math.floor(length / chord), 1), 2048)
    points = []
    for k in range(1, count):
        turn = arc.sweep * k / count
        x = cx + spoke[0] * math.cos(turn) - spoke[1] * math.sin(turn)
        y = cy + spoke[0] * math.sin(turn) + spoke[1] * math.cos(turn)
        points.append((x, y, start[2] + (end[2] - start[2]) * k / count))
    return [*points, end]


def halt_seconds(row: Any, limits: Limits) -> float:
    if row.kind == "DWELL":
        return float(row.value)
    if row.kind in ("FW_RETRACT", "FW_PRIME"):
        speed = limits.get("fw_retract_speed" if row.kind == "FW_RETRACT" else "fw_prime_speed")
        return rest_to_rest(limits.get("fw_retract"), speed, extruder_accel(limits))
    return 0.0


def extruder_seconds(de: float, feed: float, limits: Limits) -> float:
    speed = min((feed or 25.0) * limits.feed_factor, limits.get("speed_e"))
    return rest_to_rest(abs(de) * limits.e_factor, speed, extruder_accel(limits))


def extruder_accel(limits: Limits) -> float:
    return (
        limits.get("accel_e")
        if limits.model == SQUARE_CORNER
        else min(limits.get("accel_e"), limits.get("retract_accel"))
    )


def rest_to_rest(length: float, speed: float, accel: float) -> float:
    """Up to speed and down again, or as high as the length allows."""
    if length == 0:
        return 0.0
    ramp = speed**2 / (2 * accel)
    if 2 * ramp <= length:
        return 2 * speed / accel + (length - 2 * ramp) / speed
    return 2 * math.sqrt(length / accel)


def stretch_seconds(legs: list[Leg], corner: Corner) -> list[float]:
    """Seconds of each leg of a stretch that begins and ends at rest."""
    if not legs:
        return []
    corners = corner_v2(legs, corner)
    v2 = lowered(corners, [2 * leg.accel * leg.length for leg in legs])
    peaks = peak_v2(legs, v2, corner) if any(leg.smooth_accel < leg.accel for leg in legs) else [math.inf] * len(legs)
    return [phases(leg, v2[i], v2[i + 1], peaks[i]) for i, leg in enumerate(legs)]


def corner_v2(legs: list[Leg], corner: Corner) -> list[float]:
    """Highest v² at each node from the corner alone and the speeds of both legs; 0 at both ends."""
    nodes = [0.0]
    for before, after in itertools.pairwise(legs):
        nodes.append(min(before.speed**2, after.speed**2, corner(before, after)))
    return [*nodes, 0.0]


def model_corner(before: Leg, after: Leg) -> float:
    """v² that the model allows between two legs; θ is the angle between the legs, 180° is straight on."""
    limits = after.limits
    turn = angle_between(before.unit, after.unit)
    ratio_step = abs(after.ratio - before.ratio)
    if limits.model == AXIS_JERK:
        steps = [abs(b - a) for a, b in zip(before.unit, after.unit, strict=True)] + [ratio_step]
        jerks = [limits.get(f"jerk_{axis}") for axis in "xyze"]
        return min(((jerk / step) ** 2 for jerk, step in zip(jerks, steps, strict=True) if step), default=math.inf)
    sharpness = math.inf if turn == 0 else math.cos(turn / 2) / (2 * math.sin(turn / 4) ** 2)
    if limits.model == JUNCTION_DEVIATION:
        if math.cos(turn) < -0.999999:
            return 0.0
        if math.cos(turn) > 0.999999:
            return math.inf
        change = [abs(b - a) / (2 * math.sin(turn / 2)) for a, b in zip(before.unit, after.unit, strict=True)]
        accels = [limits.get(f"accel_{axis}") / part for axis, part in zip("xyz", change, strict=True) if part]
        return min([after.accel, *accels]) * limits.get("deviation") * sharpness
    allowed = [math.inf]
    for leg in (before, after):
        deviation = leg.limits.get("square_corner") ** 2 * (math.sqrt(2) - 1) / leg.limits.get("accel")
        if turn > 0:
            allowed.append(leg.accel * deviation * sharpness)
            allowed.append(0.5 * leg.length * leg.accel / math.tan(turn / 2))  # tan(θ/2) = 1/tan(turn/2)
    if ratio_step:
        allowed.append((limits.get("extruder_corner") / ratio_step) ** 2)
    return max(min(allowed), 0.0)


def angle_between(a: Sequence[float], b: Sequence[float]) -> float:
    """0 straight on, π for a reversal."""
    cross = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
    return math.atan2(math.hypot(*cross), sum(p * q for p, q in zip(a, b, strict=True)))


def lowered(nodes: list[float], gains: list[float]) -> list[float]:
    """The greatest v² under the nodes' own that every leg can gain or lose: lowered until nothing changes."""
    v2 = list(nodes)
    changed = True
    while changed:
        changed = False
        for k in [*range(len(gains)), *reversed(range(len(gains)))]:
            for this, other in ((k, k + 1), (k + 1, k)):
                if v2[this] > v2[other] + gains[k]:
                    v2[this] = v2[other] + gains[k]
                    changed = True
    return v2


def peak_v2(legs: list[Leg], v2: list[float], corner: Corner) -> list[float]:
    """Highest v² of each leg where a share of the way must be cruised.

    In the plan with lowered accelerations each leg climbs, brakes, or peaks (could do both). A peak bounds itself, the
    legs before it that only climb to it, and those after it that only brake from it. Between a leg that only climbs
    and one that only brakes, the climbing one counts as the peak.
    """
    gains = [2 * leg.smooth_accel * leg.length for leg in legs]
    smooth = lowered(reachable(legs, corner), gains)
    climbs = [smooth[i] + gains[i] <= smooth[i + 1] for i in range(len(legs))]
    brakes = [smooth[i + 1] + gains[i] <= smooth[i] for i in range(len(legs))]
    peaks = [0.0] * len(legs)
    ahead = 0.0
    for i in reversed(range(len(legs))):
        if brakes[i]:
            continue
        follows_a_braking = i + 1 < len(legs) and brakes[i + 1]
        if not climbs[i] or follows_a_braking:
            ahead = min(legs[i].speed ** 2, (smooth[i] + smooth[i + 1] + gains[i]) / 2)
        peaks[i] = ahead
    for i in range(1, len(legs)):
        if brakes[i]:
            peaks[i] = min(peaks[i - 1] if brakes[i - 1] else peak_of(legs, smooth, gains, i - 1), v2[i])
    return peaks


def peak_of(legs: list[Leg], smooth: list[float], gains: list[float], i: int) -> float:
    return min(legs[i].speed ** 2, (smooth[i] + smooth[i + 1] + gains[i]) / 2)


def reachable(legs: list[Leg], corner: Corner) -> list[float]:
    """The nodes' own limits of the smoothed plan: those of the real one."""
    return lowered(corner_v2(legs, corner), [2 * leg.accel * leg.length for leg in legs])


def phases(leg: Leg, start2: float, end2: float, peak2: float) -> float:
    """Accelerate, cruise, brake: distances from v² = v0² + 2·a·d, times from the mean speed of each phase."""
    cruise2 = min(leg.speed**2, (start2 + end2) / 2 + leg.accel * leg.length, peak2)
    start, end, cruise = math.sqrt(min(start2, cruise2)), math.sqrt(min(end2, cruise2)), math.sqrt(cruise2)
    up = (cruise**2 - start**2) / (2 * leg.accel)
    down = (cruise**2 - end**2) / (2 * leg.accel)
    seconds = max(leg.length - up - down, 0.0) / cruise
    if up > 0:
        seconds += up / ((start + cruise) / 2)
    if down > 0:
        seconds += down / ((end + cruise) / 2)
    return seconds
