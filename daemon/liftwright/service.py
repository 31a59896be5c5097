"""The daemon: one loop that lists, claims, hands to workers, commits groups and looks after everything else.

1. One thread does all of it; the observer's threads only leave hints, and the work itself is done in worker processes.
2. Whatever the disk refuses is tried again later from the same step (`trouble`); only a journal that can't be made
   durable and a share that was replaced end the process, with exit code 6, and everything goes on after the restart.
3. The service manager hears from this thread alone: while the loop is healthy, and of what gets done on the disk.
"""

import os
import selectors
import sys
import time
from collections.abc import Sequence
from typing import Any

from liftwright import log, places, states
from liftwright.crew import Crew
from liftwright.errors import DeliveryError
from liftwright.evidence.verdict_box import VerdictBox
from liftwright.health import Health
from liftwright.intake import LISTING_S, SOONEST_LISTING_S, Intake
from liftwright.metrics import Metrics
from liftwright.pulse import Pulse
from liftwright.rulebook import LOOK_S, Load, Rulebook
from liftwright.rules.load import load_rules
from liftwright.settings import Settings
from liftwright.signals import Signals
from liftwright.slots import Slot
from liftwright.spool import retention
from liftwright.spool.durable import on_progress
from liftwright.spool.history import history
from liftwright.spool.journal import Entry, Journal
from liftwright.spool.passage import Passage
from liftwright.spool.recovery import recover
from liftwright.spool.release import release
from liftwright.status import forget_status, gather_status, status, write_status
from liftwright.trouble import Trouble
from liftwright.watching import Hints, Watch

__all__ = ["history", "release", "serve", "status"]

WORKER = (sys.executable, "-m", "liftwright.worker")
TURN_S = 1.0
HEALTH_S = 5.0
STATUS_S = 2.0
METRICS_S = 10.0
RETENTION_S = 600.0
VERDICTS_S = 2.0
COMPACT_IDLE_S = 60.0
STOP_S = 60.0
MOST_OPEN = 128


def serve(settings: Settings, worker_command: Sequence[str] = WORKER, load: Load = load_rules) -> int:
    """Run until SIGTERM or SIGINT; 0 after an orderly stop. DeliveryError when the share can't be served."""
    lock = places.prepare(settings)
    try:
        forget_status(settings)
        return Daemon(settings, worker_command, load).run()
    except OSError as error:
        # No step that could be tried again met it: everything goes on after a restart.
        raise DeliveryError(f"{error}; wanted a share that can be read and written") from error
    finally:
        os.close(lock)


