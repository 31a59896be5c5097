"""What one cell of the terrain holds, and how a bead is laid over the cells it covers. No paths and no travels here.

A record is 64 bytes: five words of samples (raster.py) and five float32 numbers, read through two views of one memory.
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

# Columns of a record seen as 8 words: samples of the top layer, of what carries it, curled ones of both, and those of
# the path that touched the cell last.
TOP, BELOW, TOP_CURL, BELOW_CURL, OWN = 0, 1, 2, 3, 4
# Columns of the same record seen as 16 singles: heights, curl allowances, and the number of that path.
Z_TOP, Z_BELOW, C_TOP, C_BELOW, OWNER = 10, 11, 12, 13, 14
RECORD_WORDS = 8

SAME_LAYER = 0.4  # layer heights; beads closer in Z than this belong to one layer
BENEATH = 1.5  # layer heights; material this far beneath the top of a bead carries it

ALL = np.uint64(0xFFFFFFFFFFFFFFFF)
NONE = np.uint64(0)
ZERO = np.float32(0.0)

# Columns of what a bead met: samples covered, samples with nothing beneath, the most of those in one cell, allowance
# beneath (mm), samples that lie under something printed before.
COVERED, FREE, MOST, CURL, UNDER = 0, 1, 2, 3, 4


@kernel
def layer_before(
    words: Words, singles: Singles, i: int, z: float, h: float
) -> tuple[np.uint64, np.uint64, np.float32]:
    """Samples of cell i that carry a bead with top z, the curled ones among them, and their allowance in mm."""
    reach = np.float32(z - BENEATH * h)
    carry, curled, c = NONE, NONE, ZERO
    if reach <= ZERO:
        carry = ALL
    if singles[i, Z_BELOW] >= reach:
        carry |= words[i, BELOW]
        curled, c = words[i, BELOW_CURL], singles[i, C_BELOW]
    z_top = singles[i, Z_TOP]
    if reach <= z_top < np.float32(z - SAME_LAYER * h):
        carry |= words[i, TOP]
        curled |= words[i, TOP_CURL]
        c = max(c, singles[i, C_TOP])
    return carry, curled, c


@kernel
def lay(
    words: Words, singles: Singles, tiles: Singles, cells: Integers, covers: Words, n: int,
    z: float, h: float, owner: float, seen: Floats,
) -> None:  # fmt: skip
    """Lay the n covered cells of one straight bead (z and h in mm); `seen` says what it met."""
    z32, owner32 = np.float32(z), np.float32(owner)
    low, high = np.float32(z - SAME_LAYER * h), np.float32(z + SAME_LAYER * h)
    covered = free = most = under = np.uint64(0)
    curl = ZERO
    for k in range(n):
        i, word = cells[k], covers[k]
        if tiles[i >> 6] < z32:
            tiles[i >> 6] = z32
        carry, curled, c = layer_before(words, singles, i, z, h)
        z_top = singles[i, Z_TOP]
        if z_top < low:
            words[i, BELOW], words[i, BELOW_CURL], singles[i, C_BELOW] = carry, curled, c
            words[i, TOP], words[i, TOP_CURL], singles[i, C_TOP] = word, NONE, ZERO
            singles[i, Z_BELOW], singles[i, Z_TOP] = z_top, z32
        elif z_top <= high:
            words[i, TOP] |= word
            if z32 > z_top:
                singles[i, Z_TOP] = z32
        else:
            under += count_bits(word)
        if singles[i, OWNER] != owner32:
            singles[i, OWNER] = owner32
            words[i, OWN] = word
        else:
            words[i, OWN] |= word
        covered += count_bits(word)
        bare = count_bits(word & ~carry)
        free += bare
        most = max(most, bare)
        if (word & curled) != NONE:
            curl = max(curl, c)
    seen[COVERED], seen[FREE], seen[MOST], seen[CURL], seen[UNDER] = covered, free, most, curl, under


@kernel
def look(
    words: Words, singles: Singles, cells: Integers, covers: Words, n: int, z: float, h: float, seen: Floats
) -> None:
    """The same answer as `lay` for covered cells that are already laid, changing nothing; MOST and UNDER stay 0."""
    covered = free = np.uint64(0)
    curl = ZERO
    for k in range(n):
        i, word = cells[k], covers[k]
        carry, curled, c = layer_before(words, singles, i, z, h)
        covered += count_bits(word)
        free += count_bits(word & ~carry)
        if (word & curled) != NONE:
            curl = max(curl, c)
    seen[COVERED], seen[FREE], seen[MOST], seen[CURL], seen[UNDER] = covered, free, 0.0, curl, 0.0


@kernel
def raise_curl(
    words: Words, singles: Singles, tiles: Singles, cells: Integers, covers: Words, n: int,
    z: float, h: float, c: float,
) -> None:  # fmt: skip
    """Write the allowance c (mm) on laid cells; a cell keeps the greatest of its layer."""
    same = np.float32(SAME_LAYER * h)
    z32, c32 = np.float32(z), np.float32(c)
    for k in range(n):
        i, word = cells[k], covers[k]
        if abs(singles[i, Z_TOP] - z32) <= same:
            words[i, TOP_CURL] |= word
            singles[i, C_TOP] = max(singles[i, C_TOP], c32)
            tiles[i >> 6] = max(tiles[i >> 6], singles[i, Z_TOP] + c32)
