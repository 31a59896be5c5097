"""The workers of a daemon and the jobs between claim and proof: a queue in, findings out.

A worker that dies is replaced, and only the job it had begun is charged with it. A job that failed three times is held,
by a copy that the core never sees; if even the copy fails, it is held without one.
"""

import os
import selectors
import time
from collections import deque
from collections.abc import Sequence
from typing import Any

from liftwright import log, states
from liftwright.errors import LiftwrightError
from liftwright.settings import Settings
from liftwright.slots import Slot
from liftwright.spool.journal import Entry
from liftwright.spool.passage import Passage
from liftwright.trouble import Trouble

MOST_FAILURES = 3
MOST_COPY_FAILURES = 2
MOST_INTERRUPTIONS = 6
MOST_BAD_STARTS = 3
RESTART_S = 1.0


class Crew:
    """`queue`: jobs to be done; `given`: those at a worker, with the mode they are done in; `found`: what came out."""

    def __init__(
        self,
        settings: Settings,
        command: Sequence[str],
        passage: Passage,
        selector: selectors.BaseSelector,
        trouble: Trouble,
        logger: Any,
    ) -> None:
        self._settings = settings
        self._command = command
        self._passage = passage
        self._selector = selector
        self._trouble = trouble
        self._log = logger
        self._bad_starts = 0
        self._started = 0.0
        self.slots: list[Slot] = []
        self.queue: deque[Entry] = deque()
        self.given: dict[str, tuple[Entry, str]] = {}
        self.found: list[tuple[Entry, dict[str, Any], str]] = []

    def fill(self) -> None:
        """Start workers until every slot has one; at most one a second after the first round.

        The first is waited for: the others find its kernels compiled, instead of compiling them at the same time.
        """
        first = self._started == 0.0
        while len(self.slots) < self._settings.slots and (not self.slots or any(slot.ready for slot in self.slots)):
            if not first and time.monotonic() - self._started < RESTART_S:
                return
            slot = Slot(self._command, self._settings)
            self._started = time.monotonic()
            self.slots.append(slot)
            self._selector.register(slot.channel, selectors.EVENT_READ, slot)

    def listen(self, slot: Slot) -> None:
        """Hear what a worker says; if it has gone, settle its jobs."""
        if self._hear_all(slot):
            self._end(slot, "")

    def mind(self) -> None:
        """Send what is unsent, and end workers that overstepped a limit."""
        for slot in list(self.slots):
            slot.send()
            why = slot.overstepped()
            if why:
                self._hear_all(slot)
                self._end(slot, why)

    def hand_over(self, mode: str, rules: str | None) -> None:
        """Give queued jobs to free workers; RULES = path of the snapshot, None when there is no good rule set."""
        while self.queue:
            entry = self.queue[0]
            self._give_up_copying(entry)
            size = os.lstat(self._passage.path(entry, ".in")).st_size
            if not entry.copy:
                self.queue.popleft()
                self.found.append((entry, _unread(entry, size), mode))
                continue
            free = [slot for slot in self.slots if slot.can_take(size)]
            refusal = refusal_of(entry)
            if not free or (rules is None and mode != "pause" and refusal is None):
                return
            self.queue.popleft()
            self._passage.discard(entry, entry.begun + 1)
            self.given[entry.id] = (entry, mode)
            slot = min(free, key=lambda slot: len(slot.jobs))
            slot.give(entry.id, size, self._request(entry, mode, refusal, rules))

    def put_down(self, slot: Slot) -> None:
        """End a worker in good order: what it had not finished counts as never begun."""
        self._hear_all(slot)
        self._selector.unregister(slot.channel)
        self.slots.remove(slot)
        ending = slot.end("the daemon stops")
        if ending.begun is not None:
            self._passage.journal.note("ended", self.given[ending.begun][0])

    def close(self) -> None:
        """Kill whatever still runs."""
        for slot in self.slots:
            slot.end("the daemon stops")

    def _hear_all(self, slot: Slot) -> bool:
        messages, gone = slot.receive()
        for message in messages:
            self._hear(message)
        return gone

    def _hear(self, message: dict[str, Any]) -> None:
        journal, kind = self._passage.journal, message["kind"]
        if kind == "ready":
            self._bad_starts = 0
        if kind in ("ready", "tick"):
            return
        entry, mode = self.given[message["id"]]
        if kind == "begun":
            journal.note("begun", entry)
            return
        del self.given[entry.id]
        if kind == "done":
            finding = message["finding"]
            ending = "trial.out" if finding.get("in_folder") else "out"
            self.found.append((entry, {**finding, "output": f"{entry.id}.{entry.begun}.{ending}"}, mode))
            journal.note("ended", entry)
        elif kind == "failed":
            self._count_failure(entry, message["words"])
        else:
            journal.note("ended", entry)
            self.queue.append(entry)
            self._trouble.meet(message["words"])

    def _end(self, slot: Slot, why: str) -> None:
        self._selector.unregister(slot.channel)
        self.slots.remove(slot)
        ending = slot.end(why)
        for job in reversed(ending.given_back):
            self.queue.appendleft(self.given.pop(job)[0])
        if ending.begun is not None:
            self._count_failure(self.given.pop(ending.begun)[0], ending.why)
        else:
            self._log.error(log.WORKER_ENDED, why=ending.why)
        self._bad_starts += not ending.was_ready
        if self._bad_starts >= MOST_BAD_STARTS:
            command = " ".join(self._command)
            raise LiftwrightError(f"{command}: ended {MOST_BAD_STARTS} times before it was ready; {ending.why}")

    def _count_failure(self, entry: Entry, why: str) -> None:
        self._passage.journal.note("failed", entry, why=why)
        self._passage.discard(entry, entry.begun)
        self.queue.append(entry)
        self._log.error(log.WORKER_ENDED, job=entry.id, why=why, failures=len(entry.failures))

    def _give_up_copying(self, entry: Entry) -> None:
        """Even the copy for held/ can't be made: held without one, so that the job comes to an end."""
        if len(entry.failures) >= MOST_FAILURES + MOST_COPY_FAILURES and entry.copy:
            entry.refusal, entry.copy = refusal_of(entry), False

    def _request(self, entry: Entry, mode: str, refusal: tuple[str, str] | None, rules: str | None) -> dict[str, Any]:
        attempt = entry.begun + 1
        tags = self._passage.path(entry, ".tags.yaml")
        return {
            "in": str(self._passage.path(entry, ".in")),
            "out": str(self._passage.path(entry, f".{attempt}.out")),
            "bad": str(self._passage.path(entry, f".{attempt}.bad")),
            "trial": str(self._passage.path(entry, f".{attempt}.trial.out")),
            "page": str(self._passage.path(entry, f".{attempt}.page")),
            # What is more than the job itself isn't tried again with a job that failed: it may be to blame.
            "besides": not entry.failures,
            "tags": str(tags) if tags.exists() else None,
            "relative": entry.relative,
            "mode": mode,
            "refusal": refusal,
            "rules": rules,
            "comment_keys": self._settings.comment_keys,
            "name_pattern": self._settings.name_pattern,
            "folder_pattern": self._settings.folder_pattern,
            "may_set_printer": self._settings.may_set_printer,
        }


def refusal_of(entry: Entry) -> tuple[str, str] | None:
    """Why the core must not see this job (again)."""
    if entry.refusal is not None:
        return entry.refusal
    if len(entry.failures) >= MOST_FAILURES:
        return "failed_repeatedly", f"it failed {len(entry.failures)} times; the last time: {entry.failures[-1]}"
    if entry.interruptions >= MOST_INTERRUPTIONS:
        return "interrupted_repeatedly", f"the daemon came to an abrupt end {entry.interruptions} times while at it"
    return None


def _unread(entry: Entry, size: int) -> dict[str, Any]:
    """The finding for what is held without being read."""
    code, words = entry.refusal or ("unread", "it can't be read")
    return {"outcome": states.HELD, "reason_code": code, "reason": words, "size_in": size, "size_out": 0}
