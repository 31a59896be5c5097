"""The daemon: one loop that lists, claims, hands to workers, commits groups and looks after everything else.

1. One thread does all of it; the observer's threads only leave hints, and the work itself is done in worker processes.
2. Whatever the disk refuses is tried again later from the same step (`_try`); only a journal that can't be made durable
   and a share that was replaced end the process, with exit code 6, and everything goes on after the restart.
3. The service manager hears from this loop alone, and only while it is healthy.
"""

import os
import selectors
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from liftwright import log, notify, places, states
from liftwright.errors import DeliveryError, LiftwrightError
from liftwright.metrics import Metrics
from liftwright.rulebook import LOOK_S, Load, Rulebook
from liftwright.rules.load import load_rules
from liftwright.settings import Settings
from liftwright.slots import Slot
from liftwright.spool import retention, settle
from liftwright.spool.durable import READ_FLAGS, is_plain
from liftwright.spool.history import history
from liftwright.spool.inbox import Inbox
from liftwright.spool.journal import Entry, Journal, NoRoom
from liftwright.spool.passage import Passage
from liftwright.spool.recovery import recover
from liftwright.spool.release import release
from liftwright.status import forget_status, gather_status, status, write_status
from liftwright.watching import Hints, Watch

__all__ = ["history", "release", "serve", "status"]

WORKER = (sys.executable, "-m", "liftwright.worker")
LISTING_S = 30.0
LISTING_ALONE_S = 5.0
SOONEST_LISTING_S = 0.3
TURN_S = 1.0
HEALTH_S = 5.0
STATUS_S = 2.0
SLOW_ROUND_S = 30.0
RETENTION_S = 600.0
BACK_OFF_S = 3.0
STOP_S = 60.0
GROUP = 64
MOST_FAILURES = 3
MOST_COPY_FAILURES = 2
MOST_INTERRUPTIONS = 6
MOST_BAD_STARTS = 3
COMPACT_IDLE_S = 60.0
LONG_WAIT_S = 86_400.0


def serve(settings: Settings, worker_command: Sequence[str] = WORKER, load: Load = load_rules) -> int:
    """Run until SIGTERM or SIGINT; 0 after an orderly stop. DeliveryError when the share can't be served."""
    lock = places.prepare(settings)
    try:
        forget_status(settings)
        return Daemon(settings, worker_command, load).run()
    finally:
        os.close(lock)


