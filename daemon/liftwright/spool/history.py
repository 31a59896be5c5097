"""The records of past jobs, oldest first, chosen by outcome, rule, printer and day; the ledger gives the order."""

import json
from collections.abc import Iterator
from datetime import date, datetime
from fnmatch import fnmatchcase
from typing import Any

from liftwright.settings import Settings
from liftwright.spool import ledger
from liftwright.spool.closing import record_path


def history(
    settings: Settings,
    outcome: str | None = None,
    rule: str | None = None,
    printer: str | None = None,
    since: date | None = None,
    until: date | None = None,
) -> Iterator[dict[str, Any]]:
    """One dict a job: the record, and `released` where it was let go. RULE and PRINTER are globs; days are local.

    A record that retention removed is given as its ledger line, marked `expired`.
    """
    lines = list(ledger.events(settings.folder("records")))
    released = {line["id"]: line for line in lines if line.get("event") == "released"}
    for line in lines:
        if line.get("event") != "job":
            continue
        day = datetime.fromisoformat(line["at"]).astimezone().date()
        if (
            (outcome is not None and line["outcome"] != outcome)
            or not _fits(rule, line["rule"])
            or not _fits(printer, line["printer"])
            or (since is not None and day < since)
            or (until is not None and day > until)
        ):
            continue
        yield {**_record(settings, line), "released": released.get(line["id"])}


def _fits(glob: str | None, name: str | None) -> bool:
    return glob is None or (name is not None and fnmatchcase(name.casefold(), glob.casefold()))


def _record(settings: Settings, line: dict[str, Any]) -> dict[str, Any]:
    try:
        record: dict[str, Any] = json.loads(record_path(settings, line["id"]).read_bytes())
    except (OSError, ValueError):
        return {**line, "expired": True}
    return record
