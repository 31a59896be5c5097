"""One straight bead laid on its cells (covering.py), and what it met there.

In: the terrain's records (cells.py), the bead's cells with the samples it covers in each. Out: the bead in the records,
the samples of each cell that hang free, and sums over the bead.
"""

from __future__ import annotations

import numpy as np

from liftwright.kernels import inlined
from liftwright.plan.cells import C_BELOW, NONE, SAME_LAYER, SIX, TOP, Z_TOP, Cells, Singles, carriers, has_curl, push
from liftwright.plan.raster import Integers, Words, count_bits

# What a bead met: samples covered, with nothing beneath, the most of those in one cell, under something printed before;
# whether an allowance lies beneath any of its cells.
S_COVERED, S_FREE, S_MOST, S_UNDER, S_CURL = range(5)
SUMS = 5


@inlined
def lay_cells(
    words: Words, singles: Singles, tops: Singles, curled: Words, cells: Cells, covers: Words, z: float, h: float,
    bares: Words, sums: Integers,
) -> None:  # fmt: skip
    """Lay a bead on its cells; z, h: its top and layer height, mm."""
    z32, low, high = np.float32(z), np.float32(z - SAME_LAYER * h), np.float32(z + SAME_LAYER * h)
    covered = free = under = most = np.uint64(0)
    beneath = NONE
    for k in range(cells.size):
        at = np.uint64(k)
        i, word = np.uint64(cells[at]), covers[at]
        tile = i >> SIX
        if tops[tile] < z32:
            tops[tile] = z32
        bits = count_bits(word)
        top = singles[i, Z_TOP]
        if top < low:
            carry = push(words, singles, curled, i, z, h)
            words[i, TOP] = word
        else:
            carry = carriers(words, singles, i, z, h)
            if top <= high:
                words[i, TOP] |= word
                singles[i, Z_TOP] = max(top, z32)
            else:
                under += bits
        bare = word & ~carry
        bares[at] = bare
        covered += bits
        free += count_bits(bare)
        most = max(most, count_bits(bare))
        if has_curl(curled, i):
            beneath |= words[i, C_BELOW] | words[i, C_BELOW + 1]
    sums[S_COVERED], sums[S_FREE], sums[S_UNDER], sums[S_MOST] = covered, free, under, most
    sums[S_CURL] = 0 if beneath == NONE else 1
