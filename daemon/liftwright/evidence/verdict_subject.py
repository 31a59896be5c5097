"""Which print a verdict speaks of: a job's or a trial's number or name in; what was printed, by its hash, out.

A job is found by its record (or its line of the ledger, where the record is past its time), a trial by its record and
the arm's letter. Refused (UsageError): an unknown number, a name that several jobs had, a held job that nobody printed,
a trial without its letter.
"""

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from liftwright import states
from liftwright.errors import UsageError
from liftwright.evidence import trial_record
from liftwright.evidence.trial_record import Trial
from liftwright.evidence.verdict import Verdict
from liftwright.settings import Settings
from liftwright.spool.names import ID
from liftwright.spool.passage import record_path

AS_IT_CAME = "as it came"
"""Shape of a job that was handed on unchanged."""
MOST_TOLD = 5


@dataclass(frozen=True, slots=True)
class Subject:
    """What was printed. id: of the job or trial; sha256_in, sha256_out: of what came and of what was printed."""

    id: str
    letter: str | None
    name: str
    sha256_in: str | None
    sha256_out: str | None
    printer: str | None
    material: str | None
    rule: str | None
    shape: str | None
    height_mm: float | None = None


def subject_of(
    settings: Settings,
    verdict: Verdict,
    jobs: Mapping[str, Any],
    released: frozenset[str],
    trials: Iterable[Trial] = (),
) -> Subject:
    """The print that `verdict` names.

    jobs: ledger lines of jobs by number; released: numbers of held jobs let go; trials: known besides the share's.
    """
    known = [*trials, *known_trials(settings)]
    trial = _trial(verdict, known)
    if trial is not None:
        return _arm(trial, verdict.letter)
    line = jobs.get(verdict.job) or _named(verdict.job, jobs)
    if verdict.letter is not None:
        raise UsageError(f"{verdict.job}: is a job, not a trial; wanted no letter, found {verdict.letter}")
    if line["outcome"] == states.HELD and line["id"] not in released:
        raise UsageError(f"{verdict.job}: was held and not released; wanted a job that was printed")
    for trial in known:
        # An arm that went through the inbox is a job too: its bytes tell.
        arm = trial.arm(line["sha256_out"] or "")
        if arm is not None:
            return _arm(trial, arm.letter)
    return _job(settings, line)


def _trial(verdict: Verdict, known: Sequence[Trial]) -> Trial | None:
    """The trial of this number, or the only trial of the job of this name; None where a job alone can be meant."""
    found = {trial.trial: trial for trial in known if verdict.job == trial.trial}
    if not found and verdict.letter is not None:
        found = {trial.trial: trial for trial in known if verdict.job == trial.job_name}
    if len(found) > 1:
        numbers = ", ".join(sorted(found))
        raise UsageError(f"{verdict.job}: {len(found)} trials of this job are known; wanted one's number: {numbers}")
    return next(iter(found.values()), None)


def _named(name: str, jobs: Mapping[str, Any]) -> Mapping[str, Any]:
    """The one job that was handed on under this name."""
    found: list[Mapping[str, Any]] = [
        line for line in jobs.values() if line["folder"] == states.TO_OUTBOX and line["delivered"] == name
    ]
    if not found:
        raise UsageError(f"{name}: found no job and no trial of this number or name; wanted one that is recorded")
    if len(found) > 1:
        latest = ", ".join(line["id"] for line in found[: -MOST_TOLD - 1 : -1])
        raise UsageError(f"{name}: {len(found)} jobs had this name; wanted the number of one, latest first: {latest}")
    return found[0]


def known_trials(settings: Settings) -> Iterator[Trial]:
    """The trials recorded in the share; what can't be read as one is passed over: others must still be found."""
    for folder in ("records", "outbox"):
        for place in sorted(settings.folder(folder).rglob(f"*{trial_record.ENDING}")):
            # A pipe of that name would block whoever opens it.
            if place.name.startswith(".") or not place.is_file():
                continue
            try:
                yield trial_record.load(place)
            except UsageError:
                continue


def _arm(trial: Trial, letter: str | None) -> Subject:
    letters = ", ".join(arm.letter for arm in trial.arms)
    if letter is None:
        raise UsageError(f"{trial.trial}: is a trial; wanted the letter of the arm that was printed: {letters}")
    arm = next((arm for arm in trial.arms if arm.letter == letter), None)
    if arm is None:
        raise UsageError(f"{trial.trial}: has no arm {letter}; wanted one of {letters}")
    return Subject(
        id=trial.trial,
        letter=letter,
        name=trial.job_name,
        sha256_in=trial.sha256_job,
        sha256_out=arm.sha256,
        printer=trial.printer,
        material=trial.material,
        rule=trial.rule,
        shape=arm.shape,
        height_mm=arm.height_mm,
    )


def _job(settings: Settings, line: Mapping[str, Any]) -> Subject:
    record = _record(record_path(settings, line["id"])) if ID.fullmatch(line["id"]) else {}
    # A job that came rewritten was handed on unchanged, and its own record says in which shape; this one doesn't.
    as_it_came = AS_IT_CAME if line["reason_code"] != "already_rewritten" else None
    return Subject(
        id=line["id"],
        letter=None,
        name=line["name"],
        sha256_in=line["sha256_in"],
        sha256_out=line["sha256_out"],
        printer=line["printer"],
        material=record.get("choice", {}).get("material"),
        rule=line["rule"],
        shape=record.get("details", {}).get("shape") if line["outcome"] == states.REWRITTEN else as_it_came,
    )


def _record(place: Path) -> dict[str, Any]:
    """The record, or nothing where retention removed it."""
    try:
        found = json.loads(place.read_bytes())
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
