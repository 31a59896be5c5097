"""Layers of a scene as short text for a page: whole numbers, hundredths of a millimetre, most of them differences.

In: a `Layer`. Out: a dictionary that JSON can hold, its numbers in one string of printable ASCII that page.js unpacks.
No text of a job is in it. What is left out is counted.

A number n is written as 2n, or -2n - 1 if it is negative, in base 32 with the lowest digit first; digits but the last
have 32 added, and each is one of `DIGITS`.
"""

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from liftwright.evidence.scene import Layer, Travel

PER_MM = 100
MOST_PIECES = 40_000  # of beads in one layer: those with an allowance first, then the longest
CLASSES_MM = (0.0, 0.15, 0.3)  # an allowance above each of these is drawn wider; the page's legend names them
# None of them ends a script element, a string or a line, and each stands for itself in JSON and in HTML.
DIGITS = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
_TABLE = np.frombuffer(DIGITS, np.uint8)
_MOST_DIGITS = 9  # 45 bits
Floats = NDArray[np.float64]
Whole = NDArray[np.int64]


def layer_text(layer: Layer, *, after: bool) -> dict[str, Any]:
    """One layer. i: index; z: 1/100 mm; p: pieces drawn and in all; m: travels in all; d: lines of beads, then travels.

    after: say what became of the travels; without it they are shown as they came.
    """
    kept = _kept(layer)
    numbers = _lines(layer.pieces[:, kept], layer.allowance[kept])
    numbers.append(len(layer.travels))
    for travel in layer.travels:
        numbers += _travel_numbers(travel, after=after)
    return {
        "i": layer.index, "z": round(layer.z * PER_MM), "p": [len(kept), layer.pieces.shape[1]],
        "m": layer.travels_in_all, "d": packed(np.array(numbers, np.int64)),
    }  # fmt: skip


def packed(numbers: Whole) -> str:
    """Whole numbers below 2^44 as text."""
    doubled = (np.where(numbers >= 0, 2 * numbers, -2 * numbers - 1)).astype(np.uint64)
    shifts = np.arange(_MOST_DIGITS, dtype=np.uint64) * np.uint64(5)
    digits = (doubled[:, None] >> shifts) & np.uint64(31)
    left = doubled[:, None] >> (shifts + np.uint64(5))
    written = np.concatenate([np.ones((len(numbers), 1), bool), left[:, :-1] > 0], axis=1)
    symbols = _TABLE[digits + np.where(left > 0, np.uint64(32), np.uint64(0))]
    return str(symbols[written].tobytes(), "ascii")


def _kept(layer: Layer) -> Whole:
    """Indices of the pieces that are drawn, in their order."""
    x0, y0, x1, y1 = layer.pieces
    if layer.pieces.shape[1] <= MOST_PIECES:
        return np.arange(layer.pieces.shape[1])
    rank = np.lexsort((-np.hypot(x1 - x0, y1 - y0), layer.allowance <= 0.0))
    return np.sort(rank[:MOST_PIECES])


def _lines(pieces: Floats, allowance: Floats) -> list[int]:
    """Pieces that join and have one class of allowance are one line.

    How many lines; for each its class, how many pieces, the way from the end of the line before to its start as x, y,
    and the pieces as x, y.
    """
    if pieces.shape[1] == 0:
        return [0]
    x0, y0, x1, y1 = np.rint(pieces * PER_MM).astype(np.int64)
    kind = np.searchsorted(CLASSES_MM, allowance, side="left")
    breaks = (x0[1:] != x1[:-1]) | (y0[1:] != y1[:-1]) | (kind[1:] != kind[:-1])
    starts = np.concatenate([[0], np.flatnonzero(breaks) + 1, [len(x0)]]).tolist()
    steps = np.stack([x1 - x0, y1 - y0], axis=1)
    out, x, y = [len(starts) - 1], 0, 0
    for a, b in pairwise(starts):
        out += [int(kind[a]), b - a, int(x0[a]) - x, int(y0[a]) - y, *steps[a:b].ravel().tolist()]
        x, y = int(x1[b - 1]), int(y1[b - 1])
    return out


def _travel_numbers(travel: Travel, *, after: bool) -> list[int]:
    """Line, retracted, strikes before, points (x, y, z); with `after` strikes after, reason, side view (s, z); ground
    (s, printed, allowed). Points, side view and ground begin with their number; no side view where nothing changed."""
    out = [travel.line, int(travel.retracted), int(travel.strikes_before)]
    out += _differences(np.stack([travel.x, travel.y, travel.z], axis=1))
    if after:
        out += [int(travel.strikes_after), travel.reason]
        if travel.after_s is None or travel.after_z is None:
            out.append(0)
        else:
            out += _differences(np.stack([travel.after_s, travel.after_z], axis=1))
    return out + _told(np.stack([travel.ground_s, travel.printed, travel.allowed], axis=1))


def _told(ground: Floats) -> list[int]:
    """The ground as differences, without places between two others of the same heights."""
    if len(ground) < 3:
        return _differences(ground)
    rounded = np.rint(ground[:, 1:] * PER_MM)
    same = (rounded[1:-1] == rounded[:-2]).all(axis=1) & (rounded[1:-1] == rounded[2:]).all(axis=1)
    return _differences(ground[np.concatenate([[True], ~same, [True]])])


def _differences(points: Floats) -> list[int]:
    """(n, k) mm → n, the first point, then differences; rounded first, so that no error adds up."""
    whole = np.rint(points * PER_MM).astype(np.int64)
    differences: list[int] = np.diff(whole, axis=0, prepend=np.zeros((1, whole.shape[1]), np.int64)).ravel().tolist()
    return [len(points), *differences]
