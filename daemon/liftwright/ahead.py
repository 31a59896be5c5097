"""Writing while surveying: what the two ends of a long job tell about the rule that will apply.

A guess from the first and last part of the job saves one reading of all of it. It counts only if the whole survey then
says the same of everything that writing depends on; else the job is written again from what the survey found.
"""

import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from liftwright.errors import JobError
from liftwright.job.columns import S_DECIMALS
from liftwright.job.facts import Fact, comment_facts, comment_key_hashes, gather
from liftwright.job.survey import Survey, survey
from liftwright.rules.match import match
from liftwright.rules.schema import Lift, RuleSet
from liftwright.terms import is_ground, neutral_hashes
from liftwright.write import Plan

END = 1 << 18  # bytes read at either end
PART = 1 << 16  # of it at a time: large tables would cost more than they read
LONG = 1 << 21  # shorter jobs gain nothing


def guessed_plan(
    source: BinaryIO, size: int, rules: RuleSet, given: Sequence[Fact], words: Mapping[str, str]
) -> Plan | None:
    """The plan that the ends of the job point to; None where they tell too little. Leaves `source` anywhere."""
    if size < LONG:
        return None
    source.seek(0)
    head = _survey_of(source.read(END).rpartition(b"\n")[0] + b"\n", words)
    source.seek(size - END)
    tail = _survey_of(source.read(END).partition(b"\n")[2], words)
    if head is None or tail is None or head.ambiguous:
        return None
    decision = match(rules, gather(given, comment_facts((*head.notes, *tail.notes), words)))
    if decision.rule is None or decision.printer is None or decision.rule.lift is None:
        return None
    lift = decision.rule.lift
    # With a budget the first shape may not be the last.
    if _has_budget(lift) or len(neutral_hashes(decision.printer, head.unknown)):
        return None
    if "terrain" in (lift.shape, *lift.otherwise) and not is_ground(decision.printer):
        return None
    return Plan(replace(head, size=size), lift, lift.shape, decision.printer, decision.material, True)


def is_the_same(guess: Plan, plan: Plan) -> bool:
    """Does writing depend on nothing that the whole survey found otherwise?"""
    return (
        guess.lift == plan.lift
        and guess.printer == plan.printer
        and guess.material == plan.material
        and guess.g90_sets_extrusion == plan.g90_sets_extrusion
        and not len(neutral_hashes(plan.printer, plan.found.unknown))
        and _needed(guess.found) == _needed(plan.found)
    )


def _needed(found: Survey) -> tuple[int, int, float]:
    return found.begin_line, int(found.state[S_DECIMALS]), found.speed_factor


def _has_budget(lift: Lift) -> bool:
    return any(budget is not None for budget in (lift.max_added_s, lift.max_added_percent, lift.max_z_reversals))


def _survey_of(text: bytes, words: Mapping[str, str]) -> Survey | None:
    """The survey of a part of the job, or None where it can't be read."""
    try:
        return survey(
            io.BytesIO(text),
            g90_sets_extrusion=True,
            keys=comment_key_hashes(words).view(np.uint64),
            neutral=np.zeros(0, np.uint64),
            filament_area=1.0,
            tick=lambda done: None,
            chunk=PART,
        )
    except JobError:
        return None
