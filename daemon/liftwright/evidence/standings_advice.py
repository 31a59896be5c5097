"""Standings and rules in; changes of the rules that the evidence speaks for out, in words. Nothing is ever edited.

Two changes are proposed, and only on evidence that would be odd by chance alone (5 %, after counting how many
comparisons were looked at):

1. Another shape for a rule, where in that rule's own trials it did better in some measure and in none worse.
2. More caution for a rule whose parts come off the bed more often than one in twenty, surely.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from liftwright.evidence.intervals import share
from liftwright.evidence.standings import WITHOUT_HEIGHT, Duel, Judged, duels
from liftwright.rules.schema import Lift, Rule, RuleSet

LEVEL = 0.05
SHOULD_STAY = 0.95
MORE_CAUTION = 0.3

Change = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Proposal:
    """Which rule (name, file:line), what to change (key, now, then), and the evidence in a sentence."""

    rule: str
    place: str
    changes: tuple[Change, ...]
    because: str


def proposals(prints: Sequence[Judged], rules: RuleSet) -> list[Proposal]:
    """What the verdicts speak for, rule by rule, in the order of the rules."""
    found: list[Proposal] = []
    for rule in rules.rules:
        if rule.lift is not None:
            mine = [one for one in prints if one.rule == rule.name]
            shape = _another_shape(rule, rule.lift, mine, rules)
            caution = _more_caution(rule, rule.lift, mine, rules)
            found += [one for one in (shape, caution) if one is not None]
    return found


def _way(lift: Lift) -> str:
    return lift.shape if lift.shape in WITHOUT_HEIGHT else f"{lift.shape} {lift.height_mm:g}"


def _another_shape(rule: Rule, lift: Lift, prints: list[Judged], rules: RuleSet) -> Proposal | None:
    """The rival that beats the rule's own way most surely; None where none does."""
    own = _way(lift)
    against = [_seen_from(own, duel) for duel in duels(prints) if own in (duel.one, duel.other)]
    worse = {duel.other for duel in against if duel.better[0] > duel.better[1]}
    better = [duel for duel in against if duel.adjusted <= LEVEL and duel.other not in worse]
    if not better:
        return None
    best = min(better, key=lambda duel: (duel.adjusted, duel.other))
    shape, _, height = best.other.partition(" ")
    changes: list[Change] = [("lift.shape", lift.shape, shape), ("lift.height_mm", f"{lift.height_mm:g}", height)]
    because = (
        f"in {sum(best.better) + best.ties} pairs of its own trials {best.other} did better than {own} in "
        f"{best.measure} {best.better[1]} times and worse {best.better[0]} times, ties left out: {best.ties}; sign "
        f"test p = {best.p:.2g}, {best.adjusted:.2g} after all comparisons looked at; it did worse on balance in no "
        "measure"
    )
    # The other shape may have no height, or the same.
    told = tuple((key, now, then) for key, now, then in changes if then not in ("", now))
    return Proposal(rule.name, rules.places.get(rule.name, ""), told, because)


def _seen_from(own: str, duel: Duel) -> Duel:
    """The duel with the rule's own way as `one`."""
    if duel.one == own:
        return duel
    return Duel(duel.other, duel.one, duel.measure, duel.better[::-1], duel.ties, duel.p, duel.adjusted)


def _more_caution(rule: Rule, lift: Lift, prints: list[Judged], rules: RuleSet) -> Proposal | None:
    mine = [one for one in prints if one.shape == lift.shape]
    found = share(sum(one.stayed for one in mine), len(mine))
    if found.high >= SHOULD_STAY:
        return None
    because = (
        f"{found.of - found.hits} of {found.of} parts came off the bed; surely fewer than {SHOULD_STAY:.0%} stay "
        f"({found.low:.0%} to {found.high:.0%}). Look at cooling, temperature and adhesion first"
    )
    return Proposal(rule.name, rules.places.get(rule.name, ""), tuple(_cautious(lift)), because)


def _cautious(lift: Lift) -> Iterator[Change]:
    if lift.shape != "terrain":
        yield "lift.shape", lift.shape, "terrain"
    elif lift.caution < 1.0:
        yield "lift.caution", f"{lift.caution:g}", f"{min(1.0, lift.caution + MORE_CAUTION):g}"
    else:
        yield "lift.clearance_mm", f"{lift.clearance_mm:g}", f"{lift.clearance_mm + 0.1:g}"
