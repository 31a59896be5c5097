"""Numbers for monitoring, in the text format of Prometheus, through its own client library: one file, replaced whole.

The node exporter's textfile collector picks the file up; `examples/alerts.yaml` has alert rules for it. Names end in
their unit, as that project's naming rules ask.
"""

import time
from pathlib import Path
from typing import Any

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, disable_created_metrics, write_to_textfile

from liftwright.settings import Settings
from liftwright.spool.record import Record

NAME = "metrics.prom"
SECONDS = (0.05, 0.1, 0.5, 1, 5, 10, 30, 60, 300, 900)


class Metrics:
    """The numbers of one daemon since its start."""

    def __init__(self, settings: Settings) -> None:
        disable_created_metrics()  # type: ignore[no-untyped-call]
        self._place = settings.metrics_file or str(settings.folder("working") / NAME)
        self._registry = registry = CollectorRegistry()
        self._jobs = Counter("liftwright_jobs", "Jobs ended, by outcome", ["outcome"], registry=registry)
        self._bytes = Counter("liftwright_job_bytes", "Bytes of ended jobs as uploaded", registry=registry)
        self._seconds = Histogram("liftwright_job_seconds", "Time in the worker", buckets=SECONDS, registry=registry)
        self._gauges = {name: Gauge(f"liftwright_{name}", words, registry=registry) for name, words in GAUGES.items()}

    def count(self, record: Record) -> None:
        """One more job."""
        self._jobs.labels(record.outcome).inc()
        self._bytes.inc(record.size_in)
        self._seconds.observe(sum(record.durations_s.values()))

    def write(self, status: dict[str, Any]) -> None:
        """Replace the file by the numbers of now."""
        values = {
            "heartbeat_timestamp_seconds": time.time(),
            "inbox_jobs": status["in_inbox"],
            "inbox_longest_wait_seconds": status["in_inbox_longest_s"],
            "held_jobs": status["held"],
            "working_jobs": len(status["working"]) + status["claimed"],
            "rules_broken": bool(status["rules_broken"]),
            "watching_degraded": status["degraded"],
            "in_trouble": bool(status["trouble"]),
            "paused": status["mode"] == "pause",
            "free_bytes": status["free_mb"] * 1e6,
        }
        for name, value in values.items():
            self._gauges[name].set(float(value))
        Path(self._place).parent.mkdir(parents=True, exist_ok=True)
        write_to_textfile(self._place, self._registry)


GAUGES = {
    "heartbeat_timestamp_seconds": "When the daemon last wrote this file",
    "inbox_jobs": "Jobs that lie in the inbox",
    "inbox_longest_wait_seconds": "How long the longest waiting of them has lain unchanged",
    "held_jobs": "Jobs in held/ that nobody has dealt with",
    "working_jobs": "Jobs claimed and not yet handed on",
    "rules_broken": "1 while the rules as they stand can't be used",
    "watching_degraded": "1 while there are no file events",
    "in_trouble": "1 while the disk or the share stands in the way",
    "paused": "1 while the file PAUSE lies in the share",
    "free_bytes": "Room left on the share's file system",
}
