"""What one cell of the terrain holds, and how a bead is laid over the cells it covers. No paths and no travels here.

A record is 64 bytes: which samples (raster.py) the top layer covers and which samples carried it, the heights of both,
and for each of the cell's 16 squares the curl allowance of both. It is read through two views of one memory.
A new layer in a cell pushes what was on top down to "below"; what is below is what may carry a bead of this layer, so
the answer for a second bead of the same layer does not depend on the first. Of the 64 cells of a tile one word tells
which have any allowance: most have none, and the half of their records that would hold it is neither read nor written.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liftwright.kernels import inlined, kernel
from liftwright.plan.raster import Index, Words, over, row_range

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Cells = npt.NDArray[np.int32]  # indices of cells

# A record as 8 words of 64 bits: samples of the top layer, and those that carry it; who gave the top its allowances;
# from C_TOP and C_BELOW on two words of 16 bytes, the allowances of the 16 squares in parts of the greatest one.
TOP, BELOW, OWNER, C_TOP, C_BELOW = 0, 1, 3, 4, 6
# An owner is the number of a path, counted from 1, above 16 bits that say which squares it gave an allowance to.
OWN = np.uint64(16)
OWN_SQUARES = np.uint64(0xFFFF)
# The same record as 16 singles: heights in mm.
Z_TOP, Z_BELOW = 4, 5
RECORD_WORDS = 8
SQUARES = 16
LEAST = 4  # parts; what decays below this is gone
PARTS = 125  # parts of the greatest allowance in which allowances are kept; `greater` wants them under 128

SAME_LAYER = 0.4  # layer heights; beads closer in Z than this belong to one layer
TALL = 0.5  # mm; a cell that stands this far above the nozzle counts whole: older layers may have reached farther out
BENEATH = 1.5  # layer heights; material this far beneath the top of a bead carries it

ALL = np.uint64(0xFFFFFFFFFFFFFFFF)
ALL_SQUARES = np.uint64(0xFFFF)
NONE = np.uint64(0)
LOW_BITS = np.uint64(0x1111111111111111)
BYTE_BITS = np.uint64(0x0101010101010101)
HIGH_BITS = np.uint64(0x8080808080808080)
FIFTEEN = np.uint64(15)
ONE, SIX, SIXTY_THREE = np.uint64(1), np.uint64(6), np.uint64(63)


@kernel
def cell_at(columns: int, column: int, row: int) -> int:
    """Index of a cell: those of a tile lie side by side."""
    return ((row >> 3) * (columns >> 3) + (column >> 3) << 6) + ((row & 7) << 3) + (column & 7)


@kernel
def carriers(words: Words, singles: Singles, i: Index, z: float, h: float) -> np.uint64:
    """Samples of cell i with material within 1.5 layer heights beneath a bead with top z (all of them on the bed)."""
    reach = np.float32(z - BENEATH * h)
    if reach <= np.float32(0.0):
        return ALL
    carry = NONE
    if singles[i, Z_BELOW] >= reach:
        carry |= words[i, BELOW]
    if reach <= singles[i, Z_TOP] < np.float32(z - SAME_LAYER * h):
        carry |= words[i, TOP]
    return carry


@kernel
def squares_of(word: np.uint64) -> np.uint64:
    """The lowest sample of every square that `word` touches."""
    word |= word >> np.uint64(1)
    return (word | (word >> np.uint64(2))) & LOW_BITS


@kernel
def most_squares_of(word: np.uint64) -> np.uint64:
    """The lowest sample of every square that `word` covers from two of its four samples on."""
    pairs = word - ((word >> np.uint64(1)) & np.uint64(0x5555555555555555))
    fours = (pairs & np.uint64(0x3333333333333333)) + ((pairs >> np.uint64(2)) & np.uint64(0x3333333333333333))
    return ((fours + np.uint64(0x6666666666666666)) >> np.uint64(3)) & LOW_BITS


@kernel
def bytes_of(low: np.uint64) -> np.uint64:
    """Eight bits, one in each half byte of the lower 32, moved to the bottoms of eight bytes."""
    low &= np.uint64(0xFFFFFFFF)
    low = (low | (low << np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    low = (low | (low << np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
    return (low | (low << np.uint64(4))) & BYTE_BITS


@kernel
def greater(a: np.uint64, b: np.uint64) -> np.uint64:
    """The greater of two words, byte by byte; no byte may be over 127."""
    keep = ((((a | HIGH_BITS) - b) & HIGH_BITS) >> np.uint64(7)) * np.uint64(255)
    return (a & keep) | (b & ~keep)


@kernel
def greatest(a: np.uint64) -> int:
    """The greatest byte of a word; no byte may be over 127."""
    a = greater(a, a >> np.uint64(32))
    a = greater(a, a >> np.uint64(16))
    return int(greater(a, a >> np.uint64(8)) & np.uint64(127))


@kernel
def allowances_beneath(words: Words, singles: Singles, i: Index, z: float, h: float) -> tuple[np.uint64, np.uint64]:
    """Allowances (parts) of the layer before, of the 16 squares of cell i as bytes of two words."""
    reach = np.float32(z - BENEATH * h)
    a = b = NONE
    if singles[i, Z_BELOW] >= reach:
        a, b = words[i, C_BELOW], words[i, C_BELOW + 1]
    if reach <= singles[i, Z_TOP] < np.float32(z - SAME_LAYER * h):
        a, b = greater(a, words[i, C_TOP]), greater(b, words[i, C_TOP + 1])
    return a, b


@kernel
def beneath_strip(
    words: Words, singles: Singles, curled: Words, columns: int, rows: int, x0: float, y0: float, ux: float, uy: float,
    start: float, end: float, half: float, z: float, h: float,
) -> int:  # fmt: skip
    """Greatest allowance (parts) in the layer before, in the cells that a turned rectangle (raster.py) touches."""
    a = b = NONE
    grow, per_y = abs(ux) * half, over(uy)
    ya, yb = y0 + uy * start, y0 + uy * end
    first = max(0, int(np.floor(min(ya, yb) - grow)))
    last = min(rows - 1, int(np.floor(max(ya, yb) + grow)))
    for row in range(first, last + 1):
        left, right = row_range(x0, y0, ux, uy, per_y, start, end, half, row)
        base = ((row >> 3) * (columns >> 3) << 6) + ((row & 7) << 3)
        for column in range(max(left, 0), min(right, columns - 1) + 1):
            i = np.uint64(base + ((column >> 3) << 6) + (column & 7))
            if has_curl(curled, i):
                c, d = allowances_beneath(words, singles, i, z, h)
                a, b = greater(a, c), greater(b, d)
    return greatest(greater(a, b))


@kernel
def has_curl(curled: Words, i: Index) -> bool:
    """Whether any square of cell i has an allowance, on top or below."""
    i = np.uint64(i)
    return bool((curled[i >> SIX] >> (i & SIXTY_THREE)) & ONE != NONE)


@kernel
def note_curl(singles: Singles, tiles: Singles, curled: Words, i: Index, c: float) -> None:
    """Cell i has got an allowance of c (mm) on top."""
    i = np.uint64(i)
    tile = i >> SIX
    curled[tile] |= ONE << (i & SIXTY_THREE)
    tiles[tile] = max(tiles[tile], singles[i, Z_TOP] + np.float32(c))


@kernel
def push(words: Words, singles: Singles, curled: Words, i: Index, z: float, h: float) -> np.uint64:
    """Begin a new layer with top z in cell i: what may carry it becomes "below", the top is bare. Returns "below"."""
    carry = carriers(words, singles, i, z, h)
    if has_curl(curled, i):
        reach = np.float32(z - BENEATH * h)
        a = b = NONE
        if singles[i, Z_BELOW] >= reach:
            a, b = words[i, C_BELOW], words[i, C_BELOW + 1]
        if singles[i, Z_TOP] >= reach:
            a, b = greater(a, words[i, C_TOP]), greater(b, words[i, C_TOP + 1])
        words[i, C_BELOW], words[i, C_BELOW + 1] = a, b
        words[i, C_TOP] = words[i, C_TOP + 1] = NONE
        if a | b == NONE:
            curled[np.uint64(i) >> SIX] &= ~(ONE << (np.uint64(i) & SIXTY_THREE))
    words[i, BELOW], words[i, TOP] = carry, NONE
    singles[i, Z_BELOW], singles[i, Z_TOP] = singles[i, Z_TOP], np.float32(z)
    return carry


@kernel
def marks_of(word: np.uint64) -> np.uint64:
    """Eight bits, one for each byte of `word` that isn't 0; no byte may be over 127."""
    marks = ((word + np.uint64(0x7F7F7F7F7F7F7F7F)) & HIGH_BITS) >> np.uint64(7)
    return (marks * np.uint64(0x0102040810204080)) >> np.uint64(56)


