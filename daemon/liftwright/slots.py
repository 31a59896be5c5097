"""The daemon's side of its workers: start them, hand jobs over, watch time and memory, and end those that go wrong.

A slot runs one long-lived process, so that kernels are compiled once. Several jobs may be handed over ahead; only the
one a worker has begun is charged when the worker dies, the others are given back untouched. Nothing here waits: the
channel never blocks, and a worker that must end is killed.
"""

import os
import signal
import socket
import subprocess
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from liftwright.frames import Frames, pack
from liftwright.settings import MB, Settings

AHEAD = 8
AHEAD_BYTES = 4 * MB
# Compiling every kernel takes a minute or two of one core, and much longer on a small or busy machine.
START_LIMIT_S = 1800.0
LAST_BREATH_S = 2.0
_PAGE = os.sysconf("SC_PAGE_SIZE")


@dataclass(frozen=True, slots=True)
class Ending:
    """A worker came to its end: WHY in plain words, the job it had begun (if any), the jobs to be given back."""

    why: str
    begun: str | None
    given_back: tuple[str, ...]
    was_ready: bool


class Slot:
    """One worker process and the jobs handed to it, the running one first."""

    def __init__(self, command: Sequence[str], settings: Settings) -> None:
        self._settings = settings
        self._frames = Frames()
        self._unsent = bytearray()
        self.jobs: dict[str, int] = {}
        self.begun: str | None = None
        self.ready = False
        self.doing = ""
        self._since = time.monotonic()
        ours, theirs = socket.socketpair()
        ours.setblocking(False)
        self.channel = ours
        with theirs:
            self.process = subprocess.Popen(
                [*command, "--channel", str(theirs.fileno())],
                stdin=subprocess.DEVNULL,
                stdout=2,
                pass_fds=(theirs.fileno(),),
                # The daemon decides what a signal to its group means; a worker must not end on Ctrl-C by itself.
                start_new_session=True,
            )

    def can_take(self, size: int) -> bool:
        """Small jobs are handed over ahead, so that a worker need not wait for the daemon's disk."""
        ahead = sum(self.jobs.values())
        return self.ready and (not self.jobs or (len(self.jobs) < AHEAD and ahead + size <= AHEAD_BYTES))

    def give(self, job: str, size: int, request: dict[str, Any]) -> None:
        """Hand a job over."""
        self.jobs[job] = size
        self._unsent += pack({**request, "id": job})
        self.send()

    def send(self) -> None:
        """Send what the channel takes now; the rest goes with the next turn. A dead worker is noticed by `receive`."""
        try:
            while self._unsent:
                del self._unsent[: self.channel.send(self._unsent)]
        except (BlockingIOError, BrokenPipeError, ConnectionResetError):
            return

    def receive(self) -> tuple[list[dict[str, Any]], bool]:
        """(messages that came, whether the worker has gone)."""
        messages: list[dict[str, Any]] = []
        try:
            while piece := self.channel.recv(1 << 16):
                messages.extend(self._frames.add(piece))
        except BlockingIOError:
            self._note(messages)
            return messages, False
        except (ConnectionResetError, ValueError):
            pass
        self._note(messages)
        return messages, True

    def _note(self, messages: list[dict[str, Any]]) -> None:
        for message in messages:
            match message["kind"]:
                case "ready":
                    self.ready = True
                case "begun":
                    self.begun, self.doing, self._since = message["id"], "", time.monotonic()
                case "tick":
                    self.doing = f"{message['stage']} {message['done']}/{message['total']}"
                case _:
                    self.jobs.pop(message["id"], None)
                    self.begun, self._since = None, time.monotonic()

    def overstepped(self) -> str:
        """Why this worker must be ended now, or nothing."""
        limit_mb = self._settings.job_memory_limit_mb
        if resident(self.process.pid) > limit_mb * MB:
            return f"it needed more than {limit_mb} MB of memory (setting job_memory_limit_mb)"
        spent = time.monotonic() - self._since
        if self.begun is not None and spent > self._settings.job_time_limit_s:
            return f"it took longer than {self._settings.job_time_limit_s:g} s (setting job_time_limit_s)"
        if not self.ready and spent > START_LIMIT_S:
            return f"the worker was not ready after {START_LIMIT_S:g} s"
        return ""

    def end(self, why: str = "") -> Ending:
        """Kill the process if it still runs, and say what is to become of its jobs."""
        if why:
            self.process.kill()
        try:
            # Its channel is closed, so it is about to end by itself, and how it ends is worth knowing.
            code = self.process.wait(LAST_BREATH_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            code = self.process.wait()
        self.channel.close()
        given_back = tuple(job for job in self.jobs if job != self.begun)
        return Ending(why or _said(code), self.begun, given_back, self.ready)


def _said(code: int) -> str:
    if code >= 0:
        return f"the worker ended with exit code {code}"
    return f"the worker was ended by {signal.Signals(-code).name}"


def resident(pid: int) -> int:
    """Bytes of memory a process holds now; 0 when it has gone or can't be seen."""
    try:
        return int(Path(f"/proc/{pid}/statm").read_bytes().split()[1]) * _PAGE
    except (OSError, IndexError):
        return 0
