"""What one cell of the terrain holds, and how a bead is laid over the cells it covers. No paths and no travels here.

A record is 64 bytes: which samples (raster.py) the top layer covers and which samples carried it, the heights of both,
and for each of the cell's 16 squares the curl allowance of both. It is read through three views of one memory.
A new layer in a cell pushes what was on top down to "below"; what is below is what may carry a bead of this layer, so
the answer for a second bead of the same layer does not depend on the first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from liftwright.kernels import kernel
from liftwright.plan.raster import Integers, Words, count_bits

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Bytes = npt.NDArray[np.uint8]

# A record as 8 words of 64 bits: samples of the top layer, and those that carry it; the allowances are words too when
# they are only moved.
TOP, BELOW, C_TOP_WORDS, C_BELOW_WORDS = 0, 1, 4, 6
# The same record as 16 singles: heights in mm.
Z_TOP, Z_BELOW = 4, 5
# The same record as 64 bytes: the allowances of the 16 squares, in parts of the greatest one.
C_TOP, C_BELOW = 32, 48
RECORD_WORDS = 8
SQUARES = 16
LEAST = 8  # parts; what decays below this is gone
PARTS = 250  # parts of the greatest allowance in which allowances are kept

SAME_LAYER = 0.4  # layer heights; beads closer in Z than this belong to one layer
BENEATH = 1.5  # layer heights; material this far beneath the top of a bead carries it

ALL = np.uint64(0xFFFFFFFFFFFFFFFF)
NONE = np.uint64(0)
LOW_BITS = np.uint64(0x1111111111111111)
FOUR, FIFTEEN = np.uint64(4), np.uint64(15)

# What a bead met: samples covered, samples with nothing beneath, the most of those in one cell, greatest allowance
# beneath (parts), samples that lie under something printed before.
COVERED, FREE, MOST, CURL, UNDER = 0, 1, 2, 3, 4


@kernel
def carriers(words: Words, singles: Singles, i: int, z: float, h: float) -> np.uint64:
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
def allowance_beneath(
    words: Words, singles: Singles, parts: Bytes, i: int, word: np.uint64, z: float, h: float
) -> int:
    """Greatest allowance (parts) in the layer before, over the squares of cell i that the samples `word` touch."""
    reach = np.float32(z - BENEATH * h)
    use_below = singles[i, Z_BELOW] >= reach and (words[i, C_BELOW_WORDS] | words[i, C_BELOW_WORDS + 1]) != NONE
    use_top = reach <= singles[i, Z_TOP] < np.float32(z - SAME_LAYER * h)
    use_top = use_top and (words[i, C_TOP_WORDS] | words[i, C_TOP_WORDS + 1]) != NONE
    most = 0
    if use_below or use_top:
        for square in range(SQUARES):
            if word & FIFTEEN != NONE:
                if use_below:
                    most = max(most, int(parts[i, C_BELOW + square]))
                if use_top:
                    most = max(most, int(parts[i, C_TOP + square]))
            word >>= FOUR
    return most


@kernel
def push(words: Words, singles: Singles, parts: Bytes, i: int, z: float, h: float) -> None:
    """Begin a new layer with top z in cell i: what may carry it becomes "below", the top is bare."""
    reach = np.float32(z - BENEATH * h)
    carry = carriers(words, singles, i, z, h)
    keep_top, keep_below = singles[i, Z_TOP] >= reach, singles[i, Z_BELOW] >= reach
    if keep_top and keep_below:
        for square in range(SQUARES):
            parts[i, C_BELOW + square] = max(parts[i, C_BELOW + square], parts[i, C_TOP + square])
    else:
        for k in range(2):
            words[i, C_BELOW_WORDS + k] = words[i, C_TOP_WORDS + k] if keep_top else NONE
    for k in range(2):
        words[i, C_TOP_WORDS + k] = NONE
    words[i, BELOW], words[i, TOP] = carry, NONE
    singles[i, Z_BELOW], singles[i, Z_TOP] = singles[i, Z_TOP], np.float32(z)


@kernel
def lay(
    words: Words, singles: Singles, parts: Bytes, tiles: Singles, cells: Integers, covers: Words, n: int,
    z: float, h: float, seen: Floats,
) -> None:  # fmt: skip
    """Lay the n covered cells of one straight bead (z and h in mm); `seen` says what it met."""
    z32 = np.float32(z)
    low, high = np.float32(z - SAME_LAYER * h), np.float32(z + SAME_LAYER * h)
    covered = free = most = under = np.uint64(0)
    curl = 0
    for k in range(n):
        i, word = cells[k], covers[k]
        if tiles[i >> 6] < z32:
            tiles[i >> 6] = z32
        if singles[i, Z_TOP] < low:
            push(words, singles, parts, i, z, h)
        if singles[i, Z_TOP] <= high:
            words[i, TOP] |= word
            singles[i, Z_TOP] = max(singles[i, Z_TOP], z32)
        else:
            under += count_bits(word)
        covered += count_bits(word)
        bare = count_bits(word & ~carriers(words, singles, i, z, h))
        free += bare
        most = max(most, bare)
        if (words[i, C_BELOW_WORDS] | words[i, C_BELOW_WORDS + 1]) != NONE:
            curl = max(curl, allowance_beneath(words, singles, parts, i, word, z, h))
    seen[COVERED], seen[FREE], seen[MOST], seen[CURL], seen[UNDER] = covered, free, most, curl, under


@kernel
def squares_of(word: np.uint64) -> np.uint64:
    """The lowest sample of every square that `word` covers from two of its four samples on."""
    pairs = word - ((word >> np.uint64(1)) & np.uint64(0x5555555555555555))
    fours = (pairs & np.uint64(0x3333333333333333)) + ((pairs >> np.uint64(2)) & np.uint64(0x3333333333333333))
    return ((fours + np.uint64(0x6666666666666666)) >> np.uint64(3)) & LOW_BITS


@kernel
def spread(low: np.uint64) -> np.uint64:
    """Eight bits, one in each half byte of the lower 32, moved to the bottoms of eight bytes."""
    low = (low | (low << np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    low = (low | (low << np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
    return (low | (low << np.uint64(4))) & np.uint64(0x0101010101010101)


@kernel
def put(
    words: Words, parts: Bytes, owners: Integers, own: Words, i: int, squares: np.uint64, c: int, owner: int
) -> None:
    """Raise the allowance of some squares of cell i to c parts, and note whose it is."""
    if squares == NONE:
        return
    if words[i, C_TOP_WORDS] == NONE and words[i, C_TOP_WORDS + 1] == NONE:
        words[i, C_TOP_WORDS] = spread(squares & np.uint64(0xFFFFFFFF)) * np.uint64(c)
        words[i, C_TOP_WORDS + 1] = spread(squares >> np.uint64(32)) * np.uint64(c)
        owners[i], own[i] = owner, squares
        return
    for square in range(SQUARES):
        bit = squares & (np.uint64(1) << np.uint64(4 * square))
        if bit != NONE and c > parts[i, C_TOP + square]:
            parts[i, C_TOP + square] = c
            if owners[i] != owner:
                owners[i], own[i] = owner, NONE
            own[i] |= bit


@kernel
def raise_curl(
    words: Words, singles: Singles, parts: Bytes, owners: Integers, own: Words, tiles: Singles, cells: Integers,
    covers: Words, n: int, z: float, h: float, c: int, part: float, owner: int,
) -> None:  # fmt: skip
    """Write the allowance c (parts of `part` mm) on laid squares; a square keeps the greatest of its layer.

    Beside the cell stand the number of the path that wrote last, and the squares it wrote.
    """
    same, z32 = np.float32(SAME_LAYER * h), np.float32(z)
    for k in range(n):
        i = cells[k]
        if abs(singles[i, Z_TOP] - z32) <= same:
            put(words, parts, owners, own, i, squares_of(covers[k]), c, owner)
            tiles[i >> 6] = max(tiles[i >> 6], singles[i, Z_TOP] + np.float32(c * part))
