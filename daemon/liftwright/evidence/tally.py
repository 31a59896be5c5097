"""A job counted layer by layer: beads, travels, lifts, strikes; and which layers a page of limited size can draw.

In: every window of a pass, as it is written. Out: columns, one entry a layer from 0 (`CostClock` says what a layer is).
A travel counts with the layer from which it starts.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from liftwright.job.columns import BEAD
from liftwright.plan.travels import FREE, NO_WAY
from liftwright.write import Glance

Counts = NDArray[np.int64]
BEADS, TRAVELS, LIFTS, STRIKES_BEFORE, STRIKES_AFTER, N_COUNTS = range(6)
# Characters that a bead and a travel take on a page, about; measured on the examples and on real jobs.
BEAD_COSTS, TRAVEL_COSTS, LAYER_COSTS = 4.5, 100.0, 60.0
WORST_SHARE = 0.3  # of the room goes to the layers with the most strikes, the rest to layers at even steps


@dataclass
class Tally:
    """The columns, `counts[BEADS]` and so on; `add` is the watch of one pass."""

    counts: Counts = field(default_factory=lambda: np.zeros((N_COUNTS, 0), np.int64))

    def add(self, glance: Glance) -> None:
        """Add one window; the plan must be `judged`."""
        assert glance.before is not None
        assert glance.after is not None
        moves, travels = glance.window.moves, glance.travels
        layers = int(glance.layer.max(initial=-1)) + 1
        if layers > self.counts.shape[1]:
            more = np.zeros((N_COUNTS, layers - self.counts.shape[1]), np.int64)
            self.counts = np.concatenate([self.counts, more], axis=1)
        # Row 0 stands for the row with which the window before ended.
        beads = np.flatnonzero(moves.kind[1:] == BEAD) + 1
        seen = glance.lifts.reason != NO_WAY
        start = glance.layer[travels.first]
        self._count(BEADS, glance.layer[beads])
        self._count(TRAVELS, start[seen])
        self._count(LIFTS, start[glance.lifts.reason == FREE])
        self._count(STRIKES_BEFORE, start[glance.before > 0])
        self._count(STRIKES_AFTER, start[glance.after > 0])

    def _count(self, what: int, layer: Counts) -> None:
        found = np.bincount(layer[layer >= 0], minlength=self.counts.shape[1])
        self.counts[what] += found

    def worst(self, most: int) -> list[int]:
        """The layers with the most strikes of the job as it came, the worst first; none without a strike."""
        strikes = self.counts[STRIKES_BEFORE]
        order = np.lexsort((np.arange(len(strikes)), -strikes))[:most]
        return [int(layer) for layer in order if strikes[layer] > 0]


def chosen(tally: Tally, room: int) -> list[int]:
    """The layers to draw within `room` characters, in order: all of them, or the worst and even steps between.

    The first and the last are always there.
    """
    costs = LAYER_COSTS + BEAD_COSTS * tally.counts[BEADS] + TRAVEL_COSTS * tally.counts[TRAVELS]
    layers = len(costs)
    if costs.sum() <= room:
        return list(range(layers))
    found: set[int] = {0, layers - 1}
    spent = float(costs[[0, layers - 1]].sum())
    for layer in tally.worst(layers):
        if layer not in found and spent + costs[layer] <= WORST_SHARE * room:
            found.add(layer)
            spent += costs[layer]
    step = 1
    while step < layers and _even_costs(costs, found, step) > room - spent:
        step += 1
    return sorted(found | set(range(0, layers, step)))


def _even_costs(costs: NDArray[np.float64], found: set[int], step: int) -> float:
    """What the layers at even steps would add; nothing once only the first is left."""
    return float(sum(costs[layer] for layer in range(0, len(costs), step) if layer not in found))
