"""Edge heights of the gauge's fins → onset, gain and cap of a material's curl entry, with what each may be.

The rule of the allowance is taken as given: after leaning over H mm an edge with the unsupported share u stands at
min(cap, H · gain · (u - onset) / (1 - onset)), and at 0 up to the onset. Every triple on a fine grid is tried; those
that break the readings least are all answers. The one nearest to their mean is proposed, their extremes are the
uncertainty. Nothing else, such as a normal error, is supposed of readings of which there are ten.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from liftwright.evidence.reading import EdgeHeights

Floats = NDArray[np.float64]

ONSETS = np.arange(0.0, 0.801, 0.01)
GAINS = np.concatenate([np.arange(0.01, 1.0, 0.01), np.arange(1.0, 3.01, 0.05)])
CAPS = np.concatenate([np.arange(0.05, 1.0, 0.01), np.arange(1.0, 1.51, 0.1)])
AS_GOOD_MM = 1e-9  # in all; equal but for rounding


@dataclass(frozen=True, slots=True)
class Estimate:
    """A number, and the least and greatest value that fits the readings as well. `open_above`: no upper bound seen."""

    value: float
    low: float
    high: float
    open_above: bool = False


@dataclass(frozen=True, slots=True)
class CurlEstimate:
    """onset (share), gain (mm per mm), cap (mm). misfit_mm: by how much the best triples break the readings, in all.

    cautious: of the triples that fit, the one with the tallest edges: (onset, gain, cap).
    """

    onset: Estimate
    gain: Estimate
    cap: Estimate
    misfit_mm: float
    cautious: tuple[float, float, float]


def fit_curl(heights: EdgeHeights) -> CurlEstimate | None:
    """The numbers that fit; None where no fin was touched, so that nothing but their lack of curl is known."""
    if max(heights.low) == 0.0:
        return None
    edges = _edges(heights)  # (onset, gain, cap, fin)
    low = np.array(heights.low)
    high = np.array([np.inf if top is None else top for top in heights.high])
    misfit = (np.maximum(low - edges, 0.0) + np.maximum(edges - high, 0.0)).sum(-1)
    fits = misfit <= misfit.min() + AS_GOOD_MM
    triples = np.stack([grid[at] for grid, at in zip((ONSETS, GAINS, CAPS), np.nonzero(fits), strict=True)])
    middle = triples[:, _nearest_to_mean(triples)]
    onset, gain, cap = (_estimate(*one) for one in zip(middle, triples, (ONSETS, GAINS, CAPS), strict=True))
    a, b, c = triples[:, int(np.argmax(edges[fits].sum(-1)))]
    return CurlEstimate(onset, gain, cap, float(misfit.min()), (float(a), float(b), float(c)))


def _nearest_to_mean(triples: Floats) -> int:
    """Index of the triple nearest to the mean, each number in its own spread."""
    spread = np.maximum(triples.std(1, keepdims=True), 1e-9)
    away: Floats = (((triples - triples.mean(1, keepdims=True)) / spread) ** 2).sum(0)
    return int(np.argmin(away))


def _edges(heights: EdgeHeights) -> Floats:
    """The height of every fin's edge for every triple."""
    shares = np.array(heights.shares)
    onset = ONSETS[:, None]
    lean = np.maximum(shares - onset, 0.0) / (1.0 - onset)
    grown = heights.leaning_mm * GAINS[None, :, None] * lean[:, None, :]
    edges: Floats = np.minimum(grown[:, :, None, :], CAPS[None, None, :, None])
    return edges


def _estimate(middle: float, found: Floats, grid: Floats) -> Estimate:
    """A number that the gauge doesn't bound from above is proposed at its least."""
    low, high = float(found.min()), float(found.max())
    is_open = bool(high == grid[-1])
    return Estimate(round(low if is_open else float(middle), 3), round(low, 3), round(high, 3), is_open)
