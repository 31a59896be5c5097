"""What the service manager hears of the daemon: that it starts, is ready, lives, stops. Without a manager: nothing.

1. `beat` is called by the loop while it is healthy, and after each sync and each piece of a file read on the way: a
   slow disk is told from a hang by what gets done, never by a timer of its own.
2. Before READY=1 the same beats ask for more time to start instead.
"""

import time

from liftwright import notify

LONGEST_S = 10.0
MORE_TIME_S = 60.0
STARTING_S = 5.0


class Pulse:
    """`ready`: whether the manager was told so."""

    def __init__(self) -> None:
        self.ready = False
        self._due = 0.0

    def beat(self) -> None:
        """Something got done."""
        interval = notify.watchdog_interval()
        now = time.monotonic()
        if now < self._due or (self.ready and interval is None):
            return
        if self.ready and interval is not None:
            self._due = now + min(interval, LONGEST_S)
            notify.tell("WATCHDOG=1")
        else:
            self._due = now + STARTING_S
            notify.tell(f"EXTEND_TIMEOUT_USEC={MORE_TIME_S * 1e6:.0f}\nSTATUS=starting")

    def become_ready(self) -> None:
        """From now on the manager watches."""
        self.ready = True
        self._due = 0.0
        notify.tell("READY=1\nSTATUS=watching the inbox")

    def say(self, summary: str) -> None:
        """One line for people who ask the manager."""
        notify.tell("STATUS=" + notify.one_line(summary))

    def stopping(self) -> None:
        """An orderly end has begun."""
        notify.tell("STOPPING=1\nSTATUS=finishing begun jobs")
