"""What stands on the bed, on a fine square grid, with the curl allowance, grown bead by bead.

Per cell: the top of what is printed, the curl allowance on it, the same two for the layer before, and
the path that printed the top. A cell belongs to a bead when its centre lies within the bead's
footprint: half a width around the bead's line, round at both ends.

The overhang share is measured at stations of at most one cell along the bead, in a row of samples across
it. A sample is supported when a bead that reaches under it ends between half and one and a half layer
heights below the top of the bead in question. `support_on_cells` asks the cells instead of the beads, in
samples of half a cell: coarser, and its answer depends on where the grid lies; it serves to see how much
a verdict hangs on that. Numbers: numbers.py.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .neighbours import MOST_UNDER, Neighbours, candidates, enter, supported
from .numbers import FREE_SHARE, TAPER_WIDTHS, Numbers

MARGIN_MM = 3.0
Z_NOISE = 0.01  # mm; tops closer than this to a limit count as reaching it
STALE_MM = 20.0  # so much bead below the ground in a row proves that the bed was cleared
LEAST_LAYER, MOST_LAYER = 0.04, 1.2  # mm; other steps of bead height are no layers
CHUNK_RISE = 0.25  # a path that climbs is taken in pieces of at most this share of a layer
CHUNK_STATIONS = 200_000
ACROSS_MM = 0.0125  # samples across a bead


class Ground:
    """The grid over all beads of one job; `print_paths` adds beads, `heights` gives top + curl."""

    def __init__(self, ends: np.ndarray, pushed: np.ndarray, path: np.ndarray, numbers: Numbers) -> None:
        self.numbers = numbers
        self.ends, self.path = ends, path
        self.height = layer_heights(ends)
        self.width = widths(ends, pushed, self.height, numbers)
        self.step = numbers.grid_mm
        xy = np.vstack([ends[:, 0:2], ends[:, 3:5]]) if len(ends) else np.zeros((1, 2))
        self.origin = np.floor(xy.min(0) - MARGIN_MM) + numbers.shift_mm - self.step
        nx, ny = np.ceil((xy.max(0) + MARGIN_MM - self.origin) / self.step).astype(int) + 2
        self.top = np.zeros((ny, nx), np.float32)
        self.curl = np.zeros((ny, nx), np.float32)
        self.top_before = np.zeros((ny, nx), np.float32)
        self.curl_before = np.zeros((ny, nx), np.float32)
        self.owner = np.full((ny, nx), -1, np.int32)
        self.neighbours = Neighbours(self.origin, (ny * self.step, nx * self.step))
        self.share = np.zeros(len(ends))  # mean overhang share of each bead
        self.restarts = np.zeros(1, np.int64)
        self.below = np.zeros(1)  # mm of bead below the ground in a row, up to now

    def print_paths(self, first: int, last: int) -> None:
        """Add beads first..last-1 (whole paths, in order)."""
        n = self.numbers
        curls = np.array([n.onset, n.gain, n.cap_mm, n.decay, FREE_SHARE, TAPER_WIDTHS, n.tip_mm])
        near = self.neighbours
        if not n.support_on_cells:
            near.reserve(self.ends, first, last)
        _print(first, last, self.ends, self.width, self.height, self.path, self.origin, self.step, self.top, self.curl,
               self.top_before, self.curl_before, self.owner, self.share, curls, self.below, self.restarts,
               n.support_on_cells, near.head, near.bead, near.after, near.used)


def layer_heights(ends: np.ndarray) -> np.ndarray:
    """Layer height of every bead: the last upward step of level beads when it was printed."""
    heights = np.empty(len(ends))
    _layer_heights(ends, heights)
    return heights


@njit(cache=True)
def _layer_heights(ends, heights):
    levels = np.empty(ends.shape[0] + 1)
    n = 0
    now = 0.0
    step = 0.0
    for b in range(ends.shape[0]):
        z = ends[b, 5]
        if abs(z - ends[b, 2]) < 1e-6 and abs(z - now) > 0.02:
            if z > now:
                rise = z - now
            else:  # down again: what lies beneath is the highest level below
                floor = 0.0
                for k in range(n):
                    if levels[k] < z - 0.02 and levels[k] > floor:
                        floor = levels[k]
                rise = z - floor
            if LEAST_LAYER <= rise <= MOST_LAYER:
                step = rise
            now = z
            seen = False
            for k in range(n - 1, -1, -1):
                if abs(levels[k] - z) < 0.005:
                    seen = True
                    break
            if not seen:
                levels[n] = z
                n += 1
        if step == 0.0 and LEAST_LAYER <= z <= MOST_LAYER:
            step = z
        heights[b] = step if step > 0.0 else 0.2


def widths(ends: np.ndarray, pushed: np.ndarray, height: np.ndarray, numbers: Numbers) -> np.ndarray:
    """Bead width from its volume: a flat middle between two half circles of the layer's height."""
    length = np.sqrt(((ends[:, 3:6] - ends[:, 0:3]) ** 2).sum(1))
    area = math.pi * numbers.filament_mm**2 / 4 * pushed / np.maximum(length, 1e-9)
    return np.clip(area / height + height * (1 - math.pi / 4), 0.5 * numbers.nozzle_mm, 3 * numbers.nozzle_mm)


