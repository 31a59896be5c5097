"""The shapes of fixed height as tabulated, in plain words of Python; vertices (s, z) from (0, z0) to (L, z1)."""

from itertools import pairwise

Profile = list[tuple[float, float]]
NOISE = 1e-6  # mm


def profile_of(
    shape: str, length: float, z0: float, z1: float, top: float, free_slope: float, max_slope: float
) -> Profile:
    """The side view of a lift whose highest point is `top`."""
    if shape == "square":
        return [(0.0, z0), (0.0, top), (length, top), (length, z1)]
    if shape == "triangle":
        return bounded(z0, (length / 2, top), (length, z1), max_slope)
    if shape == "sawtooth":
        return bounded(z0, (length, top), (length, z1), max_slope)
    assert shape == "trapezoid"
    climb, fall = top - z0, top - z1
    if climb / max_slope + fall / max_slope > length:  # too steep even at the bound: steps
        return bounded(z0, (length * climb / (climb + fall), top), (length, z1), max_slope)
    slope = min(free_slope, max_slope)
    if climb / slope + fall / slope > length:  # too steep for the free slope: the triangle that just fits
        slope = (climb + fall) / length
    return plain([(0.0, z0), (climb / slope, top), (length - fall / slope, top), (length, z1)])


def bounded(z0: float, peak: tuple[float, float], end: tuple[float, float], max_slope: float) -> Profile:
    """Up to the peak and down to the end; whatever the slopes can't climb is a straight step at that end."""
    (middle, top), (length, z1) = peak, end
    foot = max(z0, top - max_slope * middle)
    shoulder = max(z1, top - max_slope * (length - middle))
    return plain([(0.0, z0), (0.0, foot), (middle, top), (length, shoulder), (length, z1)])


def plain(profile: Profile) -> Profile:
    """Without vertices that repeat their neighbour."""
    kept = profile[:1]
    for vertex in profile[1:]:
        if abs(vertex[0] - kept[-1][0]) > NOISE or abs(vertex[1] - kept[-1][1]) > NOISE:
            kept.append(vertex)
    kept[-1] = profile[-1]
    return kept


def flattened(points: list[tuple[float, float, float]]) -> Profile:
    """The job's own points (x, y, z) cut off at the higher end; level runs are one piece."""
    ceiling = max(points[0][2], points[-1][2])
    profile = [(0.0, points[0][2])]
    s = 0.0
    for (x0, y0, below), (x1, y1, z) in pairwise(points):
        way = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
        low, high = sorted((below, z))
        if way and low < ceiling - NOISE and high > ceiling + NOISE:
            profile.append((s + way * abs((ceiling - below) / (z - below)), ceiling))
        s += way
        profile.append((s, min(z, ceiling)))
    kept = profile[:1]
    for k, vertex in enumerate(profile[1:], 1):
        level = k + 1 < len(profile) and kept[-1][1] == vertex[1] == profile[k + 1][1]
        if not level and vertex != kept[-1]:
            kept.append(vertex)
    return kept
