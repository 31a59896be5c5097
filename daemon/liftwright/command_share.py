"""`liftwright status`, `history` and `release`: how the share is doing, what became of the jobs, a held job let go.

They read what the daemon wrote and work beside it, or without it.
"""

import argparse
import json
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

from liftwright.command_settings import need_settings
from liftwright.command_tables import pairs, table
from liftwright.errors import DeliveryError
from liftwright.spool import ledger
from liftwright.spool.history import history as past_jobs
from liftwright.spool.release import release as release_job
from liftwright.status import status as daemon_status

Document = Mapping[str, Any]

HEADS = ("ended", "job", "outcome", "printer", "rule", "lifts", "why")


def status(arguments: argparse.Namespace) -> int:
    """Print how daemon and share are doing; 0 whether the daemon runs or not."""
    settings = need_settings(arguments)
    working = settings.folder("working")
    # Without a look at the lock a running daemon would seem to be dead.
    if working.exists() and not os.access(working, os.R_OK | os.X_OK):
        raise DeliveryError(f"{working}: no permission to look into it; wanted root or the daemon's own user")
    found = daemon_status(settings)
    if arguments.json:
        print(json.dumps(found, indent=1))
    else:
        print(pairs(list(_status_rows(found))))
    return 0


def _status_rows(found: Document) -> Iterator[tuple[str, object]]:
    yield "daemon", _life(found)
    yield "in short", found["summary"]
    if "written" not in found:
        return
    yield "mode", found["mode"]
    yield "inbox", f"{found['in_inbox']} jobs"
    yield from (("", f"{seen['name']}: {seen['why']}") for seen in found["waiting"])
    yield "in work", f"{found['claimed'] + len(found['working'])} jobs"
    yield from (("", f"{job['job']}: {job['doing'] or 'begun'}") for job in found["working"])
    yield "held", f"{found['held']} jobs"
    last = found["last_job"]
    yield "last job", f"{last['name']}: {last['outcome']}" if last else "none since the start"
    yield "rules", found["rules_sha256"] or "none in force"
    yield from (("", line) for line in (found["rules_broken"] or "").splitlines())
    yield "watching", found["watching"]
    yield "free disk", f"{found['free_mb']} MB"
    if found["trouble"]:
        yield "trouble", found["trouble"]


def _life(found: Document) -> str:
    if not found["alive"]:
        return "does not run"
    if found.get("hangs"):
        return f"hangs: it has not said anything for {found['age_s']:.0f} s"
    if "alive_since_s" not in found:
        return "is starting"
    since = f"{found['alive_since_s']:.0f} s"
    return f"runs since {since}" if found["ready"] else f"is starting since {since}: no worker is ready yet"


def history(arguments: argparse.Namespace) -> int:
    """Print the recorded jobs, or check that all records are as they were written."""
    settings = need_settings(arguments)
    if arguments.verify:
        return _verified(ledger.verify(settings.folder("records")))
    jobs = past_jobs(
        settings, arguments.outcome, arguments.rule, arguments.printer, arguments.since, arguments.until
    )
    if sys.stdout.isatty():
        print(table(HEADS, [_history_row(job) for job in jobs], shutil.get_terminal_size().columns))
    else:
        _print_lines(jobs)
    return 0


def _verified(faults: Iterable[str]) -> int:
    found = list(faults)
    if found:
        raise DeliveryError("\n".join(["the records are not as they were written:", *found]))
    print("ledger and records: no fault found")
    return 0


def _print_lines(jobs: Iterable[Document]) -> None:
    for job in jobs:
        print(json.dumps(job))


def _history_row(job: Document) -> tuple[object, ...]:
    # A record that was removed for its age has left its line in the ledger, which says less.
    choice = job.get("choice", job)
    ended = datetime.fromisoformat(job.get("finished") or job["at"]).astimezone()
    why = "" if job["outcome"] == "rewritten" else job.get("reason", job["reason_code"])
    released = job.get("released")
    return (
        f"{ended:%Y-%m-%d %H:%M}",
        job["name"],
        job["outcome"],
        choice["printer"] or "-",
        choice["rule"] or "-",
        job.get("counts", {}).get("rewritten", 0),
        f"released to {released['folder']}; {why}" if released else why,
    )


def release(arguments: argparse.Namespace) -> int:
    """Let a held job go and say where it is now."""
    place = release_job(need_settings(arguments), arguments.job, again=arguments.again)
    print(f"moved to {place}")
    return 0