@njit(cache=True)
def row_span(ax, ay, bx, by, r, y):
    """x-interval where the line y meets the points within r of the segment a-b; empty if lo > hi."""
    lo, hi = 1e30, -1e30
    for k in range(2):
        px, py = (ax, ay) if k == 0 else (bx, by)
        d = r * r - (y - py) ** 2
        if d >= 0.0:
            d = math.sqrt(d)
            lo, hi = min(lo, px - d), max(hi, px + d)
    dx, dy = bx - ax, by - ay
    length = math.sqrt(dx * dx + dy * dy)
    if length > 0.0:
        nx, ny = -dy / length * r, dx / length * r
        for k in range(4):  # the four sides of the rectangle around the segment
            if k == 0:
                px, py, qx, qy = ax + nx, ay + ny, bx + nx, by + ny
            elif k == 1:
                px, py, qx, qy = bx + nx, by + ny, bx - nx, by - ny
            elif k == 2:
                px, py, qx, qy = bx - nx, by - ny, ax - nx, ay - ny
            else:
                px, py, qx, qy = ax - nx, ay - ny, ax + nx, ay + ny
            if min(py, qy) <= y <= max(py, qy):
                if qy == py:
                    lo, hi = min(lo, px, qx), max(hi, px, qx)
                else:
                    x = px + (qx - px) * (y - py) / (qy - py)
                    lo, hi = min(lo, x), max(hi, x)
    return lo, hi


@njit(cache=True)
def centres(lo, hi, origin, step):
    """First and last cell whose centre lies in [lo, hi]; last < first if none does."""
    if lo > hi:
        return 0, -1
    return math.ceil((lo - origin) / step - 0.5), math.floor((hi - origin) / step - 0.5)


@njit(cache=True)
def _stations(length, step):
    return max(1, math.ceil(length / step))


@njit(cache=True)
def _print(first, last, ends, width, height, path, origin, step, top, curl, top_before, curl_before, owner, share,
           curls, below, restarts, on_cells, head, listed, after, used):
    begin = first
    held = False  # whether the station before this chunk, on the same path, was supported
    while begin < last:
        stop = begin + 1
        count = _stations(math.hypot(ends[begin, 3] - ends[begin, 0], ends[begin, 4] - ends[begin, 1]), step)
        while stop < last and path[stop] == path[begin] and count < CHUNK_STATIONS:
            if abs(ends[stop, 5] - ends[begin, 2]) > CHUNK_RISE * height[begin]:
                break
            count += _stations(math.hypot(ends[stop, 3] - ends[stop, 0], ends[stop, 4] - ends[stop, 1]), step)
            stop += 1
        same = begin > first and path[begin - 1] == path[begin]
        held = _print_chunk(begin, stop, count, held and same, ends, width, height, path, origin, step, top, curl,
                            top_before, curl_before, owner, share, curls, below, restarts, on_cells, head, listed,
                            after)
        if not on_cells:
            for b in range(begin, stop):
                enter(b, ends, origin, head, listed, after, used)
        begin = stop


