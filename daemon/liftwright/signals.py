"""Signals and the pipe that wakes the loop: each signal is noted, none does anything by itself."""

import os
import selectors
import signal


class Signals:
    """`wake`: the writing end, for the observer's threads too; `asked`: how often somebody asked the daemon to stop."""

    def __init__(self, selector: selectors.BaseSelector) -> None:
        self._end, self.wake = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        selector.register(self._end, selectors.EVENT_READ, None)
        self._reload = False
        self.asked = 0

    def listen(self) -> None:
        """Take the signals from now on."""
        signal.set_wakeup_fd(self.wake, warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, lambda number, _: self._note(number))
        # A writer that opens a file in the instant we hold a read lease on it would end this process.
        signal.signal(signal.SIGIO, signal.SIG_IGN)

    def _note(self, number: int) -> None:
        if number == signal.SIGHUP:
            self._reload = True
        else:
            self.asked += 1

    def take_reload(self) -> bool:
        """Whether somebody asked for the rules to be read again since the last call."""
        taken, self._reload = self._reload, False
        return taken

    def drain(self) -> None:
        """Empty the pipe."""
        try:
            os.read(self._end, 1 << 16)
        except BlockingIOError:
            return

    def close(self) -> None:
        """Give the descriptors back."""
        signal.set_wakeup_fd(-1)
        os.close(self._end)
        os.close(self.wake)
