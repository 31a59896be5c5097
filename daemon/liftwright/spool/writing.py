"""A finding of a worker → the record and the words for people; texts and models only, no file is touched here."""

import time
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal, cast

from liftwright import states
from liftwright.spool.journal import Entry
from liftwright.spool.names import printable
from liftwright.spool.record import Record, delivery

VERSION = version("liftwright")
_CARRIED = (
    *("would_be", "rules_sha256", "choice", "facts", "counts", "travels", "measures", "details"),
    *("warnings", "violations", "durations_s"),
)


def now_text() -> str:
    """UTC, for reading only."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def boot_id() -> str:
    """Which run of the machine this is: with the monotonic time, order survives a clock that jumps."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        # Hidden by the service manager's sandbox.
        return "unknown"


BOOT = boot_id()


def draft(entry: Entry, finding: dict[str, Any], mode: str) -> Record:
    """The whole record; only where it is delivered may still change, when the name turns out to be taken."""
    name, odd = printable(entry.relative)
    place = place_of(entry, finding)
    return Record(
        id=entry.id,
        name=name,
        name_hex=odd,
        version=VERSION,
        received=entry.received,
        finished=now_text(),
        boot=BOOT,
        monotonic_s=round(time.monotonic(), 3),
        mode=cast(Literal["rewrite", "observe", "pause"], mode),
        settled_by=entry.settled_by,
        attempts=max(1, entry.begun),
        outcome=finding["outcome"],
        reason_code=finding["reason_code"],
        reason=finding["reason"],
        size_in=finding["size_in"],
        size_out=finding["size_out"],
        sha256_in=finding.get("sha256_in"),
        sha256_out=finding.get("sha256_out"),
        delivered=delivery(place, entry.relative),
        **{key: finding[key] for key in _CARRIED if finding.get(key) is not None},
    )


def place_of(entry: Entry, finding: dict[str, Any]) -> Literal["outbox", "held", "nowhere"]:
    """The outbox, or held/; NOWHERE for what is held without a copy."""
    if finding["outcome"] != states.HELD:
        return "outbox"
    return "held" if entry.copy else "nowhere"


def why_text(record: Record) -> str:
    """The .why.txt of a held job, for somebody who stands at the printer."""
    copy = (
        "The file beside this text is a copy of what was uploaded. Nothing in it was changed."
        if record.delivered.folder == "held"
        else "No copy was made here, because it could be unsafe or would fill the disk."
    )
    return f"""{record.name} was not handed on to the printers.

Why: {record.reason}
({record.reason_code})

{copy}
The upload itself is kept in originals/ under the number {record.id}.

What you can do:
- Put it right and upload it again; this copy may then be deleted.
- If the rules were wrong, correct them, then queue it again: liftwright release --again {record.id}
- Hand it on as it was uploaded, unproved: liftwright release {record.id}
  Look at it first. A job that was held may strike the printed part or the machine; keep to the manual of the
  machine, and ask somebody who knows it if you are not sure.
"""


def ledger_line(record: Record, digest: str) -> dict[str, Any]:
    """What the ledger holds of a job: DIGEST is that of the record as written."""
    return {
        "event": "job",
        "at": record.finished,
        "id": record.id,
        "name": record.name,
        "outcome": record.outcome,
        "reason_code": record.reason_code,
        "rule": record.choice.rule,
        "printer": record.choice.printer,
        "folder": record.delivered.folder,
        "delivered": record.delivered.name,
        "sha256_in": record.sha256_in,
        "sha256_out": record.sha256_out,
        "record_sha256": digest,
    }
