"""Numbers to text for inserted words: exact decimals of at most nine places, never an exponent.

Values go through billionths of the job's unit as whole numbers, so that sums of increments are exact and a coordinate
that came from the job's text (at most nine decimals) goes out as the same decimal.
"""

import math

import numpy as np

from liftwright.kernels import kernel

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
    for k in range(digits - 1, -1, -1):
        out[at + k] = 48 + whole % 10
        whole //= 10
    at += digits
    shown = PLACES
    while shown > places and rest % 10 == 0:
        rest //= 10
        shown -= 1
    if shown == 0:
        return at
    out[at] = 46
    at += 1
    for k in range(shown - 1, -1, -1):
        out[at + k] = 48 + rest % 10
        rest //= 10
    return at + shown


@kernel
def lowered_feed(mm_s: float, scale: float) -> float:
    """The feed for `mm_s` in the job's units per minute, rounded down so that no limit is passed."""
    value = mm_s * 60.0 / scale
    if value >= 10.0:
        return math.floor(value)
    return max(math.floor(value * 1000.0) / 1000.0, 0.001)