@kernel
def put(words: Words, i: Index, low: np.uint64, high: np.uint64, owner: int) -> None:
    """Raise the allowances of cell i to `low` (squares 0 to 7) and `high`, and note whose they are."""
    a, b = words[i, C_TOP], words[i, C_TOP + 1]
    new_a, new_b = greater(a, low), greater(b, high)
    words[i, C_TOP], words[i, C_TOP + 1] = new_a, new_b
    mine = np.uint64(owner) << OWN
    before = words[i, OWNER]
    if before & ~OWN_SQUARES == mine:
        mine = before
    words[i, OWNER] = mine | marks_of(a ^ new_a) | (marks_of(b ^ new_b) << np.uint64(8))


@kernel
def squares_in(word: np.uint64) -> np.uint64:
    """The squares that the samples `word` touch: bit k for square k."""
    low = squares_of(word)
    return marks_of(bytes_of(low)) | (marks_of(bytes_of(low >> np.uint64(32))) << np.uint64(8))


@kernel
def squares_over(low: np.uint64, high: np.uint64, parts: float) -> np.uint64:
    """The squares, bit k for square k, whose allowance is greater than `parts`, which is not negative."""
    if parts >= PARTS:
        return NONE
    least = BYTE_BITS * np.uint64(int(parts) + 1)
    a = (((low | HIGH_BITS) - least) & HIGH_BITS) >> np.uint64(7)
    b = (((high | HIGH_BITS) - least) & HIGH_BITS) >> np.uint64(7)
    return marks_of(a) | (marks_of(b) << np.uint64(8))


