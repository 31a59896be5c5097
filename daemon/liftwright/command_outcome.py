"""One job through the core for the command line, with a progress bar; its result as JSON, as text or as an error."""

import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, BinaryIO

from liftwright.command_inputs import Inputs
from liftwright.command_progress import Progress
from liftwright.command_tables import pairs
from liftwright.errors import ProofError, UnsupportedJob
from liftwright.job.facts import Fact
from liftwright.result import HELD, Result
from liftwright.rewrite import rewrite
from liftwright.rules.match import Decision
from liftwright.threads import second_thread

SHOWN = {
    "strikes": "strikes foretold",
    "tallest_lift_mm": "tallest lift, mm",
    "seconds": "time, s",
    "z_stroke_mm": "Z stroke, mm",
    "z_reversals": "Z reversals",
}
"""The numbers that people ask for first, and their names; `--json` gives all of them."""


def core_result(source: BinaryIO, sink: BinaryIO, inputs: Inputs) -> Result:
    """Rewrite and prove, with a progress bar where a person watches."""
    progress = Progress()
    try:
        with second_thread() as aside:
            return rewrite(source, sink, inputs.rules, inputs.given, inputs.comment_keys, progress, aside=aside)
    finally:
        progress.close()


def tried_result(source: BinaryIO, inputs: Inputs) -> Result:
    """The same into a file without a name, gone afterwards: what a rewrite would do, tried and not foretold."""
    with tempfile.TemporaryFile() as nowhere:
        return core_result(source, nowhere, inputs)


def refuse_if_held(job: Path, result: Result) -> None:
    """A held job is an error here: ProofError where we are at fault, else UnsupportedJob."""
    if result.violations:
        raise ProofError(f"{job}: {result.reason}")
    if result.outcome == HELD:
        raise UnsupportedJob(result.reason_code, f"{job}: {result.reason}")


def summary(result: Result) -> str:
    """The outcome, and what became of the travels, in a few lines."""
    outcome = ("outcome", f"{result.outcome}: {result.reason}")
    return pairs([outcome, *choice_rows(result.decision), *_number_rows(result)])


def choice_rows(decision: Decision | None) -> Iterator[tuple[str, object]]:
    """The entries that were chosen, by name."""
    if decision is None:
        return
    for name, entry in (("printer", decision.printer), ("material", decision.material), ("rule", decision.rule)):
        yield name, entry.name if entry else "none"


def _number_rows(result: Result) -> Iterator[tuple[str, object]]:
    if result.travels:
        yield "travels", ", ".join(f"{_number(count)} {what}" for what, count in result.travels.items())
    numbers = {**result.counts, **result.measures}
    for key, name in SHOWN.items():
        if f"{key}_after" in numbers:
            yield name, f"{_number(numbers[f'{key}_before'])} before, {_number(numbers[f'{key}_after'])} after"
        elif key in numbers:
            yield name, _number(numbers[key])
    for warning in result.warnings:
        yield "warning", warning


def _number(value: float) -> str:
    return f"{value:,d}" if isinstance(value, int) else f"{value:,.3f}".rstrip("0").rstrip(".")


def document(result: Result) -> dict[str, Any]:
    """The result as JSON, under the names that the record of a job uses."""
    decision = result.decision
    return {
        "outcome": result.outcome,
        "reason_code": result.reason_code,
        "reason": result.reason,
        "refused": result.refused,
        "sha256_in": result.sha256_in,
        "sha256_out": result.sha256_out,
        "choice": choice(decision) if decision else None,
        "facts": fact_list(result.facts),
        "counts": result.counts,
        "travels": result.travels,
        "measures": result.measures,
        "details": result.details,
        "warnings": list(result.warnings),
        "violations": [str(violation) for violation in result.violations],
    }


def fact_list(facts: Mapping[str, Fact]) -> list[dict[str, Any]]:
    """The facts as JSON, as the record has them."""
    return [{"key": fact.key, "value": fact.value, "origin": fact.origin} for fact in facts.values()]


def choice(decision: Decision) -> dict[str, Any]:
    """The entries that were chosen and the rules that were tried, as JSON."""
    return {
        "rule": decision.rule.name if decision.rule else None,
        "printer": decision.printer.name if decision.printer else None,
        "material": decision.material.name if decision.material else None,
        "tried": [{"rule": rule, "found": found} for rule, found in decision.tried],
    }