class Daemon:
    """Everything the loop knows; made by `serve` once the working folder is locked."""

    def __init__(self, settings: Settings, worker_command: Sequence[str], load: Load) -> None:
        self.settings = settings
        self.log = log.open_log()
        self.started = time.monotonic()
        self.selector = selectors.DefaultSelector()
        self._wake, wake = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self.hints = Hints(wake)
        self.selector.register(self._wake, selectors.EVENT_READ, None)
        self._worker_command = worker_command
        self.inbox = Inbox(settings)
        self.watch = Watch(settings.folder("inbox"), self.hints)
        self.rulebook = Rulebook(settings, load)
        self.metrics = Metrics(settings)
        self.passage = Passage(settings, Journal(settings.folder("working") / "journal"))
        self.slots: list[Slot] = []
        self.unsettled: list[Entry] = []
        self.queue: deque[Entry] = deque()
        self.given: dict[str, tuple[Entry, str]] = {}
        self.found: list[tuple[Entry, dict[str, Any], str]] = []
        self.proved: list[Entry] = []
        self.last_job: dict[str, Any] = {}
        self.trouble = ""
        self.signals: list[int] = []
        self.ready = False
        self._retry_at = 0.0
        self._bad_starts = 0
        self._listed = float("-inf")
        self._listing_took = 0.0
        self._list_soon = True
        self._alone_until = 0.0
        self._identities = places.identities(settings)
        self._due: dict[str, float] = {}
        self._warned: set[str] = set()

    def run(self) -> int:
        """The whole life of the daemon."""
        self._take_signals()
        self.log.info(log.STARTED, share=self.settings.share, pid=os.getpid(), mode=self.settings.mode)
        self._look_at_rules(now=True)
        try:
            self._recover()
            self.watch.start()
            self._say_watching()
            while len(self.slots) < self.settings.slots:
                self._start_slot()
            while not self._stopping():
                self._turn()
            self._stop()
        finally:
            self._release_all()
        self.log.info(log.STOPPED)
        return 0

    def _recover(self) -> None:
        if self.passage.journal.damaged:
            self.log.error(log.JOURNAL_DAMAGED, lines=self.passage.journal.damaged)
        try:
            entries = recover(self.passage)
        except OSError as error:
            working = self.settings.folder("working")
            raise DeliveryError(f"{working}: {error}; wanted to finish what was open") from error
        self.unsettled.extend(entries)
        if entries:
            self.log.info(log.RECOVERED, jobs=[entry.id for entry in entries])

    # One turn.

    def _turn(self, claims: bool = True) -> None:
        timeout = 0.0 if self.found or self.proved else TURN_S
        if self._list_soon or self.unsettled or self.inbox.seen:
            timeout = min(timeout, SOONEST_LISTING_S)
        self._receive(timeout)
        self._mind_slots()
        if claims:
            self._hear_hints()
            self._list()
            self._try(self._claim)
            self._settle_claimed()
        self._hand_over()
        self._try(self._commit)
        self._housekeep()

    def _receive(self, timeout: float) -> None:
        for key, _ in self.selector.select(timeout):
            slot: Slot | None = key.data
            if slot is None:
                self._drain_wake()
                continue
            messages, gone = slot.receive()
            for message in messages:
                self._hear(message)
            if gone:
                self._end_slot(slot, "")

    def _drain_wake(self) -> None:
        try:
            os.read(self._wake, 1 << 16)
        except BlockingIOError:
            return

    def _hear(self, message: dict[str, Any]) -> None:
        journal = self.passage.journal
        kind = message["kind"]
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
            self.found.append((entry, {**message["finding"], "output": f"{entry.id}.{entry.begun}.out"}, mode))
            journal.note("ended", entry)
        elif kind == "failed":
            self._count_failure(entry, message["words"])
        else:
            journal.note("ended", entry)
            self.queue.append(entry)
            self._in_trouble(message["words"])

    def _count_failure(self, entry: Entry, why: str) -> None:
        self.passage.journal.note("failed", entry, why=why)
        self.passage.discard(entry, entry.begun)
        self.queue.append(entry)
        self.log.error(log.WORKER_ENDED, job=entry.id, why=why, failures=len(entry.failures))

    # Workers.

    def _start_slot(self) -> None:
        slot = Slot(self._worker_command, self.settings)
        self.slots.append(slot)
        self.selector.register(slot.channel, selectors.EVENT_READ, slot)

    def _mind_slots(self) -> None:
        for slot in list(self.slots):
            slot.send()
            why = slot.overstepped()
            if why:
                messages, _ = slot.receive()
                for message in messages:
                    self._hear(message)
                self._end_slot(slot, why)
        if not self._stopping():
            while len(self.slots) < self.settings.slots and self._is_due("start", 1.0):
                self._start_slot()

    def _end_slot(self, slot: Slot, why: str) -> None:
        self.selector.unregister(slot.channel)
        self.slots.remove(slot)
        ending = slot.end(why)
        for job in reversed(ending.given_back):
            self.queue.appendleft(self.given.pop(job)[0])
        if ending.begun is not None:
            self._count_failure(self.given.pop(ending.begun)[0], ending.why)
        else:
            self.log.error(log.WORKER_ENDED, why=ending.why)
        if not ending.was_ready:
            self._bad_starts += 1
        if self._bad_starts >= MOST_BAD_STARTS:
            command = " ".join(self._worker_command)
            raise LiftwrightError(f"{command}: ended {MOST_BAD_STARTS} times before it was ready")

    # Into the daemon.

    def _hear_hints(self) -> None:
        changed, doubt, finished = self.hints.take()
        root = f"{self.settings.folder('inbox')}/"
        self.inbox.renamed.update(path.removeprefix(root) for path in finished)
        self._list_soon = self._list_soon or changed or bool(doubt)
        if doubt:
            self.log.warning(log.DOUBT, why=doubt)

    def _list(self) -> None:
        now = time.monotonic()
        every = LISTING_ALONE_S if self.watch.degraded or now < self._alone_until else LISTING_S
        # A hint is followed soon, but a huge inbox must not be listed all the time.
        soonest = max(SOONEST_LISTING_S, 10 * self._listing_took)
        if now - self._listed < (soonest if self._list_soon else every):
            return
        try:
            new, gone = self.inbox.list(now)
        except OSError as error:
            self._in_trouble(f"{self.settings.folder('inbox')}: {error.strerror}")
            return
        if new and not self._list_soon and not self.watch.degraded and self.ready:
            # A file that no event told of: a network mount, or events that got lost.
            self._alone_until = now + RETENTION_S
            self.log.warning(log.DOUBT, why=f"{new} files came without an event; listing more often")
        if gone:
            self.log.info(log.WITHDRAWN, files=gone)
        self._listed, self._list_soon = now, False
        self._listing_took = time.monotonic() - now

    def _claim(self) -> None:
        room = self._room()
        if room <= 0 or not self._may_claim():
            return
        candidates = list(self.inbox.pick(time.monotonic(), room))
        if not candidates:
            return
        try:
            self.passage.claim(candidates, self.unsettled)
        finally:
            self._list_soon = True
            self.inbox.forget(candidates)

    def _room(self) -> int:
        open_jobs = len(self.queue) + len(self.given) + len(self.found) + len(self.proved) + len(self.unsettled)
        return GROUP * 2 - open_jobs if len(self.queue) <= GROUP // 2 else 0

    def _may_claim(self) -> bool:
        if not self.ready or (self.rulebook.rules is None and not self._paused()):
            return False
        free = places.free_mb(self.settings)
        if free < self.settings.free_space_floor_mb:
            self._in_trouble(f"only {free:.0f} MB free; no job is taken below {self.settings.free_space_floor_mb} MB")
            return False
        return True

    def _settle_claimed(self) -> None:
        """Nobody has a path to a claimed file any more, but somebody may still write into it."""
        waiting: list[Entry] = []
        for entry in self.unsettled:
            (self.queue if self._is_settled(entry) else waiting).append(entry)
        self.unsettled = waiting

    def _is_settled(self, entry: Entry) -> bool:
        path = self.passage.path(entry, ".in")
        info = os.lstat(path)
        if not is_plain(info):
            entry.refusal = entry.refusal or ("not_a_plain_file", "it is a link, a pipe or a device, not a plain file")
            entry.copy = False
        if not entry.copy or entry.refusal is not None:
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
            self._warn_daily(entry.id, entry.relative)
            return False
        if finish.code != settle.COMPLETE:
            entry.refusal = ("incomplete", settle.WORDS[finish.code])
        return True

    def _warn_daily(self, key: str, name: str) -> None:
        if self._is_due(f"writer {key}", LONG_WAIT_S):
            self.log.warning(log.WAITING, job=key, name=name, why=settle.WORDS[settle.STILL_WRITTEN])

    # To the workers.

    def _give_up_copying(self, entry: Entry) -> None:
        """Even the copy for held/ can't be made: held without one, so that the job comes to an end."""
        if len(entry.failures) >= MOST_FAILURES + MOST_COPY_FAILURES and entry.copy:
            entry.refusal, entry.copy = _refusal(entry), False

    def _paused(self) -> bool:
        return self.settings.pause_file.exists()

    def _hand_over(self) -> None:
        if not self.queue or self._stopping() or time.monotonic() < self._retry_at:
            return
        mode = "pause" if self._paused() else self.settings.mode
        free = sorted(self.slots, key=lambda slot: len(slot.jobs))
        while self.queue:
            entry = self.queue[0]
            self._give_up_copying(entry)
            info = os.lstat(self.passage.path(entry, ".in"))
            if not entry.copy:
                self.queue.popleft()
                self.found.append((entry, _unread(entry, info.st_size), mode))
                continue
            slot = next((slot for slot in free if slot.can_take(info.st_size)), None)
            refusal = _refusal(entry)
            if slot is None or (self.rulebook.rules is None and mode != "pause" and refusal is None):
                return
            self.queue.popleft()
            self.passage.discard(entry, entry.begun + 1)
            self.given[entry.id] = (entry, mode)
            slot.give(entry.id, info.st_size, self._request(entry, mode, refusal))
            free.sort(key=lambda slot: len(slot.jobs))

    def _request(self, entry: Entry, mode: str, refusal: tuple[str, str] | None) -> dict[str, Any]:
        attempt = entry.begun + 1
        tags = self.passage.path(entry, ".tags.yaml")
        return {
            "kind": "job",
            "in": str(self.passage.path(entry, ".in")),
            "out": str(self.passage.path(entry, f".{attempt}.out")),
            "bad": str(self.passage.path(entry, f".{attempt}.bad")),
            "tags": str(tags) if tags.exists() else None,
            "relative": entry.relative,
            "mode": mode,
            "refusal": refusal,
            "rules": self.rulebook.snapshot,
            "comment_keys": self.settings.comment_keys,
            "name_pattern": self.settings.name_pattern,
            "folder_pattern": self.settings.folder_pattern,
            "may_set_printer": self.settings.may_set_printer,
        }

    # Out of the daemon.

    def _commit(self) -> None:
        if self.found:
            self.passage.prove(self.found)
            self.proved.extend(entry for entry, _, _ in self.found)
            self.found.clear()
        if self.proved:
            self.passage.publish(self.proved)
            for record in self.passage.finish(self.proved):
                self.last_job = log.job_event(record)
                self.metrics.count(record)
                self.log.info(log.JOB, **self.last_job)
            self.proved.clear()
            self.passage.compact()
        elif not self.given and not self.queue and self._is_due("compact", COMPACT_IDLE_S):
            self.passage.compact(now=any(e.state == states.CLOSED for e in self.passage.journal.entries.values()))
        self.passage.journal.flush()

    def _try(self, step: Callable[[], None]) -> None:
        """Do a step that needs the disk; what it could not finish is tried again after a pause."""
        if time.monotonic() < self._retry_at:
            return
        try:
            step()
        except (NoRoom, OSError) as error:
            self._in_trouble(str(error))
        else:
            if self.trouble and step == self._commit:
                self.log.info(log.TROUBLE_OVER, why=self.trouble)
                self.trouble = ""

    def _in_trouble(self, why: str) -> None:
        if why != self.trouble:
            self.log.error(log.TROUBLE, why=why)
        self.trouble = why
        self._retry_at = time.monotonic() + BACK_OFF_S

    # Looking after everything else.

    def _is_due(self, what: str, every: float) -> bool:
        now = time.monotonic()
        if now < self._due.get(what, 0.0):
            return False
        self._due[what] = now + every
        return True

    def _housekeep(self) -> None:
        if self._is_due("rules", LOOK_S):
            self._look_at_rules()
        healthy = True
        if self._is_due("health", HEALTH_S):
            self._check_health()
        if not self.ready:
            self._become_ready()
        if self._is_due("status", STATUS_S):
            self._tell_status()
        if self._is_due("retention", RETENTION_S):
            self._expire()
        interval = notify.watchdog_interval()
        if interval is not None and healthy and self._is_due("ping", min(interval, 10.0)):
            notify.tell("WATCHDOG=1")

    def _become_ready(self) -> None:
        if self._listed < 0 or not any(slot.ready for slot in self.slots):
            if self._is_due("extend", 5.0):
                notify.tell("EXTEND_TIMEOUT_USEC=30000000\nSTATUS=compiling and starting workers")
            return
        self.ready = True
        self.log.info(log.READY, slots=len(self.slots))
        self._tell_status()
        notify.tell("READY=1\nSTATUS=watching the inbox")

    def _look_at_rules(self, now: bool = False) -> None:
        if not self.rulebook.look(now):
            return
        rules = self.rulebook.rules
        if self.rulebook.broken:
            self.log.error(log.RULES_BROKEN, faults=self.rulebook.broken, kept=rules.digest if rules else None)
        elif rules is not None:
            self.log.info(log.RULES, sha256=rules.digest, files=list(rules.sources))

    def _check_health(self) -> None:
        found = places.identities(self.settings)
        for name, known in self._identities.items():
            if found.get(name) != known and name != "rules":
                place = self.settings.folder(name)
                raise DeliveryError(f"{place}: was replaced, renamed or is gone; wanted the folder of the start")
        why = self.watch.check()
        if why:
            self.log.error(log.WATCHING, why=why)
            self.watch.restart()
            self._list_soon = True
            self._say_watching()
        elif self.watch.degraded and self._is_due("watch again", SLOW_ROUND_S):
            self.watch.restart()

    def _say_watching(self) -> None:
        if self.watch.degraded:
            self.log.warning(log.WATCHING, why=self.watch.degraded)

    def _tell_status(self) -> None:
        found = gather_status(self)
        try:
            write_status(self.settings, found)
            if self._is_due("metrics", 10.0):
                self.metrics.write(found)
        except OSError as error:
            self._in_trouble(str(error))
        notify.tell("STATUS=" + notify.one_line(found["summary"]))

    def _expire(self) -> None:
        try:
            removed = retention.expire(self.settings)
        except OSError as error:
            self._in_trouble(str(error))
            return
        if removed:
            self.log.info(log.EXPIRED, **removed)

    # Signals and the end.

    def _take_signals(self) -> None:
        signal.set_wakeup_fd(self.hints.wake, warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, lambda number, _: self.signals.append(number))
        # A writer that opens a file in the instant we hold a read lease on it would end this process.
        signal.signal(signal.SIGIO, signal.SIG_IGN)

    def _stopping(self) -> bool:
        if signal.SIGHUP in self.signals:
            self.signals = [number for number in self.signals if number != signal.SIGHUP]
            self._look_at_rules(now=True)
        return bool(self.signals)

    def _stop(self) -> None:
        """Let begun jobs end, give the others back; a second signal or the time limit rolls the begun ones back too."""
        notify.tell("STOPPING=1\nSTATUS=finishing begun jobs")
        self.log.info(log.STOPPING, begun=sum(slot.begun is not None for slot in self.slots))
        until = time.monotonic() + STOP_S
        begun = {slot: slot.begun for slot in self.slots}
        while time.monotonic() < until and len(self.signals) < 2:
            # A worker that is through takes up the next job it was handed at once; that one is given back.
            for slot in [slot for slot in self.slots if slot.begun is None or slot.begun != begun.get(slot)]:
                self._put_down(slot)
            if not self.slots:
                break
            self._turn(claims=False)
        for slot in list(self.slots):
            self._put_down(slot)
        self._try(self._commit)

    def _put_down(self, slot: Slot) -> None:
        """End a worker in good order: what it had not finished counts as never begun."""
        messages, _ = slot.receive()
        for message in messages:
            self._hear(message)
        self.selector.unregister(slot.channel)
        self.slots.remove(slot)
        ending = slot.end("the daemon stops")
        if ending.begun is not None:
            self.passage.journal.note("ended", self.given[ending.begun][0])

    def _release_all(self) -> None:
        for slot in self.slots:
            slot.end("the daemon stops")
        self.watch.stop()
        signal.set_wakeup_fd(-1)
        self.selector.close()
        os.close(self._wake)
        os.close(self.hints.wake)
        self.passage.close()


def _refusal(entry: Entry) -> tuple[str, str] | None:
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
