"""Does the nozzle strike on its way? Exact in the way's length: no sampling along it.

For each straight piece and each cell whose centre comes under the nozzle's flat, the stretch of the
piece on which it does is a closed interval. The way's height is linear on it, so its least height over
the interval outside the waived ends decides. Straight up or down is no stretch.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .gaps import Beads, Ways
from .ground import Ground, centres, row_span

LEAST_STRETCH_MM = 1e-6


class Verdicts:
    """One row a gap and column a rewrite: struck, deepest mm of overlap, where (mm along), peak height struck."""

    def __init__(self, gaps: int, rewrites: int) -> None:
        self.struck = np.zeros((gaps, rewrites), np.bool_)
        self.depth = np.zeros((gaps, rewrites))
        self.where = np.zeros((gaps, rewrites))
        self.peak = np.zeros((gaps, rewrites))


def judge_ways(ground: Ground, beads: Beads, rewrites: list[Ways]) -> Verdicts:
    """Print the job bead by bead, and at every gap judge the way of every rewrite against the ground."""
    after = rewrites[0].after
    verdicts = Verdicts(after.size, len(rewrites))
    mark = np.full(ground.top.shape, -1, np.int32)
    tables = [(ways.at, ways.ends, ways.length()) for ways in rewrites]
    path_end = np.searchsorted(beads.path, beads.path, side="right")
    printed = 0
    for gap in range(after.size):
        bead = int(after[gap])
        if bead + 1 > printed:
            ground.print_paths(printed, bead + 1)
            printed = bead + 1
        self_path = int(beads.path[bead])
        following = int(path_end[bead + 1])
        n = ground.numbers
        _mark(mark, gap, bead + 1, following, beads.ends, ground.width, ground.origin, ground.step,
              n.waived_mm + 0.5 * n.flat_mm)
        for column, (at, ends, length) in enumerate(tables):
            if length[gap] <= 1e-3:
                continue
            result = _judge(ends, at[gap], at[gap + 1], length[gap], ground.top, ground.curl, ground.owner, mark, gap,
                            self_path, ground.origin, ground.step, 0.5 * n.flat_mm, n.threshold_mm, n.waived_mm)
            (verdicts.struck[gap, column], verdicts.depth[gap, column], verdicts.where[gap, column],
             verdicts.peak[gap, column]) = result
    if printed < len(beads.path):
        ground.print_paths(printed, len(beads.path))
    return verdicts


@njit(cache=True)
def _mark(mark, gap, first, last, ends, width, origin, step, reach):
    """Cells that the next path will cover near its beginning."""
    sx, sy = ends[first, 0], ends[first, 1]
    for b in range(first, last):
        ax, ay, _, bx, by, _ = ends[b]
        r = 0.5 * width[b]
        if (min(ax, bx) - r > sx + reach or max(ax, bx) + r < sx - reach or min(ay, by) - r > sy + reach
                or max(ay, by) + r < sy - reach):
            continue
        y0, y1 = max(min(ay, by) - r, sy - reach), min(max(ay, by) + r, sy + reach)
        for iy in range(int((y0 - origin[1]) / step), int((y1 - origin[1]) / step) + 1):
            lo, hi = row_span(ax, ay, bx, by, r, origin[1] + (iy + 0.5) * step)
            ix0, ix1 = centres(max(lo, sx - reach), min(hi, sx + reach), origin[0], step)
            for ix in range(ix0, ix1 + 1):
                mark[iy, ix] = gap


@njit(cache=True)
def _judge(ends, first, last, total, top, curl, owner, mark, gap, path, origin, step, r, threshold, waived):
    """(struck, deepest overlap, where along the way, peak height struck) of one way."""
    ny, nx = top.shape
    s0 = 0.0
    struck = False
    deepest, where, peak = 0.0, 0.0, 0.0
    for row in range(first, last):
        ax, ay, az, bx, by, bz = ends[row]
        length = math.hypot(bx - ax, by - ay)
        if length == 0.0:
            continue
        ux, uy = (bx - ax) / length, (by - ay) / length
        floor = min(az, bz) + threshold
        iy0 = max(0, int((min(ay, by) - r - origin[1]) / step))
        iy1 = min(ny - 1, int((max(ay, by) + r - origin[1]) / step))
        for iy in range(iy0, iy1 + 1):
            y = origin[1] + (iy + 0.5) * step
            lo, hi = row_span(ax, ay, bx, by, r, y)
            ix0, ix1 = centres(lo, hi, origin[0], step)
            for ix in range(max(0, ix0), min(nx - 1, ix1) + 1):
                height = float(top[iy, ix]) + float(curl[iy, ix])
                if height <= floor:
                    continue
                x = origin[0] + (ix + 0.5) * step
                t = (x - ax) * ux + (y - ay) * uy
                q = (x - ax) * uy - (y - ay) * ux
                half = math.sqrt(max(0.0, r * r - q * q))
                t0, t1 = max(0.0, t - half), min(length, t + half)
                if owner[iy, ix] == path:
                    t0 = max(t0, waived - s0)
                if mark[iy, ix] == gap:
                    t1 = min(t1, total - waived - s0)
                if t1 - t0 <= LEAST_STRETCH_MM:
                    continue
                z0, z1 = az + (bz - az) * t0 / length, az + (bz - az) * t1 / length
                overlap = height - threshold - min(z0, z1)
                if overlap > 1e-6:
                    struck = True
                    peak = max(peak, height)
                    if overlap > deepest:
                        deepest = overlap
                        where = s0 + (t0 if z0 <= z1 else t1)
        s0 += length
    return struck, deepest, where, peak
