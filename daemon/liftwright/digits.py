"""Numbers to text for inserted words: exact decimals of at most nine places, never an exponent.

Values go through billionths of the job's unit as whole numbers, so that sums of increments are exact and a coordinate
that came from the job's text (at most nine decimals) goes out as the same decimal.
"""

import math

import numpy as np

from liftwright.kernels import inlined, kernel

PLACES = 9
UNIT = 10**PLACES


@kernel
def to_units(value: float) -> int:
    """`value` in billionths, to the nearest."""
    return int(np.rint(value * 1e9))


@kernel
def rounded(value: float, step: int) -> int:
    """`value` in billionths, to the nearest multiple of `step`."""
    return int(np.rint(value * 1e9 / step)) * step


@kernel
def rounded_up(value: float, step: int) -> int:
    """`value` in billionths, up to a multiple of `step`; what is one already stays."""
    units = int(np.rint(value * 1e9))
    rest = units % step
    return units if rest == 0 else units - rest + step


@inlined
def _write_digits(value: int, digits: int, out: np.ndarray, at: int) -> int:
    left = np.uint64(value)
    for k in range(digits - 1, -1, -1):
        tenth = left // np.uint64(10)
        out[np.uint64(at + k)] = np.uint64(48) + left - tenth * np.uint64(10)
        left = tenth
    return at + digits


@kernel
def write_units(units: int, places: int, out: np.ndarray, at: int) -> int:
    """Write `units` billionths with at least `places` decimals, no more than it needs; returns the index behind."""
    if units < 0:
        out[at] = 45
        at += 1
        units = -units
    whole = units // UNIT
    rest = units - whole * UNIT
    digits = 1
    bound = 10
    while whole >= bound:
        digits += 1
        bound *= 10
    at = _write_digits(whole, digits, out, at)
    shown = PLACES
    if rest == 0:
        shown = places
    elif places <= 3 and rest % 1_000_000 == 0:
        rest //= 1_000_000
        shown = 3
    while shown > places and rest % 10 == 0:
        rest //= 10
        shown -= 1
    if shown == 0:
        return at
    out[at] = 46
    return _write_digits(rest, shown, out, at + 1)


@kernel
def lowered_feed(mm_s: float, scale: float) -> float:
    """The feed for `mm_s` in the job's units per minute, rounded down so that no limit is passed."""
    value = mm_s * 60.0 / scale
    if value >= 10.0:
        return math.floor(value)
    return max(math.floor(value * 1000.0) / 1000.0, 0.001)
