"""What one cell of the terrain holds, and how a bead is laid over the cells it covers. No paths and no travels here.

A record is 64 bytes: which samples (raster.py) the top layer covers and which samples carried it, the heights of both,
and for each of the cell's 16 squares the curl allowance of both. It is read through two views of one memory.
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

# A record as 8 words of 64 bits: samples of the top layer, and those that carry it; from C_TOP and C_BELOW on two words
# of 16 bytes, the allowances of the 16 squares in parts of the greatest one.
TOP, BELOW, C_TOP, C_BELOW = 0, 1, 4, 6
# The same record as 16 singles: heights in mm.
Z_TOP, Z_BELOW = 4, 5
RECORD_WORDS = 8
SQUARES = 16
LEAST = 4  # parts; what decays below this is gone
PARTS = 125  # parts of the greatest allowance in which allowances are kept; `greater` wants them under 128

SAME_LAYER = 0.4  # layer heights; beads closer in Z than this belong to one layer
BENEATH = 1.5  # layer heights; material this far beneath the top of a bead carries it

ALL = np.uint64(0xFFFFFFFFFFFFFFFF)
NONE = np.uint64(0)
LOW_BITS = np.uint64(0x1111111111111111)
BYTE_BITS = np.uint64(0x0101010101010101)
HIGH_BITS = np.uint64(0x8080808080808080)
FOUR, FIFTEEN = np.uint64(4), np.uint64(15)

# What a bead met: samples covered, samples with nothing beneath, the most of those in one cell, whether a
# cell it touches has an allowance beneath, samples that lie under something printed before.
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
def allowances_beneath(words: Words, singles: Singles, i: int, z: float, h: float) -> tuple[np.uint64, np.uint64]:
    """Allowances (parts) of the layer before, of the 16 squares of cell i as bytes of two words."""
    reach = np.float32(z - BENEATH * h)
    a = b = NONE
    if singles[i, Z_BELOW] >= reach:
        a, b = words[i, C_BELOW], words[i, C_BELOW + 1]
    if reach <= singles[i, Z_TOP] < np.float32(z - SAME_LAYER * h):
        a, b = greater(a, words[i, C_TOP]), greater(b, words[i, C_TOP + 1])
    return a, b


@kernel
def allowance_beneath(words: Words, singles: Singles, i: int, word: np.uint64, z: float, h: float) -> int:
    """Greatest allowance (parts) in the layer before, over the squares of cell i that the samples `word` touch."""
    a, b = allowances_beneath(words, singles, i, z, h)
    if a == NONE and b == NONE:
        return 0
    squares = squares_of(word)
    a &= bytes_of(squares) * np.uint64(255)
    b &= bytes_of(squares >> np.uint64(32)) * np.uint64(255)
    return greatest(greater(a, b))


@kernel
def push(words: Words, singles: Singles, i: int, z: float, h: float) -> np.uint64:
    """Begin a new layer with top z in cell i: what may carry it becomes "below", the top is bare. Returns "below"."""
    reach = np.float32(z - BENEATH * h)
    carry = carriers(words, singles, i, z, h)
    a = b = NONE
    if singles[i, Z_BELOW] >= reach:
        a, b = words[i, C_BELOW], words[i, C_BELOW + 1]
    if singles[i, Z_TOP] >= reach:
        a, b = greater(a, words[i, C_TOP]), greater(b, words[i, C_TOP + 1])
    words[i, C_BELOW], words[i, C_BELOW + 1] = a, b
    words[i, C_TOP] = words[i, C_TOP + 1] = NONE
    words[i, BELOW], words[i, TOP] = carry, NONE
    singles[i, Z_BELOW], singles[i, Z_TOP] = singles[i, Z_TOP], np.float32(z)
    return carry


@kernel
def lay(
    words: Words, singles: Singles, tiles: Singles, cells: Integers, covers: Words, n: int, z: float, h: float,
    seen: Floats,
) -> None:  # fmt: skip
    """Lay the n covered cells of one straight bead (z and h in mm); `seen` says what it met."""
    z32 = np.float32(z)
    low, high = np.float32(z - SAME_LAYER * h), np.float32(z + SAME_LAYER * h)
    covered = free = most = under = curled = np.uint64(0)
    for k in range(n):
        i, word = cells[k], covers[k]
        if tiles[i >> 6] < z32:
            tiles[i >> 6] = z32
        if singles[i, Z_TOP] < low:
            carry = push(words, singles, i, z, h)
            words[i, TOP] = word
        else:
            carry = carriers(words, singles, i, z, h)
            if singles[i, Z_TOP] <= high:
                words[i, TOP] |= word
                singles[i, Z_TOP] = max(singles[i, Z_TOP], z32)
            else:
                under += count_bits(word)
        covered += count_bits(word)
        bare = count_bits(word & ~carry)
        free += bare
        most = max(most, bare)
        curled |= words[i, C_BELOW] | words[i, C_BELOW + 1]
    seen[COVERED], seen[FREE], seen[MOST], seen[UNDER] = covered, free, most, under
    seen[CURL] = 0.0 if curled == NONE else 1.0


@kernel
def put(words: Words, owners: Integers, own: Words, i: int, squares: np.uint64, c: int, owner: int) -> None:
    """Raise the allowance of some squares of cell i to c parts, and note whose it is."""
    if owners[i] != owner:
        owners[i], own[i] = owner, NONE
    for k in range(2):
        old = words[i, C_TOP + k]
        new = greater(old, bytes_of(squares >> np.uint64(32 * k)) * np.uint64(c))
        words[i, C_TOP + k] = new
        changed = old ^ new
        changed |= changed >> np.uint64(4)
        changed |= changed >> np.uint64(2)
        own[i] |= ((changed | (changed >> np.uint64(1))) & BYTE_BITS) << np.uint64(k)


@kernel
def raise_curl(
    words: Words, singles: Singles, owners: Integers, own: Words, tiles: Singles, cells: Integers,
    covers: Words, n: int, z: float, h: float, c: int, part: float, owner: int,
) -> None:  # fmt: skip
    """Write the allowance c (parts of `part` mm) on laid squares; a square keeps the greatest of its layer.

    Beside the cell stand the number of the path that wrote last, and the squares it wrote: bit 0 of byte q for square
    q, bit 1 of it for square q + 8.
    """
    same, z32 = np.float32(SAME_LAYER * h), np.float32(z)
    for k in range(n):
        i = cells[k]
        if abs(singles[i, Z_TOP] - z32) <= same:
            put(words, owners, own, i, most_squares_of(covers[k]), c, owner)
            tiles[i >> 6] = max(tiles[i >> 6], singles[i, Z_TOP] + np.float32(c * part))


@kernel
def settle_curl(
    words: Words, singles: Singles, owners: Integers, own: Words, tiles: Singles, cells: Integers, covers: Words,
    n: int, z: float, h: float, decay: float, part: float, owner: int,
) -> None:  # fmt: skip
    """Carry on, cell by cell, what is left of the allowance beneath a bead that is carried: decay × c beneath."""
    for k in range(n):
        i = cells[k]
        if (words[i, C_BELOW] | words[i, C_BELOW + 1]) == NONE:
            continue
        c = int(decay * allowance_beneath(words, singles, i, covers[k], z, h))
        if c >= LEAST and abs(singles[i, Z_TOP] - np.float32(z)) <= np.float32(SAME_LAYER * h):
            put(words, owners, own, i, most_squares_of(covers[k]), c, owner)
            tiles[i >> 6] = max(tiles[i >> 6], singles[i, Z_TOP] + np.float32(c * part))
