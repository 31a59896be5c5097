"""The daemon's log: one JSON object a line on stderr, ASCII only, so that no job name can forge or break a line.

Under a service manager each line begins with its level, `<4>` for a warning, as sd-daemon(3) has it.
"""

import json
import logging
import os
import sys
from collections.abc import MutableMapping
from typing import Any

import structlog

from liftwright.notify import LEVELS
from liftwright.spool.record import Record

# Names of events: what a search through a year of logs relies on.
JOB = "job"
STARTED = "started"
READY = "ready"
STOPPING = "stopping"
STOPPED = "stopped"
RULES = "rules"
RULES_BROKEN = "rules_broken"
DOUBT = "events_in_doubt"
WATCHING = "watching"
TROUBLE = "trouble"
TROUBLE_OVER = "trouble_over"
WORKER_ENDED = "worker_ended"
WITHDRAWN = "withdrawn"
WAITING = "waiting_long"
EXPIRED = "expired"
RECOVERED = "recovered"
JOURNAL_DAMAGED = "journal_damaged"
LIBRARY = "library"
VERDICT = "verdict"
VERDICT_REFUSED = "verdict_refused"
VERDICTS_BLOCKED = "verdicts_blocked"


class _Libraries(logging.Handler):
    """What libraries say by themselves becomes a line like every other; else it would stand on stderr as plain text."""

    def __init__(self, logger: Any) -> None:
        super().__init__(logging.WARNING)
        self._logger = logger

    def emit(self, record: logging.LogRecord) -> None:
        self._logger.warning(LIBRARY, of=record.name, says=record.getMessage())


def open_log() -> Any:
    """The log of this process, from now on that of its libraries too."""
    prefixed = "JOURNAL_STREAM" in os.environ or "NOTIFY_SOCKET" in os.environ

    def write(_: Any, method: str, event: MutableMapping[str, Any]) -> str:
        text = json.dumps(event, ensure_ascii=True, default=repr)
        return f"<{LEVELS.get(method, 6)}>{text}" if prefixed else text

    logger = structlog.wrap_logger(
        structlog.WriteLogger(sys.stderr),
        processors=[structlog.processors.add_log_level, structlog.processors.TimeStamper(fmt="iso", utc=True), write],
        wrapper_class=structlog.BoundLogger,
    )
    logging.getLogger().addHandler(_Libraries(logger))
    logging.captureWarnings(True)
    return logger


def job_event(record: Record) -> dict[str, Any]:
    """The one line of a job: what a person or a search needs, the rest is in the record."""
    return {
        "id": record.id,
        "name": record.name,
        "outcome": record.outcome,
        "reason_code": record.reason_code,
        "rule": record.choice.rule,
        "printer": record.choice.printer,
        "material": record.choice.material,
        "rewritten": record.counts.get("rewritten"),
        "size_in": record.size_in,
        "size_out": record.size_out,
        "sha256_in": record.sha256_in,
        "sha256_out": record.sha256_out,
        "folder": record.delivered.folder,
        "delivered": record.delivered.name,
        "attempts": record.attempts,
        "seconds": round(sum(record.durations_s.values()), 3),
    }
