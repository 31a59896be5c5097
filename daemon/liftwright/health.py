"""Is the share still the one of the start, and is somebody watching it? Looked at every few seconds by the loop.

A folder that was replaced, renamed or is gone ends the daemon with a DeliveryError: everything goes on after the
restart, and nothing is written into a stranger's folder. A watch that died is begun anew.
"""

import time
from typing import Any

from liftwright import log, places
from liftwright.errors import DeliveryError
from liftwright.intake import Intake
from liftwright.settings import Settings
from liftwright.watching import Watch

WATCH_AGAIN_S = 30.0


class Health:
    """What the folders were at the start, and when watching is to be tried again."""

    def __init__(self, settings: Settings, watch: Watch, intake: Intake, logger: Any) -> None:
        self._settings = settings
        self._watch = watch
        self._intake = intake
        self._log = logger
        self._identities = places.identities(settings)
        self._again = 0.0

    def check(self) -> None:
        """Look once."""
        found = places.identities(self._settings)
        for name, known in self._identities.items():
            if found.get(name) != known and name != "rules":
                place = self._settings.folder(name)
                raise DeliveryError(f"{place}: was replaced, renamed or is gone; wanted the folder of the start")
        why = self._watch.check()
        if why:
            self._log.error(log.WATCHING, why=why)
            self._watch.restart()
            self._intake.soon = True
            self.say_watching()
        elif self._watch.degraded and time.monotonic() >= self._again:
            self._again = time.monotonic() + WATCH_AGAIN_S
            self._watch.restart()

    def say_watching(self) -> None:
        """Log it when there are no events."""
        if self._watch.degraded:
            self._log.warning(log.WATCHING, why=self._watch.degraded)
