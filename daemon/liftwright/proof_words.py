"""The proof's own number and word reader: bytes of one line in, exact decimals out; it shares nothing with job/.

1. A number is sign, digits, point, digits; there is no exponent: `E1e-5` is E1 and then E-5, as firmware executes it.
2. Values are whole multiples of 1e-12 (mm, mm/min): int64, never floats, so equal means equal.
3. What doesn't fit (more than twelve decimals, or beyond ±4,000,000) is cut off and remembered as a residue:
   a hash of the digits. Equal texts keep equal residues; residues are compared, never computed with.
4. A line that can't be read with certainty (a letter without a number, a letter twice, a second command, a strange
   character) says so in its flags; nobody guesses.

The buffers end in a line feed that doesn't count (a sentinel): loops need no length check.
"""

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numba import njit

from liftwright.compiled import bind_to_sources

SCALE = 10**12
TOP = 4 * 10**18  # ±4,000,000 mm: two of them can still be added within int64

BAD, MULTI, LONG, STAR = 1, 2, 4, 8  # flags of a line's words; STAR: a checksum
M_ABS, M_REL, M_INCH, M_MM, M_EABS, M_EREL = 1, 2, 4, 8, 16, 32  # mode words met on a line beside its first command

_POWER = np.array([10 ** (12 - k) for k in range(13)], dtype=np.int64)
_LARGEST = np.array([TOP // 10 ** (12 - k) for k in range(13)], dtype=np.int64)

Function = TypeVar("Function", bound=Callable[..., Any])
_OPTIONS: dict[str, Any] = {"nogil": True, "_nrt": False}


def kernel(function: Function) -> Function:
    """Compile a kernel of the proof. `_nrt`: its arrays are not reference-counted, which costs more than reading."""
    return _compiled(function, _OPTIONS)


def merged(function: Function) -> Function:
    """The same for small kernels on the way of every line or gap: they are merged into their callers, since each array
    that is handed over costs seven arguments."""
    return _compiled(function, {**_OPTIONS, "forceinline": True})


def _compiled(function: Function, options: dict[str, Any]) -> Function:
    compiled: Function = njit(cache=True, **options)(function)
    if not bind_to_sources(compiled, function.__module__):
        compiled = njit(**options)(function)
    return compiled


@kernel
def mix(h: int, value: int) -> int:
    """Fold `value` into the hash `h` (FNV-1a, 64 bits); never zero, since zero means "no residue"."""
    h = (h ^ value) * 1099511628211
    return h if h != 0 else 1


@kernel
def _long_number(b: np.ndarray, i: int, negative: bool) -> tuple[int, int]:
    """The slow way for numbers that don't fit: (value cut off at 1e-12 or clamped, residue of all that was lost)."""
    value = 0
    clamped = False
    h = 1469598103934665603
    while 48 <= b[i] <= 57:
        if value > TOP // 10:
            clamped = True
        value = TOP if clamped else value * 10 + (b[i] - 48)
        h = mix(h, b[i])
        i += 1
    clamped = clamped or value > TOP // SCALE
    value = TOP if clamped else value * SCALE
    residue = h if clamped else 0
    if b[i] == 46:
        i += 1
    step = SCALE // 10
    zeros = 0
    while 48 <= b[i] <= 57:
        digit = b[i] - 48
        if not clamped and step > 0:
            value += digit * step
        elif digit == 0:
            zeros += 1
        else:
            residue = mix(mix(residue, zeros), digit)
            zeros = 0
        step //= 10
        i += 1
    if negative and residue != 0:
        residue = mix(residue, 45)
    return min(value, TOP), residue


@merged
def number(b: np.ndarray, i: int) -> tuple[int, int, bool, int]:
    """Read one number at `i`: (value in 1e-12, next index, whether there was one, residue)."""
    negative = b[np.uint64(i)] == 45
    if negative or b[np.uint64(i)] == 43:
        i += 1
    first = i
    mantissa = 0
    digit = b[np.uint64(i)] - 48
    while 0 <= digit <= 9:
        mantissa = mantissa * 10 + digit
        i += 1
        digit = b[np.uint64(i)] - 48
    digits = i - first
    decimals = 0
    if b[np.uint64(i)] == 46:
        i += 1
        point = i
        digit = b[np.uint64(i)] - 48
        while 0 <= digit <= 9:
            mantissa = mantissa * 10 + digit
            i += 1
            digit = b[np.uint64(i)] - 48
        decimals = i - point
        digits += decimals
    if digits == 0:
        return 0, i, False, 0
    residue = 0
    if digits > 18 or decimals > 12 or mantissa > _LARGEST[decimals]:
        value, residue = _long_number(b, first, negative)
    else:
        value = mantissa * _POWER[decimals]
    return (-value if negative else value), i, True, residue


@kernel
def line_end(b: np.ndarray, i: int) -> int:
    """First line-end byte at or after `i`."""
    while b[np.uint64(i)] != 10 and b[np.uint64(i)] != 13:
        i += 1
    return i


@kernel
def _mode_word(letter: int, value: int) -> int:
    """The mode bit of a further G or M word on a line, or 0."""
    code = value // SCALE
    if code * SCALE != value:
        return 0
    if letter == 6:
        return M_ABS if code == 90 else M_REL if code == 91 else M_INCH if code == 20 else M_MM if code == 21 else 0
    return M_EABS if code == 82 else M_EREL if code == 83 else 0


@kernel
def words(b: np.ndarray, i: int, w: np.ndarray, q: np.ndarray) -> tuple[int, int, int, int, int]:
    """Read the words of a line from `i` to its end: values into `w` by letter (a = 0), residues into `q`.

    Returns (index of the line end, bit mask of letters, flags, start of the first comment or -1, mode bits).
    """
    mask = 0
    flags = 0
    comment = -1
    modes = 0
    while True:
        c = b[np.uint64(i)]
        if c == 32 or c == 9:
            i += 1
            continue
        if c == 10 or c == 13:
            break
        letter = (c | 32) - 97
        if 0 <= letter <= 25:
            i += 1
            while b[np.uint64(i)] == 32 or b[np.uint64(i)] == 9:
                i += 1
            value, i, found, residue = number(b, i)
            if not found:
                flags |= BAD
            elif letter == 6 or letter == 12:  # a second G or M: firmwares differ on whether it is executed
                flags |= MULTI
                modes |= _mode_word(letter, value)
            else:
                if mask & (1 << letter):
                    flags |= BAD
                mask |= 1 << letter
                w[letter] = value
                q[letter] = residue
                if residue != 0:
                    flags |= LONG
            continue
        if c == 59 or c == 40:
            if comment < 0:
                comment = i
            if c == 59:
                i = line_end(b, i)
                break
            while b[np.uint64(i)] != 41 and b[np.uint64(i)] != 10 and b[np.uint64(i)] != 13:
                i += 1
            if b[np.uint64(i)] == 41:
                i += 1
            continue
        flags |= STAR if c == 42 else BAD
        i = line_end(b, i)
        break
    return i, mask, flags, comment, modes
