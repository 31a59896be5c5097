"""Ways with textbook lifts, made from the ways of a job: to try the judge without any rewriter."""

from __future__ import annotations

import numpy as np

from .gaps import Ways, pinned_flat


def lifted(ways: Ways, shape: str, height_mm: float, least_mm: float) -> Ways:
    """`square`, `triangle` or `sawtooth` of that height on every way of at least `least_mm` XY length."""
    flat = pinned_flat(ways)
    length = ways.length()
    rows, at = [], [0]
    for gap in range(ways.after.size):
        own = flat.ends[flat.at[gap]:flat.at[gap + 1]]
        rows.extend(_shape(own, length[gap], shape, height_mm) if length[gap] >= least_mm else own.tolist())
        at.append(len(rows))
    ends = np.array(rows, dtype=float).reshape(-1, 6)
    return Ways(ways.after, np.array(at), ends, np.zeros(len(ends), np.uint8), ways.wiped, ways.line)


def _shape(own: np.ndarray, length: float, shape: str, height_mm: float) -> list[list[float]]:
    z0, z1 = own[0, 2], own[-1, 5]
    top = max(z0, z1) + height_mm
    marks = {"square": [(0.0, top), (length, top)], "triangle": [(length / 2, top)], "sawtooth": [(length, top)]}[shape]
    profile = [(0.0, z0), *marks, (length, z1)]
    out: list[list[float]] = []
    s, z = 0.0, z0
    x, y = own[0, 0], own[0, 1]
    for ax, ay, _, bx, by, _ in own:
        step = float(np.hypot(bx - ax, by - ay))
        if step == 0.0:
            continue
        stops = [m for m, _ in profile if s + 1e-9 < m < s + step - 1e-9] + [s + step]
        start = s
        for stop in stops:
            level = _height(profile, s, after=True)
            if level != z:
                out.append([x, y, z, x, y, level])
                z = level
            f = (stop - start) / step
            nx, ny, nz = ax + f * (bx - ax), ay + f * (by - ay), _height(profile, stop, after=False)
            out.append([x, y, z, nx, ny, nz])
            x, y, z, s = nx, ny, nz, stop
    if z != z1:
        out.append([x, y, z, x, y, z1])
    return out


def _height(profile: list[tuple[float, float]], s: float, *, after: bool) -> float:
    """Height of the profile just after or just before s: its vertical steps have two heights."""
    xs = np.array([p for p, _ in profile])
    zs = np.array([z for _, z in profile])
    same = np.flatnonzero(np.abs(xs - s) < 1e-9)
    if same.size:
        return float(zs[same[-1]] if after else zs[same[0]])
    return float(np.interp(s, xs, zs))
