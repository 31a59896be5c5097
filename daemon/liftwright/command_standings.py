"""`liftwright standings`: the recorded verdicts as a table, ways compared within trials, changes of rules proposed.

Reads the ledger and the rules; writes nothing. Refuses (2) keys that standings can't be broken down by.
"""

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from textwrap import wrap

from liftwright.command_inputs import read_rules
from liftwright.command_settings import need_settings
from liftwright.command_tables import plain, table
from liftwright.errors import RulesError, UsageError
from liftwright.evidence.intervals import fewest_for_certainty
from liftwright.evidence.standings import KEYS, Duel, Standing, duels, judged_prints
from liftwright.evidence.standings import standings as rows_of
from liftwright.evidence.standings_advice import Proposal, proposals
from liftwright.evidence.verdict_book import read_book
from liftwright.rules.schema import RuleSet
from liftwright.settings import Settings

FEW = 20
"""Below this many prints a share can still be anything that its interval says: it spans a third and more."""


def standings(arguments: argparse.Namespace) -> int:
    """Print them."""
    by = tuple(key.strip() for key in arguments.by.split(","))
    wrong = [key for key in by if key not in KEYS]
    if wrong or len(set(by)) < len(by):
        raise UsageError(f"--by: found {plain(arguments.by)}; wanted some of {', '.join(KEYS)}, each once")
    settings = need_settings(arguments)
    prints = judged_prints(read_book(settings).standing.values())
    rows, compared = rows_of(prints, by), duels(prints)
    rules, fault = _rules(settings)
    proposed = proposals(prints, rules) if rules else []
    if arguments.json:
        document = {
            "by": by,
            "prints": len(prints),
            "standings": [asdict(row) for row in rows],
            "duels": [asdict(duel) for duel in compared],
            "proposals": [asdict(one) for one in proposed],
        }
        print(json.dumps(document, indent=1))
    elif not prints:
        print("no verdict was recorded yet; liftwright verdict records one")
    else:
        print("\n\n".join([_table(by, rows), *_notes(rows), *_duels(compared), *_proposals(proposed, fault)]))
    return 0


def _rules(settings: Settings) -> tuple[RuleSet | None, str]:
    """The rules of now, or why they can't be read: standings don't need them."""
    try:
        return read_rules(settings.folder("rules")), ""
    except RulesError as error:
        return None, f"no changes are proposed, since the rules hold {len(error.problems)} faults: liftwright check"


def _table(by: tuple[str, ...], rows: Sequence[Standing]) -> str:
    heads = (*by, "prints", "stayed", "share", "95 % interval", "strings", "finish", "minutes", "timed")
    return table(heads, [_cells(row) for row in rows])


def _cells(row: Standing) -> list[object]:
    stayed = row.stayed
    return [
        *row.keys, stayed.of, stayed.hits, f"{stayed.hits / stayed.of:.0%}", f"{stayed.low:.0%} to {stayed.high:.0%}",
        _number(row.strings), _number(row.finish), _number(row.minutes), row.timed,
    ]  # fmt: skip


def _number(value: float | None) -> object:
    return "-" if value is None else int(value) if value == int(value) else value


def _notes(rows: Sequence[Standing]) -> Iterator[str]:
    yield "strings from 0 (none) to 5 (a web), finish from 0 (scrap) to 5 (as good as it gets), minutes: medians"
    few = sum(row.stayed.of < FEW for row in rows)
    if few:
        yield (
            f"small numbers: {few} of {len(rows)} rows rest on fewer than {FEW} prints. Their shares say little, their "
            "intervals say how little.\nRows may hold different jobs: compare ways within trials, not row with row"
        )


def _duels(compared: Sequence[Duel]) -> Iterator[str]:
    if not compared:
        yield "no trial has verdicts on two of its arms yet, so nothing was compared side by side"
        return
    heads = ("way", "against", "measure", "better", "worse", "ties", "p", "adjusted p")
    rows = [
        (duel.one, duel.other, duel.measure, *duel.better, duel.ties, f"{duel.p:.3f}", f"{duel.adjusted:.3f}")
        for duel in compared
    ]
    yield "within trials, side by side:\n" + table(heads, rows)
    least = fewest_for_certainty()
    small = sum(sum(duel.better) < least for duel in compared)
    yield (
        f"p: exact sign test, two-sided, ties left out; adjusted: for {len(compared)} comparisons. {small} of them\n"
        f"have fewer than {least} pairs that differ, which can't fall below 0.05 whatever they show"
    )


def _proposals(proposed: Sequence[Proposal], fault: str) -> Iterator[str]:
    if fault:
        yield fault
    elif not proposed:
        yield "no change of a rule is proposed: nothing above is surer than chance would make it"
    else:
        yield "proposed, and not done; the rules are yours to edit:"
    for one in proposed:
        where = f", {one.place}" if one.place else ""
        lines = [f'rule "{plain(one.rule)}"{where}']
        for key, now, then in one.changes:
            lines += [f"  - {key}: {now}", f"  + {key}: {then}"]
        because = wrap(f"because {one.because}", 110, initial_indent="  ", subsequent_indent="  ")
        yield "\n".join([*lines, *because])