@njit(cache=True)
def _print_chunk(begin, stop, count, held, ends, width, height, path, origin, step, top, curl, top_before, curl_before,
                 owner, share, curls, below, restarts, on_cells, head, listed, after):
    u = np.empty(count)
    c = np.empty(count)
    run = np.empty(count)  # XY length of each station
    k = 0
    for b in range(begin, stop):
        k = _measure(b, k, ends, width, height, origin, step, top, curl, top_before, curl_before, u, c, run, share,
                     curls, below, restarts, on_cells, head, listed, after)
    w = width[begin]
    _free_bridges(u, c, run, w, held, curls)
    _free_tips(u, c, run, curls)
    k = 0
    for b in range(begin, stop):
        k = _stamp(b, k, ends, width, height, path, origin, step, top, curl, top_before, curl_before, owner, c)
    return u[count - 1] <= curls[0]


@njit(cache=True)
def _layer_before(iy, ix, z, h, top, curl, top_before, curl_before):
    """(top, curl) of what lay in the cell before the layer at z."""
    if top[iy, ix] > z - 0.5 * h:
        return top_before[iy, ix], curl_before[iy, ix]
    return top[iy, ix], curl[iy, ix]


@njit(cache=True)
def _measure(b, k, ends, width, height, origin, step, top, curl, top_before, curl_before, u, c, run, share, curls,
             below, restarts, on_cells, head, listed, after):
    """Overhang share and curl allowance of every station of bead b; returns the next station's index."""
    onset, gain, cap, decay = curls[0], curls[1], curls[2], curls[3]
    ax, ay, az, bx, by, bz = ends[b]
    length = math.hypot(bx - ax, by - ay)
    n = _stations(length, step)
    w, h = width[b], height[b]
    ux, uy = ((bx - ax) / length, (by - ay) / length) if length > 0 else (1.0, 0.0)
    across = max(2, math.ceil(w / (0.5 * step if on_cells else ACROSS_MM)))
    under_it = np.empty(MOST_UNDER, np.int64)
    total = 0.0
    for i in range(n):
        f = (i + 0.5) / n
        px, py, z = ax + f * (bx - ax), ay + f * (by - ay), az + f * (bz - az)
        found = 0 if on_cells else candidates(px, py, z, h, 0.5 * w, ends, width, origin, head, listed, after, under_it)
        free = 0
        deepest = 0.0
        highest = 0.0
        for j in range(across):
            d = ((j + 0.5) / across - 0.5) * w
            qx, qy = px - uy * d, py + ux * d
            ix = int((qx - origin[0]) / step)
            iy = int((qy - origin[1]) / step)
            if top[iy, ix] > highest:
                highest = top[iy, ix]
            under, allowance = _layer_before(iy, ix, z, h, top, curl, top_before, curl_before)
            rests = under >= z - 1.5 * h - Z_NOISE
            if rests:
                deepest = max(deepest, allowance)
            if not on_cells and z > 1.5 * h + Z_NOISE:
                rests = supported(qx, qy, found, ends, width, under_it)
            if not rests:
                free += 1
        if highest > z + 1.5 * h:
            below[0] += length / n
            if below[0] > STALE_MM:  # a new print on a cleared bed
                top[:] = 0.0
                curl[:] = 0.0
                top_before[:] = 0.0
                curl_before[:] = 0.0
                below[0] = 0.0
                restarts[0] += 1
                head[:] = -1
                free, deepest = (0 if z <= 1.5 * h + Z_NOISE else across), 0.0
        else:
            below[0] = 0.0
        u[k] = free / across
        run[k] = length / n
        total += u[k]
        if z <= h + Z_NOISE:
            c[k] = 0.0  # first layer
        elif u[k] <= onset:
            c[k] = decay * deepest
        else:
            beside = _beside(px, py, z, h, w, origin, step, top, curl, top_before, curl_before)
            c[k] = min(cap, max(deepest, beside) + gain * h * (u[k] - onset) / (1.0 - onset))
        k += 1
    share[b] = total / n
    return k


