"""What stands in the way just now: steps that need the disk are tried, and tried again after a pause.

Taking jobs and handing them on have a trouble each: an inbox that can't be read must not keep finished jobs back.
"""

import time
from collections.abc import Callable
from typing import Any

from liftwright import log
from liftwright.spool.journal import NoRoom

BACK_OFF_S = 3.0


class Trouble:
    """`why` in words, empty when nothing stands in the way."""

    def __init__(self, logger: Any) -> None:
        self._log = logger
        self._retry_at = 0.0
        self.why = ""

    @property
    def waits(self) -> bool:
        """Whether it is too early to try again."""
        return time.monotonic() < self._retry_at

    def attempt(self, step: Callable[[], None], clears: bool = False) -> None:
        """Do a step; what it could not finish is left for the next attempt. CLEARS: its success ends the trouble."""
        if self.waits:
            return
        try:
            step()
        except (NoRoom, OSError) as error:
            self.meet(str(error))
        else:
            if clears and self.why and not self.waits:
                self._log.info(log.TROUBLE_OVER, why=self.why)
                self.why = ""

    def meet(self, why: str) -> None:
        """Something failed: log it once, and wait before the next attempt."""
        if why != self.why:
            self._log.error(log.TROUBLE, why=why)
        self.why = why
        self._retry_at = time.monotonic() + BACK_OFF_S