@kernel
def square_height(
    words: Words, singles: Singles, i: Index, square: Index, part: float, limit: float
) -> tuple[float, float]:
    """What stands in one square of cell i, mm, allowance included, and the allowance alone.

    limit: mm; from TALL above it on, a cell counts whole.
    """
    shift, half, byte = np.uint64(4 * square), square >> 3, np.uint64(8 * (square & 7))
    top = float(singles[i, Z_TOP])
    if (words[i, TOP] >> shift) & FIFTEEN != NONE:
        c = float((words[i, C_TOP + half] >> byte) & np.uint64(127)) * part
        return top + c, c
    if top > limit + TALL:
        return top, 0.0
    if (words[i, BELOW] >> shift) & FIFTEEN != NONE:
        c = float((words[i, C_BELOW + half] >> byte) & np.uint64(127)) * part
        return float(singles[i, Z_BELOW]) + c, c
    return 0.0, 0.0


@inlined
def raise_curl(
    words: Words, singles: Singles, tiles: Singles, curled: Words, cells: Cells, covers: Words, first: int,
    last: int, z: float, h: float, c: int, part: float, owner: int,
) -> None:  # fmt: skip
    """Write the allowance c (parts of `part` mm) on laid squares; a square keeps the greatest of its layer."""
    same, z32, parts = np.float32(SAME_LAYER * h), np.float32(z), np.uint64(c)
    for k in range(first, last):
        i = cells[k]
        if abs(singles[i, Z_TOP] - z32) <= same:
            squares = most_squares_of(covers[k])
            put(words, i, bytes_of(squares) * parts, bytes_of(squares >> np.uint64(32)) * parts, owner)
            note_curl(singles, tiles, curled, i, c * part)
