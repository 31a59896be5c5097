"""The numbers a verdict rests on, in one place, so that they can be printed beside every table."""

from __future__ import annotations

from dataclasses import asdict, dataclass

# Shares of a bead's width from which it counts as fully free, and how far (in bead widths) a free
# stretch may taper before it must rest on something to be held at that end.
FREE_SHARE = 0.9
TAPER_WIDTHS = 2.0


@dataclass(frozen=True, slots=True)
class Numbers:
    """Lengths in mm, areas in mm²; curl numbers as the materials of the rules carry them."""

    grid_mm: float = 0.1
    flat_mm: float = 1.0
    threshold_mm: float = 0.03
    waived_mm: float = 1.2
    clearance_mm: float = 0.15
    onset: float = 0.4
    gain: float = 0.5
    cap_mm: float = 0.5
    decay: float = 0.5
    nozzle_mm: float = 0.4
    filament_mm: float = 1.75
    g90_sets_extrusion: bool = False
    shift_mm: float = 0.0
    support_on_cells: bool = False
    tip_mm: float = 0.1  # overhanging stretches up to this long don't curl: the ground's cells show nothing shorter

    def sentence(self) -> str:
        """All of it on one line, for the foot of a table."""
        return ", ".join(f"{key} {value}" for key, value in asdict(self).items())
