"""A rule set and a job's facts → the one rule that applies, and why the others don't, in words.

1. A printer or material entry is found by its name, else by its `also` globs, entries in the order of the files.
2. A job of which no printer is known gets no rule: the limits of its machine are unknown. That holds for a set with a
   single printer too, because the job may have been made for a machine that nobody has described yet.
3. Rules are tried in order; the first whose conditions all hold wins.
4. `material` and `printer` in a rule are compared with the entry's name and with the fact as it was written.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from liftwright.job.facts import Fact
from liftwright.rules.globs import first_fit
from liftwright.rules.schema import Material, Printer, Range, Rule, RuleSet

_NO_RULE = "no rule fits the job: `liftwright explain` tells which condition of each failed"
_Entry = TypeVar("_Entry", Printer, Material)


@dataclass(frozen=True, slots=True)
class Decision:
    """What applies to a job. `rule` is None when no printer or no rule fits; `reason` says in words what decided.

    `tried` holds (rule's name, "matched" or the first condition that failed) up to the rule that matched.
    """

    rule: Rule | None
    printer: Printer | None
    material: Material | None
    tried: tuple[tuple[str, str], ...]
    reason: str


def match(rules: RuleSet, facts: Mapping[str, Fact]) -> Decision:
    """The decision for a job of these facts; it depends on nothing else."""
    printer = _entry(rules.printers, facts.get("printer"))
    material = _entry(rules.materials, facts.get("material"))
    if printer is None:
        return Decision(None, None, material, (), _no_printer(facts.get("printer")))
    tried: list[tuple[str, str]] = []
    names = _names(printer, material)
    for rule in rules.rules:
        failed = _failed(rule, facts, names)
        tried.append((rule.name, failed or "matched"))
        if failed is None:
            return Decision(rule, printer, material, tuple(tried), f'rule "{rule.name}"')
    return Decision(None, printer, material, tuple(tried), _NO_RULE)


def unmeasured(rules: RuleSet, facts: Mapping[str, Fact], measurable: Collection[str]) -> frozenset[str]:
    """Which of the `measurable` facts that aren't known yet can decide which rule applies.

    Those that stand in rules whose other conditions hold, up to the first rule that matches without them.
    """
    printer = _entry(rules.printers, facts.get("printer"))
    if printer is None:
        return frozenset()
    names = _names(printer, _entry(rules.materials, facts.get("material")))
    missing: set[str] = set()
    for rule in rules.rules:
        unknown = {key for key, _ in rule.when.conditions() if key in measurable and key not in facts}
        if _failed(rule, facts, names, unknown) is not None:
            continue
        if not unknown:
            break
        missing |= unknown
    return frozenset(missing)


def _names(printer: Printer, material: Material | None) -> Mapping[str, str]:
    """The names of the entries that the facts name."""
    return {"printer": printer.name, "material": material.name if material else ""}


def _entry(entries: Sequence[_Entry], fact: Fact | None) -> _Entry | None:
    if fact is None:
        return None
    named = (entry for entry in entries if entry.name.casefold() == fact.text.casefold())
    also = (entry for entry in entries if first_fit(entry.also, [fact.text]))
    return next(named, None) or next(also, None)


def _no_printer(fact: Fact | None) -> str:
    if fact is None:
        return "no printer is named, so its limits are unknown: name it, for example in a comment `printer = NAME`"
    seen = f'no printer entry is named or also called "{fact.text}" ({fact.origin}), so its limits are unknown'
    return f"{seen}: add an entry, or the name to one's `also`"


def _failed(
    rule: Rule, facts: Mapping[str, Fact], entries: Mapping[str, str], unknown: Collection[str] = ()
) -> str | None:
    """The first condition of a rule that doesn't hold, in words, or None; those on `unknown` facts are passed over."""
    for key, wanted in rule.when.conditions():
        if key in unknown:
            continue
        fact = facts.get(key)
        if fact is None:
            return f"{key} is not known; wanted {_wanted(wanted)}"
        if isinstance(wanted, Range):
            held = _is_within(fact, wanted)
        else:
            held = first_fit(wanted, [fact.text, *filter(None, [entries.get(key)])]) is not None
        if not held:
            value = f'"{fact.value}"' if isinstance(fact.value, str) else fact.text
            return f"{key} is {value} ({fact.origin}); wanted {_wanted(wanted)}"
    return None


def _is_within(fact: Fact, bounds: Range) -> bool:
    try:
        value = float(fact.value)
    except ValueError:
        return False
    # `not (value < min)` would let a NaN pass.
    return (bounds.min is None or value >= bounds.min) and (bounds.max is None or value <= bounds.max)


def _wanted(wanted: tuple[str, ...] | Range) -> str:
    if not isinstance(wanted, Range):
        return " or ".join(wanted)
    bounds = (("at least", wanted.min), ("at most", wanted.max))
    return " and ".join(f"{word} {bound:.9g}" for word, bound in bounds if bound is not None)
