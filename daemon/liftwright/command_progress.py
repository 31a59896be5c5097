"""A progress bar on stderr for work that takes a while; nothing at all where stderr is no terminal.

`Progress` is called with (stage, done, total) as the core counts bytes; it draws at most ten times a second, only once
the work has lasted a second, and `close` wipes the bar so that what follows stands on a clean line.
"""

import sys
import time
from typing import Final

WIDTH: Final = 30
QUIET_S: Final = 1.0
EVERY_S: Final = 0.1


class Progress:
    """The `tick` of one rewrite."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._next = time.monotonic() + QUIET_S
        self._drawn = False

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Draw stage and share done, unless it is too early or nobody watches."""
        if not self._shown or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + EVERY_S
        self._drawn = True
        sys.stderr.write("\r\x1b[K" + bar(stage, done, total))
        sys.stderr.flush()

    def close(self) -> None:
        """Wipe the bar."""
        if self._drawn:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def bar(stage: str, done: int, total: int) -> str:
    """`survey [#####.....] 50%`; a total of nothing counts as done."""
    share = min(1.0, done / total) if total else 1.0
    full = int(share * WIDTH)
    return f"{stage:<8} [{'#' * full}{'.' * (WIDTH - full)}] {int(share * 100):3d}%"
