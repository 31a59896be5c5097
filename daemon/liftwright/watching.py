"""Events of the inbox, as hints: something changed, or something may have been missed. Never the truth.

The observer's threads only set flags and wake the loop. `check` notices what the library does not say: a dead observer,
a dead emitter, an inbox that was replaced or is gone. Without events the daemon lives on listings alone.
"""

import logging
import os
import threading
from dataclasses import dataclass, field
from pathlib import Path

from watchdog.events import FileSystemEvent, FileSystemEventHandler
from watchdog.observers.inotify import InotifyObserver

LIBRARY_LOG = "watchdog.observers.inotify_c"


@dataclass(slots=True)
class Hints:
    """What the observer's threads leave for the loop; `take` empties it."""

    wake: int
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _changed: bool = False
    _doubt: str = ""
    _finished: set[str] = field(default_factory=set)

    def changed(self, finished: str = "") -> None:
        """Something changed; FINISHED = path of a file that was renamed from NAME.part to NAME."""
        with self._lock:
            self._changed = True
            if finished:
                self._finished.add(finished)
        self._ring()

    def doubt(self, why: str) -> None:
        """Events may have been lost: list everything."""
        with self._lock:
            self._doubt = why
        self._ring()

    def take(self) -> tuple[bool, str, set[str]]:
        """(changed, why in doubt, paths finished) since the last take."""
        with self._lock:
            taken = self._changed, self._doubt, self._finished
            self._changed, self._doubt, self._finished = False, "", set()
        return taken

    def _ring(self) -> None:
        try:
            os.write(self.wake, b"!")
        except BlockingIOError:
            # The pipe is full of wake-ups already.
            return


class _Listener(FileSystemEventHandler):
    """Runs in the observer's thread, where an exception would end the watching without a word: it only sets flags."""

    def __init__(self, hints: Hints) -> None:
        self._hints = hints

    def on_any_event(self, event: FileSystemEvent) -> None:
        # Our own reading makes these two: taking them would feed the daemon with itself.
        if event.event_type in ("opened", "closed_no_write"):
            return
        source, target = _text(event.src_path), _text(event.dest_path)
        finished = event.event_type == "moved" and source == target + ".part"
        self._hints.changed(target if finished else "")


class _LibraryLog(logging.Handler):
    """The library says only in its log that the kernel's queue overflowed."""

    def __init__(self, hints: Hints) -> None:
        super().__init__(logging.WARNING)
        self._hints = hints

    def emit(self, record: logging.LogRecord) -> None:
        self._hints.doubt(record.getMessage())


class Watch:
    """The observer of one inbox. `degraded` says in words why there are no events, or is empty."""

    def __init__(self, inbox: Path, hints: Hints) -> None:
        self._inbox = inbox
        self._hints = hints
        self._observer: InotifyObserver | None = None
        self._identity = identity(inbox)
        self._log = _LibraryLog(hints)
        self.degraded = ""

    def start(self) -> None:
        """Begin to watch; where the system refuses, say so and go on without."""
        logging.getLogger(LIBRARY_LOG).addHandler(self._log)
        try:
            observer = InotifyObserver()
        except OSError as error:
            self._give_up(error)
            return
        try:
            observer.schedule(_Listener(self._hints), str(self._inbox), recursive=True)
            observer.start()
        except OSError as error:
            self._give_up(error)
            observer.on_thread_stop()
            return
        self._observer, self.degraded = observer, ""

    def _give_up(self, error: OSError) -> None:
        self.degraded = f"no events: {error.strerror}; living on listings alone"

    def stop(self) -> None:
        """End the observer's threads."""
        logging.getLogger(LIBRARY_LOG).removeHandler(self._log)
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(10)
            self._observer = None

    def check(self) -> str:
        """What is wrong with the watching, in words; nothing when all is well or there is none."""
        if identity(self._inbox) != self._identity:
            return "the inbox was replaced, renamed or is gone"
        if self._observer is None:
            return ""
        if not self._observer.is_alive():
            return "the observer's thread died"
        if not self._observer.emitters or not all(emitter.is_alive() for emitter in self._observer.emitters):
            return "an emitter's thread died"
        return ""

    def restart(self) -> None:
        """Begin anew after `check` found something; raises OSError when the inbox itself is gone."""
        self.stop()
        self._identity = identity(self._inbox)
        if self._identity is None:
            raise FileNotFoundError(2, "is gone", str(self._inbox))
        self.start()


def identity(folder: Path) -> tuple[int, int] | None:
    """(device, inode) of a folder; None when there is none."""
    try:
        info = os.stat(folder)
    except OSError:
        return None
    return info.st_dev, info.st_ino


def _text(path: bytes | str) -> str:
    return os.fsdecode(path)
