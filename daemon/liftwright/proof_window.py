"""A moving window on one file for the proof's kernels: whole lines in a fixed buffer, bounded memory.

In: a file, how many of its bytes stand by now, optionally a digest to feed. Out: `bytes[:usable]`, ending after a whole
line. Others may read or write the file meanwhile: where the window has got to is its own affair.
"""

import hashlib
from typing import BinaryIO

import numpy as np

WINDOW = 4 << 20  # bytes of a file in memory
STEPS = 4  # a full window is read in so many parts: one file isn't to run far ahead of the other


class Window:
    """A part of one file that ends after a whole line, and a line feed behind it as a sentinel.

    `grows`: more bytes may come. `whole`: none do, and the last one is in the window.
    """

    def __init__(self, file: BinaryIO, digest: "hashlib._Hash | None" = None) -> None:
        self.file = file
        self.length = self.read = 0
        self.grows = True
        # Nothing behind the sentinel is ever looked at; to clear it would take longer than to prove a small job.
        self.bytes = np.empty(WINDOW + 2, dtype=np.uint8)
        self.filled = 0
        self.usable = 0
        self.whole = False
        self.sha = digest

    @property
    def left(self) -> int:
        """Bytes that stand in the file and haven't been read."""
        return self.length - self.read

    def shift(self, keep_from: int) -> None:
        """Drop what stands before `keep_from` and read on; `usable` then ends after the last whole line."""
        kept = self.filled - keep_from
        self.bytes[:kept] = self.bytes[keep_from : self.filled].copy()
        self.filled = kept
        view, room = self.bytes.data, min(WINDOW, kept + max(1, WINDOW // STEPS))
        self.file.seek(self.read)
        while self.left and self.filled < room:
            got = self.file.readinto(view[self.filled : min(room, self.filled + self.left)])  # type: ignore[attr-defined]
            if not got:
                self.length = self.read
                break
            if self.sha is not None:
                self.sha.update(view[self.filled : self.filled + got])
            self.filled += got
            self.read += got
        self.whole = self.left == 0 and not self.grows
        self.usable = self.filled if self.whole else _after_last_line(self.bytes, self.filled)
        self.bytes[self.filled : self.filled + 2] = 10

    def rest(self) -> None:
        """Read to the end without keeping anything, for the digest alone."""
        while self.left:
            self.shift(self.filled)


def _after_last_line(window: np.ndarray, filled: int) -> int:
    """Index after the last line end; a carriage return at the very end may still be half of one."""
    step = 4096
    for stop in range(filled, 0, -step):
        start = max(0, stop - step)
        part = window[start:stop]
        ends = np.flatnonzero((part == 10) | (part == 13))
        for k in ends[::-1]:
            at = start + int(k)
            if window[at] == 10 or at + 1 < filled:
                return at + 1
    return 0
