"""Verdicts in, standings out: how often parts stayed, how they looked, and which of two ways did better side by side.

Only the verdict that stands for each print counts. Two ways are compared within trials alone, print by print, where
everything but the travels was the same: a sign test over the pairs that differ, ties left out. Counts are small on a
farm, so every share comes with its interval, and no average is given where a median says it.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from liftwright.evidence.intervals import Share, median, share, sign_test

KEYS = ("material", "printer", "shape", "rule")
"""What standings may be broken down by."""
UNKNOWN = "-"
WITHOUT_HEIGHT = ("flat", "terrain")


@dataclass(frozen=True, slots=True)
class Judged:
    """One print with the verdict that stands. `way`: the shape, with its height where a trial had it."""

    id: str
    print: int
    is_trial: bool
    material: str
    printer: str
    shape: str
    rule: str
    way: str
    stayed: bool
    strings: int
    finish: int
    minutes: float | None


@dataclass(frozen=True, slots=True)
class Standing:
    """One row: prints of the same keys. Medians of grades, and of minutes where they were given."""

    keys: tuple[str, ...]
    stayed: Share
    strings: float | None
    finish: float | None
    minutes: float | None
    timed: int


@dataclass(frozen=True, slots=True)
class Duel:
    """Two ways in the same trials. better: pairs that speak for `one` and for `other`; ties are left out of `p`.

    p: two-sided, exact. adjusted: p times the number of duels looked at (Bonferroni), since one in twenty fair duels
    comes out below 0.05 by chance.
    """

    one: str
    other: str
    measure: str
    better: tuple[int, int]
    ties: int
    p: float
    adjusted: float = 1.0


MEASURES: dict[str, Callable[[Judged], float]] = {
    "stayed": lambda print_: float(print_.stayed),
    "strings": lambda print_: -float(print_.strings),
    "finish": lambda print_: float(print_.finish),
}
"""What is compared, as numbers of which the larger is the better."""


def judged_prints(lines: Iterable[dict[str, Any]]) -> list[Judged]:
    """The ledger's standing lines of verdicts as prints."""
    return [_judged(line) for line in lines]


def _judged(line: dict[str, Any]) -> Judged:
    shape, height, seen = line["shape"] or UNKNOWN, line["height_mm"], line["seen"]
    way = shape if height is None or shape in WITHOUT_HEIGHT else f"{shape} {height:g}"
    return Judged(
        line["id"], line["print"], line["letter"] is not None, line["material"] or UNKNOWN, line["printer"] or UNKNOWN,
        shape, line["rule"] or UNKNOWN, way, seen["stayed"], seen["strings"], seen["finish"], seen["minutes"],
    )  # fmt: skip


def standings(prints: Iterable[Judged], by: Sequence[str] = ("shape",)) -> list[Standing]:
    """One row for each combination of the keys `by` that occurs, in their order."""
    groups: dict[tuple[str, ...], list[Judged]] = {}
    for one in prints:
        groups.setdefault(tuple(getattr(one, key) for key in by), []).append(one)
    return [_standing(keys, groups[keys]) for keys in sorted(groups)]


def _standing(keys: tuple[str, ...], prints: list[Judged]) -> Standing:
    minutes = [one.minutes for one in prints if one.minutes is not None]
    return Standing(
        keys=keys,
        stayed=share(sum(one.stayed for one in prints), len(prints)),
        strings=median([one.strings for one in prints]),
        finish=median([one.finish for one in prints]),
        minutes=median(minutes),
        timed=len(minutes),
    )


def duels(prints: Iterable[Judged]) -> list[Duel]:
    """Every two ways that were printed in the same trials, for each measure; print 2 is paired with print 2."""
    trials: dict[tuple[str, int], dict[str, Judged]] = {}
    for judged in prints:
        if judged.is_trial:
            trials.setdefault((judged.id, judged.print), {})[judged.way] = judged
    ways = sorted({way for arms in trials.values() for way in arms})
    found = []
    for one, other in combinations(ways, 2):
        pairs = [(arms[one], arms[other]) for arms in trials.values() if one in arms and other in arms]
        found += [_duel(one, other, measure, pairs) for measure in MEASURES if pairs]
    return [_adjusted(duel, len(found)) for duel in found]


def _duel(one: str, other: str, measure: str, pairs: list[tuple[Judged, Judged]]) -> Duel:
    value = MEASURES[measure]
    signs = [value(a) - value(b) for a, b in pairs]
    better = (sum(sign > 0 for sign in signs), sum(sign < 0 for sign in signs))
    return Duel(one, other, measure, better, len(signs) - sum(better), sign_test(*better))


def _adjusted(duel: Duel, looked_at: int) -> Duel:
    return Duel(duel.one, duel.other, duel.measure, duel.better, duel.ties, duel.p, min(1.0, duel.p * looked_at))