@njit(cache=True)
def _beside(px, py, z, h, w, origin, step, top, curl, top_before, curl_before):
    """The greatest allowance of the layer before within 1.5 bead widths of the station: as far as the edge
    of a bead from which the last one stands off by two."""
    found = 0.0
    r = int(1.5 * w / step)
    cx, cy = int((px - origin[0]) / step), int((py - origin[1]) / step)
    for iy in range(cy - r, cy + r + 1):
        for ix in range(cx - r, cx + r + 1):
            if (ix - cx) ** 2 + (iy - cy) ** 2 > r * r:
                continue
            under, allowance = _layer_before(iy, ix, z, h, top, curl, top_before, curl_before)
            if allowance > found and under >= z - 1.5 * h - Z_NOISE:
                found = allowance
    return found


@njit(cache=True)
def _free_bridges(u, c, run, w, held, curls):
    """No curl on free stretches that rest on supported bead at both ends of the same path."""
    onset, free_share, taper = curls[0], curls[4], curls[5] * w
    n = u.size
    i = 0
    while i < n:
        if u[i] < free_share:
            i += 1
            continue
        j = i
        while j < n and u[j] >= free_share:
            j += 1
        lo, walked = i - 1, 0.0
        while lo >= 0 and u[lo] > onset and walked <= taper:
            walked += run[lo]
            lo -= 1
        left = held if lo < 0 else u[lo] <= onset
        hi, walked = j, 0.0
        while hi < n and u[hi] > onset and walked <= taper:
            walked += run[hi]
            hi += 1
        right = hi < n and u[hi] <= onset
        if left and right:
            for k in range(lo + 1, hi):
                c[k] = 0.0
        i = j
    return


@njit(cache=True)
def _free_tips(u, c, run, curls):
    """No curl on overhanging stretches of at most `tip_mm`: ends of lines that reach over a slit."""
    i = 0
    while i < u.size:
        j, length = i, 0.0
        while j < u.size and u[j] > curls[0]:
            length += run[j]
            j += 1
        if length <= curls[6]:
            c[i:j] = 0.0
        i = max(j, i + 1)


@njit(cache=True)
def _stamp(b, k, ends, width, height, path, origin, step, top, curl, top_before, curl_before, owner, c):
    """Lay bead b onto the grid; returns the next bead's first station."""
    ax, ay, az, bx, by, bz = ends[b]
    r, h = 0.5 * width[b], height[b]
    length = math.hypot(bx - ax, by - ay)
    n = _stations(length, step)
    ux, uy = ((bx - ax) / length, (by - ay) / length) if length > 0 else (1.0, 0.0)
    for iy in range(int((min(ay, by) - r - origin[1]) / step), int((max(ay, by) + r - origin[1]) / step) + 1):
        y = origin[1] + (iy + 0.5) * step
        lo, hi = row_span(ax, ay, bx, by, r, y)
        ix0, ix1 = centres(lo, hi, origin[0], step)
        for ix in range(ix0, ix1 + 1):
            x = origin[0] + (ix + 0.5) * step
            t = min(max(((x - ax) * ux + (y - ay) * uy), 0.0), length)
            f = t / length if length > 0 else 0.0
            z = az + f * (bz - az)
            allowance = c[k + min(n - 1, int(f * n))]
            if z > top[iy, ix] + 0.5 * h:
                top_before[iy, ix] = top[iy, ix]
                curl_before[iy, ix] = curl[iy, ix]
                top[iy, ix] = z
                curl[iy, ix] = allowance
                owner[iy, ix] = path[b]
            elif z >= top[iy, ix] - 0.5 * h:
                top[iy, ix] = max(top[iy, ix], z)
                curl[iy, ix] = max(curl[iy, ix], allowance)
                owner[iy, ix] = path[b]
    return k + n
