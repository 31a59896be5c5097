"""What became of one job, as the core tells the shell; no clock, no names of files."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from liftwright.job.facts import Fact
from liftwright.rules.match import Decision

REWRITTEN, UNCHANGED, HELD = "rewritten", "unchanged", "held"


@dataclass(frozen=True, slots=True)
class Result:
    """The outcome of one job. `reason_code` is a stable word, `reason` a sentence for people.

    Only a rewritten job has bytes of its own in the sink, and a job that failed its proof, as evidence. `refused` says
    that the job itself can't be rewritten safely; what becomes of it then, the operator chose. `counts` and `measures`
    (named with their unit) go into the record as they are; `travels` counts travels by what became of them.
    """

    outcome: str
    reason_code: str
    reason: str
    refused: bool = False
    facts: Mapping[str, Fact] = field(default_factory=dict)
    decision: Decision | None = None
    counts: dict[str, int] = field(default_factory=dict)
    travels: dict[str, int] = field(default_factory=dict)
    measures: dict[str, float] = field(default_factory=dict)
    details: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    violations: tuple[Any, ...] = ()
    sha256_in: str | None = None
    sha256_out: str | None = None
