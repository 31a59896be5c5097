"""A job and its rewrites in, one verdict for each out.

`judge(original, {"square": bytes, ...})` also judges the job with every lift taken out ("no lift") and
as it came. All rewrites must have the same beads; if one has not, `BeadsDiffer` says where.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from .gaps import LEAST_WAY_MM, Beads, Ways, pinned_flat, split
from .ground import Ground
from .measures import LIFTED_MM, Measures, measure
from .numbers import Numbers
from .reader import read
from .strikes import Verdicts, judge_ways

SAME_MM = 2e-6  # sums in relative jobs may differ in the last place


class BeadsDiffer(Exception):
    """A rewrite does not print the same beads: which, and the first line that differs."""


@dataclass(frozen=True, slots=True)
class Row:
    """One rewrite's verdict. Arrays have one entry a travel; sums are in mm."""

    name: str
    travels: int
    lifted: int
    strikes: int
    stroke: float
    reversals: int
    early: float
    path: float
    added_path: float
    changed: int
    changed_without_need: int
    struck: np.ndarray
    depth: np.ndarray
    where: np.ndarray
    line: np.ndarray
    measures: Measures


@dataclass(frozen=True, slots=True)
class Verdict:
    """Rows by name; which travels need a lift, and the least stroke (mm) that clears them by `clearance_mm`."""

    rows: dict[str, Row]
    needed: np.ndarray
    least_stroke: np.ndarray
    own_lift: np.ndarray
    peak: np.ndarray
    travel: np.ndarray
    beads: Beads
    ways: dict[str, Ways]
    ground: Ground


def judge(original: bytes, rewrites: Mapping[str, bytes], numbers: Numbers) -> Verdict:
    """Judge every rewrite of one job on one ground."""
    beads, came = _split(original, numbers)
    ways = {"no lift": pinned_flat(came), "as it came": came}
    for name, data in rewrites.items():
        theirs, ways[name] = _split(data, numbers)
        _same_beads(name, beads, theirs, came, ways[name])
    ground = Ground(beads.ends, beads.pushed, beads.path, numbers)
    verdicts = judge_ways(ground, beads, list(ways.values()))
    return _verdict(ways, verdicts, beads, ground, numbers)


def _split(data: bytes, numbers: Numbers) -> tuple[Beads, Ways]:
    return split(read(data, filament_mm=numbers.filament_mm, g90_sets_extrusion=numbers.g90_sets_extrusion))


def _same_beads(name: str, ours: Beads, theirs: Beads, came: Ways, ways: Ways) -> None:
    count = min(len(ours.pushed), len(theirs.pushed))
    wrong = (np.abs(ours.ends[:count] - theirs.ends[:count]) > SAME_MM).any(1)
    wrong |= np.abs(ours.pushed[:count] - theirs.pushed[:count]) > SAME_MM
    if wrong.any():
        at = int(np.argmax(wrong))
        raise BeadsDiffer(f"{name}: line {theirs.line[at]} prints {theirs.ends[at].tolist()}, "
                          f"the job's line {ours.line[at]} prints {ours.ends[at].tolist()}")
    if len(ours.pushed) != len(theirs.pushed):
        raise BeadsDiffer(f"{name}: {len(theirs.pushed)} beads, the job has {len(ours.pushed)}")
    if not np.array_equal(came.after, ways.after):
        raise BeadsDiffer(f"{name}: {ways.after.size} gaps with motion, the job has {came.after.size}")


def _verdict(ways: dict[str, Ways], verdicts: Verdicts, beads: Beads, ground: Ground, numbers: Numbers) -> Verdict:
    flat, came = ways["no lift"], ways["as it came"]
    travel = flat.length() > LEAST_WAY_MM
    needed = verdicts.struck[:, 0]
    higher = np.maximum(came.ends[came.at[:-1], 2], came.ends[came.at[1:] - 1, 5])
    peak = verdicts.peak[:, 0]
    least = np.where(needed, 2 * np.maximum(0.0, peak + numbers.clearance_mm - higher), 0.0)
    measured = {name: measure(way) for name, way in ways.items()}
    own_lift = measured["as it came"].lift > LIFTED_MM
    rows = {}
    for column, (name, way) in enumerate(ways.items()):
        m = measured[name]
        altered = changed(came, way)
        struck = verdicts.struck[:, column] & travel
        rows[name] = Row(
            name, int(travel.sum()), int((m.lift[travel] > LIFTED_MM).sum()), int(struck.sum()), float(m.stroke.sum()),
            m.reversals, float(m.early.sum()), float(m.path.sum()),
            float(m.path.sum() - measured["no lift"].path.sum()), int(altered.sum()),
            int((altered & ~needed & ~own_lift).sum()), struck, verdicts.depth[:, column], verdicts.where[:, column],
            way.line, m)
    return Verdict(rows, needed & travel, least, own_lift, peak, travel, beads, ways, ground)


def changed(came: Ways, way: Ways) -> np.ndarray:
    """Per gap: whether the rows differ from those of the job as it came."""
    altered = np.diff(came.at) != np.diff(way.at)
    for gap in np.flatnonzero(~altered):
        ours = came.ends[came.at[gap]:came.at[gap + 1]]
        theirs = way.ends[way.at[gap]:way.at[gap + 1]]
        altered[gap] = bool((np.abs(ours - theirs) > SAME_MM).any())
    return altered
