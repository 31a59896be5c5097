"""The job's own limit commands: limits and one line of the job go in, the limits that hold from there on come out.

A command replaces the value, as in the firmware; but Z is never allowed more than the printer entry states. A command
that the model's firmware does not know changes nothing, nor does a value that it would refuse (zero, negative, not a
number).
"""

from collections.abc import Mapping
from dataclasses import replace
from math import isfinite
from types import MappingProxyType

from liftwright.plan.limits import AXIS_JERK, JUNCTION_DEVIATION, MAY_BE_ZERO, SQUARE_CORNER, Limits


def after_command(limits: Limits, command: bytes) -> Limits:
    """The limits after one line of the job: M201 M203 M204 M205 M220 M221 or the velocity-limit command."""
    name, words = _words(command)
    if name == "M220" and words.get("S", 0.0) > 0:
        return replace(limits, feed_factor=words["S"] / 100.0, _vector=[])
    if name == "M221" and words.get("S", 0.0) > 0:
        return replace(limits, e_factor=words["S"] / 100.0, _vector=[])
    read = _SQUARE_READERS if limits.model == SQUARE_CORNER else _AXIS_READERS
    if name not in read:
        return limits
    return _with(limits, read[name](words))


def _with(limits: Limits, changes: Mapping[str, float]) -> Limits:
    """The limits with the valid ones among the changes."""
    good = {k: v for k, v in changes.items() if isfinite(v) and (v > 0 or (v == 0 and k in MAY_BE_ZERO))}
    if limits.model == JUNCTION_DEVIATION:
        good = {k: v for k, v in good.items() if not k.startswith("jerk")}
    if limits.model == AXIS_JERK:
        good.pop("deviation", None)
    if "speed_z" in good:
        good["speed_z"] = min(good["speed_z"], limits.z_speed)
    if "accel_z" in good:
        good["accel_z"] = min(good["accel_z"], limits.z_accel)
    if not good:
        return limits
    values = MappingProxyType({**limits.values, **good})
    return replace(
        limits, values=values, assumed=limits.assumed.difference(good), from_job=limits.from_job.union(good), _vector=[]
    )


def _per_axis(prefix: str, words: Mapping[str, float]) -> dict[str, float]:
    return {f"{prefix}_{axis.lower()}": words[axis] for axis in "XYZE" if axis in words}


def _print_retract_travel(words: Mapping[str, float]) -> dict[str, float]:
    """M204 of the firmware with axis limits: P, R, T; the old S sets print and travel alike."""
    changes: dict[str, float] = {}
    if "S" in words:
        changes.update(accel=words["S"], travel_accel=words["S"])
    for letter, name in (("P", "accel"), ("R", "retract_accel"), ("T", "travel_accel")):
        if letter in words:
            changes[name] = words[letter]
    return changes


def _one_acceleration(words: Mapping[str, float]) -> dict[str, float]:
    """M204 of the firmware with one acceleration: S, or the lower of P and T; one of the two alone does nothing."""
    if "S" in words:
        accel = words["S"]
    elif "P" in words and "T" in words:
        accel = min(words["P"], words["T"])
    else:
        return {}
    return {"accel": accel, "travel_accel": accel}


def _velocity_limit(words: Mapping[str, float]) -> dict[str, float]:
    changes: dict[str, float] = {}
    if "VELOCITY" in words:
        changes["speed"] = words["VELOCITY"]
    if "ACCEL" in words:
        changes.update(accel=words["ACCEL"], travel_accel=words["ACCEL"])
    if "SQUARE_CORNER_VELOCITY" in words:
        changes["square_corner"] = words["SQUARE_CORNER_VELOCITY"]
    if 0 <= words.get("MINIMUM_CRUISE_RATIO", -1.0) < 1:
        changes["minimum_cruise"] = words["MINIMUM_CRUISE_RATIO"]
    return changes


def _jerk_or_deviation(words: Mapping[str, float]) -> dict[str, float]:
    changes = _per_axis("jerk", words)
    if "J" in words:
        changes["deviation"] = words["J"]
    return changes


_SQUARE_READERS = {"M204": _one_acceleration, "SET_VELOCITY_LIMIT": _velocity_limit}
_AXIS_READERS = {
    "M201": lambda words: _per_axis("accel", words),
    "M203": lambda words: _per_axis("speed", words),
    "M204": _print_retract_travel,
    "M205": _jerk_or_deviation,
}


def _words(command: bytes) -> tuple[str, dict[str, float]]:
    """The command's name and its number words: `M204 S800` and `NAME KEY=1` alike; words without number left out."""
    text = command.split(b";", 1)[0].decode("ascii", "replace").upper().split()
    if text and text[0][0] == "N" and text[0][1:].isdigit():
        text = text[1:]
    words = {}
    for part in text[1:]:
        key, equals, value = part.partition("=")
        if not equals:
            key, value = part[0], part[1:]
        try:
            words[key] = float(value.split("*")[0])
        except ValueError:
            continue
    return (text[0] if text else ""), words
