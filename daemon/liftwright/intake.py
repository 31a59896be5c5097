"""From the inbox to settled claims: when to list, what to claim, and which claimed files nobody writes to any more."""

import os
import time
from collections.abc import Callable
from typing import Any

from liftwright import log
from liftwright.settings import Settings
from liftwright.spool import settle
from liftwright.spool.claiming import claim
from liftwright.spool.durable import READ_FLAGS, is_plain
from liftwright.spool.inbox import Inbox
from liftwright.spool.journal import Entry
from liftwright.spool.passage import Passage
from liftwright.trouble import Trouble
from liftwright.watching import Hints, Watch

LISTING_S = 30.0
LISTING_ALONE_S = 5.0
SOONEST_LISTING_S = 0.3
# So long the inbox is listed more often after a file came without an event.
DOUBTFUL_S = 600.0
LONG_WAIT_S = 86_400.0


class Intake:
    """`unsettled`: claimed, but perhaps still written to; `trouble`: what keeps jobs from being taken."""

    def __init__(self, settings: Settings, passage: Passage, hints: Hints, watch: Watch, trouble: Trouble, logger: Any):
        self.inbox = Inbox(settings)
        self._settings = settings
        self._passage = passage
        self._hints = hints
        self._watch = watch
        self.trouble = trouble
        self._log = logger
        self._last = float("-inf")
        self._took = 0.0
        self._alone_until = 0.0
        self._warned: dict[str, float] = {}
        self.soon = True
        self.unsettled: list[Entry] = []

    @property
    def listed(self) -> bool:
        """Whether the first listing is done."""
        return self._last > float("-inf")

    @property
    def age(self) -> float:
        """Seconds since the last listing."""
        return time.monotonic() - self._last

    @property
    def is_busy(self) -> bool:
        """Whether something may be due soon, so that the loop must not sleep long."""
        return self.soon or bool(self.unsettled) or bool(self.inbox.seen)

    def hear_hints(self) -> None:
        """Take what the observer left."""
        changed, doubt, finished = self._hints.take()
        root = f"{self._settings.folder('inbox')}/"
        self.inbox.renamed.update(path.removeprefix(root) for path in finished)
        self.soon = self.soon or changed or bool(doubt)
        if doubt:
            self._log.warning(log.DOUBT, why=doubt)

    def list_if_due(self) -> None:
        """List the inbox: soon after a hint, regularly without one; a huge inbox must not be listed all the time."""
        now = time.monotonic()
        every = LISTING_ALONE_S if self._watch.degraded or now < self._alone_until else LISTING_S
        if now - self._last < (max(SOONEST_LISTING_S, 10 * self._took) if self.soon else every):
            return
        try:
            new, gone = self.inbox.list(now)
        except OSError as error:
            self.trouble.meet(f"{self._settings.folder('inbox')}: {error.strerror}")
            return
        if new and not self.soon and not self._watch.degraded and self.listed:
            self._alone_until = now + DOUBTFUL_S
            self._log.warning(log.DOUBT, why=f"{new} files came without an event; listing more often")
        if gone:
            self._log.info(log.WITHDRAWN, files=gone)
        self._last, self.soon = now, False
        self._took = time.monotonic() - now

    def claim(self, most: int) -> None:
        """Claim at most MOST jobs; an OSError leaves those claimed so far in `unsettled`."""
        candidates = list(self.inbox.pick(time.monotonic(), most)) if most > 0 else []
        if not candidates:
            return
        stuck: dict[str, str] = {}
        try:
            stuck = claim(self._passage, candidates, self.unsettled)
        finally:
            self.inbox.forget(one for one in candidates if one.relative not in stuck)
            self.soon = True
        for relative, why in stuck.items():
            self.inbox.leave(relative, why)
            self._warn_daily(relative, relative, why)

    def settle(self, done: Callable[[Entry], None]) -> None:
        """Nobody has a path to a claimed file any more, but somebody may still write into it; DONE takes the others."""
        waiting: list[Entry] = []
        for entry in self.unsettled:
            if self._is_settled(entry):
                done(entry)
            else:
                waiting.append(entry)
        self.unsettled = waiting

    def _is_settled(self, entry: Entry) -> bool:
        path = self._passage.path(entry, ".in")
        info = os.lstat(path)
        if not is_plain(info):
            entry.refusal = entry.refusal or ("not_a_plain_file", "it is a link, a pipe or a device, not a plain file")
            entry.copy = False
        if entry.refusal is not None:
            return True
        try:
            fd = os.open(path, READ_FLAGS)
        except OSError as error:
            entry.refusal, entry.copy = ("unreadable_file", f"it can't be opened: {error.strerror}"), False
            return True
        try:
            finish = settle.finish_of(fd, info.st_size)
        finally:
            os.close(fd)
        if finish.code == settle.STILL_WRITTEN:
            self._warn_daily(entry.id, entry.relative, settle.WORDS[settle.STILL_WRITTEN])
            return False
        if finish.code != settle.COMPLETE:
            entry.refusal = ("incomplete", settle.WORDS[finish.code])
        return True

    def _warn_daily(self, job: str, name: str, why: str) -> None:
        now = time.monotonic()
        if now >= self._warned.get(job, 0.0):
            self._warned[job] = now + LONG_WAIT_S
            self._log.warning(log.WAITING, job=job, name=name, why=why)
