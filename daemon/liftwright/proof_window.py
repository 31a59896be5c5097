"""A moving window on one file for the proof's kernels: whole lines in a fixed buffer, bounded memory.

In: a file, how many of its bytes count, optionally a digest to feed. Out: `bytes[:usable]`, ending after a whole line.
"""

import hashlib
from typing import BinaryIO

import numpy as np

WINDOW = 4 << 20  # bytes of a file in memory


class Window:
    """A part of one file that ends after a whole line, and a line feed behind it as a sentinel."""

    def __init__(self, file: BinaryIO, length: int, digest: "hashlib._Hash | None" = None) -> None:
        self.file = file
        self.left = length
        self.bytes = np.zeros(WINDOW + 2, dtype=np.uint8)
        self.filled = 0
        self.usable = 0
        self.whole = False
        self.sha = digest
        file.seek(0)

    def shift(self, keep_from: int) -> None:
        """Drop what stands before `keep_from` and fill up; `usable` then ends after the last whole line."""
        kept = self.filled - keep_from
        self.bytes[:kept] = self.bytes[keep_from : self.filled].copy()
        self.filled = kept
        view = self.bytes.data
        while self.left and self.filled < WINDOW:
            got = self.file.readinto(view[self.filled : min(WINDOW, self.filled + self.left)])  # type: ignore[attr-defined]
            if not got:
                self.left = 0
                break
            if self.sha is not None:
                self.sha.update(view[self.filled : self.filled + got])
            self.filled += got
            self.left -= got
        self.whole = self.left == 0
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
