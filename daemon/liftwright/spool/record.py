"""The record of one job: what came, who decided what and why, what was done, what was handed on.

A versioned model, written as one JSON document a job, ASCII only, so that no name can forge a line or a key. The core's
`Result` gives counts, measures and reasons; the shell adds names, times and where the job went.
"""

import json
import re
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from liftwright.spool.names import printable

SCHEMA_VERSION = 1
_NUMBERS = re.compile(r"\[\n[-+.,e\d\s]+\]")


class Part(BaseModel):
    """Frozen; an unknown key in a record that is read back is an error, not something to drop."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class FactSeen(Part):
    """One thing known of the job, and where it was found."""

    key: str
    value: str | float
    origin: str


class Tried(Part):
    """One rule, and `matched` or the condition that failed."""

    rule: str
    found: str


class Choice(Part):
    """Which rule applied, and which printer and material entries were matched; None where none was."""

    rule: str | None = None
    printer: str | None = None
    material: str | None = None
    tried: tuple[Tried, ...] = ()


class Delivery(Part):
    """Where the job went; `name` is a path in `folder`, as it stands on the disk."""

    folder: Literal["outbox", "held", "nowhere"]
    name: str
    name_hex: str | None = None


class Record(Part):
    """One job from claim to end. Sizes in bytes, durations in s, times in UTC (for reading; order is the ledger's)."""

    schema_version: Literal[1] = 1
    id: str
    name: str
    name_hex: str | None = None
    version: str
    received: str
    finished: str
    boot: str
    monotonic_s: float
    mode: Literal["rewrite", "observe", "pause"]
    settled_by: str
    attempts: int
    outcome: Literal["rewritten", "unchanged", "held"]
    reason_code: str
    reason: str
    size_in: int
    size_out: int
    sha256_in: str | None = None
    sha256_out: str | None = None
    would_be: dict[str, Any] | None = None
    rules_sha256: str | None = None
    choice: Choice = Choice()
    facts: tuple[FactSeen, ...] = ()
    counts: dict[str, int] = {}
    travels: dict[str, int] = {}
    measures: dict[str, float] = {}
    details: dict[str, Any] = {}
    warnings: tuple[str, ...] = ()
    violations: tuple[str, ...] = ()
    durations_s: dict[str, float] = {}
    delivered: Delivery


def delivery(folder: Literal["outbox", "held", "nowhere"], name: str) -> Delivery:
    """NAME as text; bytes that are not text are kept as hex besides."""
    text, odd = printable(name)
    return Delivery(folder=folder, name=text, name_hex=odd)


def to_bytes(record: Record) -> bytes:
    """The document as it stands on the disk: ASCII only, keys in the order declared."""
    text = json.dumps(record.model_dump(mode="json"), indent=1, ensure_ascii=True, allow_nan=False)
    # Layer by layer, a line a number would bury the rest. No string holds a raw line end, so none is touched.
    text = _NUMBERS.sub(lambda match: " ".join(match[0].split()), text)
    return f"{text}\n".encode("ascii")
