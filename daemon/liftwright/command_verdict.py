"""`liftwright verdict`: what somebody saw of one print goes into the ledger, linked to the job by its hash.

The arm of a trial is shown by its letter alone: whoever judges the next arm must not have been told the shape.
Refuses (2) an unknown number, a job that was never handed on, an arm that a trial hasn't, values out of range. A second
verdict on the same print is recorded as a correction of the first.
"""

import argparse
from pathlib import Path

from pydantic import ValidationError

from liftwright.command_settings import need_settings
from liftwright.command_tables import pairs, plain
from liftwright.errors import UsageError
from liftwright.evidence.trial_record import ENDING, load
from liftwright.evidence.verdict import WANTED, Verdict, checked
from liftwright.evidence.verdict_book import Entered, enter, read_book

KEYS = ("job", "letter", "print", "stayed", "strings", "finish", "minutes", "note")


def verdict(arguments: argparse.Namespace) -> int:
    """Record it and say of what."""
    settings = need_settings(arguments)
    given = {key: getattr(arguments, key) for key in KEYS}
    trials = [load(Path(arguments.job))] if arguments.job.endswith(ENDING) else []
    given["job"] = trials[0].trial if trials else arguments.job
    judged = checked({key: value for key, value in given.items() if value is not None})
    if isinstance(judged, ValidationError):
        raise UsageError("\n".join(_sentence(fault["loc"][0], given) for fault in judged.errors()))
    if judged.note is not None and not judged.note.isprintable():
        raise UsageError(_sentence("note", given))
    print(_said(judged, enter(settings, read_book(settings), judged, trials=trials)))
    return 0


def _sentence(key: object, given: dict[str, object]) -> str:
    name = "JOB-ID" if key == "job" else f"--{key}"
    return f"{name}: found {plain(given[str(key)])}; wanted {WANTED[str(key)]}"


def _said(judged: Verdict, entered: Entered) -> str:
    subject = entered.subject
    rows: list[tuple[str, object]] = [
        ("verdict", "recorded" if entered.is_new else "the same stands already; nothing was written"),
        ("job", f"{subject.id}{f', arm {subject.letter}' if subject.letter else ''}, print {judged.print}"),
        ("name", subject.name),
        ("printed", f"{'' if subject.letter else f'shape {subject.shape}, '}sha256 {subject.sha256_out}"),
    ]
    if entered.is_new and entered.corrects is not None:
        before = entered.corrects["seen"]
        words = f"stayed {'yes' if before['stayed'] else 'no'}, strings {before['strings']}, finish {before['finish']}"
        rows.append(("corrects", f"line {entered.corrects['n']} of the ledger, which stays: {words}"))
    return pairs(rows)