class Daemon:
    """Everything the loop knows; made by `serve` once the working folder is locked."""

    def __init__(self, settings: Settings, worker_command: Sequence[str], load: Load) -> None:
        self.settings = settings
        self.log = log.open_log()
        self.started = time.monotonic()
        self.selector = selectors.DefaultSelector()
        self.signals = Signals(self.selector)
        self.hints = Hints(self.signals.wake)
        self.pulse = Pulse()
        self.trouble = Trouble(self.log)
        self.rulebook = Rulebook(settings, load)
        self.metrics = Metrics(settings)
        self.passage = Passage(settings, Journal(settings.folder("working") / "journal"))
        self.watch = Watch(settings.folder("inbox"), self.hints)
        self.intake = Intake(settings, self.passage, self.hints, self.watch, Trouble(self.log), self.log)
        self.crew = Crew(settings, worker_command, self.passage, self.selector, self.trouble, self.log)
        self.verdicts = VerdictBox(settings, self.log)
        self.proved: list[Entry] = []
        self.last_job: dict[str, Any] = {}
        self.health = Health(settings, self.watch, self.intake, self.log)
        self._due: dict[str, float] = {}

    def run(self) -> int:
        """The whole life of the daemon."""
        self.signals.listen()
        on_progress(self.pulse.beat)
        self.log.info(log.STARTED, share=self.settings.share, pid=os.getpid(), mode=self.settings.mode)
        self._look_at_rules(now=True)
        try:
            self._recover()
            self.watch.start()
            self.health.say_watching()
            while not self.signals.asked:
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
        self.intake.unsettled.extend(entries)
        if entries:
            self.log.info(log.RECOVERED, jobs=[entry.id for entry in entries])

    def _turn(self) -> None:
        self._receive()
        self.crew.fill()
        self.crew.mind()
        self.intake.hear_hints()
        self.intake.list_if_due()
        self.intake.trouble.attempt(self._claim, clears=True)
        self.intake.settle(self.crew.queue.append)
        if not self.trouble.waits:
            self.crew.hand_over(self._mode(), self.rulebook.snapshot or None)
        self.trouble.attempt(self._commit, clears=True)
        self._housekeep()

    def _receive(self) -> None:
        # A worker's memory is looked at each turn: while one works, turns are short.
        timeout = SOONEST_LISTING_S if self.intake.is_busy or self.crew.given else TURN_S
        for key, _ in self.selector.select(0.0 if self.crew.found else timeout):
            slot: Slot | None = key.data
            if slot is None:
                self.signals.drain()
            elif slot in self.crew.slots:
                self.crew.listen(slot)

    def _mode(self) -> str:
        return "pause" if self.settings.pause_file.exists() else self.settings.mode

    def _claim(self) -> None:
        crew = self.crew
        open_jobs = len(crew.queue) + len(crew.given) + len(crew.found) + len(self.proved) + len(self.intake.unsettled)
        ruled = self.rulebook.rules is not None or self._mode() == "pause"
        # Claimed in groups: half the room must be free, since each group costs the same syncs as a single job.
        if not self.pulse.ready or not ruled or open_jobs > MOST_OPEN // 2 or self.trouble.why:
            return
        free = places.free_mb(self.settings)
        floor = self.settings.free_space_floor_mb
        if free < floor:
            self.intake.trouble.meet(f"only {free:.0f} MB free; no job is taken below {floor} MB (free_space_floor_mb)")
            return
        self.intake.claim(MOST_OPEN - open_jobs)

    def _commit(self) -> None:
        crew = self.crew
        if crew.found:
            self.passage.prove(crew.found)
            self.proved.extend(entry for entry, _, _ in crew.found)
            crew.found.clear()
        if self.proved:
            self.passage.publish(self.proved)
            for record in self.passage.finish(self.proved):
                self.last_job = log.job_event(record)
                self.metrics.count(record)
                self.log.info(log.JOB, **self.last_job)
            self.proved.clear()
            self.passage.compact()
        elif not crew.given and not crew.queue and self._is_due("compact", COMPACT_IDLE_S):
            closed = any(entry.state == states.CLOSED for entry in self.passage.journal.entries.values())
            self.passage.compact(now=closed)
        self.passage.journal.flush()

    # Looking after everything else.

    def _is_due(self, what: str, every: float) -> bool:
        now = time.monotonic()
        if now < self._due.get(what, 0.0):
            return False
        self._due[what] = now + every
        return True

    def _housekeep(self) -> None:
        if self.signals.take_reload():
            self._look_at_rules(now=True)
        elif self._is_due("rules", LOOK_S):
            self._look_at_rules()
        if self._is_due("health", HEALTH_S):
            self.health.check()
        if not self.pulse.ready and self.intake.listed and any(slot.ready for slot in self.crew.slots):
            self._become_ready()
        if self._is_due("status", STATUS_S):
            self._tell_status()
        if self._is_due("verdicts", VERDICTS_S):
            self.verdicts.look()
        if self._is_due("retention", RETENTION_S):
            self.trouble.attempt(self._expire)
        # A listing that fails for long, or a loop that hangs in one, is told by silence.
        if self.intake.age < 2 * LISTING_S or not self.pulse.ready:
            self.pulse.beat()

    def _become_ready(self) -> None:
        self.log.info(log.READY, slots=len(self.crew.slots))
        self.pulse.become_ready()
        self._tell_status()

    def _look_at_rules(self, now: bool = False) -> None:
        try:
            if not self.rulebook.look(now):
                return
        except OSError as error:
            self.trouble.meet(str(error))
            return
        rules = self.rulebook.rules
        if self.rulebook.broken:
            self.log.error(log.RULES_BROKEN, faults=self.rulebook.broken, kept=rules.digest if rules else None)
        elif rules is not None:
            self.log.info(log.RULES, sha256=rules.digest, files=list(rules.sources))

    def _tell_status(self) -> None:
        try:
            found = gather_status(self)
            self.pulse.say(found["summary"])
            write_status(self.settings, found)
            if self._is_due("metrics", METRICS_S):
                self.metrics.write(found)
        except OSError as error:
            # Told whatever else stands in the way, and never in the way itself.
            if not self.trouble.waits:
                self.trouble.meet(str(error))

    def _expire(self) -> None:
        removed = retention.expire(self.settings)
        if removed:
            self.log.info(log.EXPIRED, **removed)

    def _stop(self) -> None:
        """Let begun jobs end, give the others back; a second signal or the time limit rolls the begun ones back too."""
        slots = self.crew.slots
        self.pulse.stopping()
        self.log.info(log.STOPPING, begun=sum(slot.begun is not None for slot in slots))
        until = time.monotonic() + STOP_S
        begun = {slot: slot.begun for slot in slots}
        while slots and time.monotonic() < until and self.signals.asked < 2:
            # A worker that is through takes up the next job it was handed at once; that one is given back.
            for slot in [slot for slot in slots if slot.begun is None or slot.begun != begun.get(slot)]:
                self.crew.put_down(slot)
            self._receive()
            self.crew.mind()
            self.trouble.attempt(self._commit)
            self._housekeep()
        for slot in list(slots):
            self.crew.put_down(slot)
        self.trouble.attempt(self._commit)

    def _release_all(self) -> None:
        self.crew.close()
        self.watch.stop()
        self.selector.close()
        self.signals.close()
        self.passage.close()
