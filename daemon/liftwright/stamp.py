"""The last line of a rewritten job: a digest of all that stands before it, by which a job is known again.

A job whose stamp is true has been through here and comes out byte for byte the same; a stamp that doesn't fit is a
comment like any other.
"""

import hashlib
import re
from typing import Any, BinaryIO

_STAMP = re.compile(rb";liftwright stamp 1 sha256=([0-9a-f]{64})(\r\n|\n|\r)\Z")
_ROOM = 128
_BLOCK = 1 << 20


def stamp_line(digest: str, line_end: bytes) -> bytes:
    """The stamp for a job whose bytes so far have this SHA-256 in hex."""
    return b";liftwright stamp 1 sha256=" + digest.encode("ascii") + line_end


def stamp_length(line_end: bytes) -> int:
    """Bytes of a stamp with this line end."""
    return len(stamp_line("0" * 64, line_end))


def is_stamped(source: BinaryIO) -> bool:
    """Does the job end in a stamp that is true? Reads it whole only where a stamp stands."""
    size = source.seek(0, 2)
    source.seek(max(0, size - _ROOM))
    tail = source.read(_ROOM)
    match = _STAMP.search(tail)
    if match is None or (match.start() > 0 and tail[match.start() - 1] not in b"\r\n"):
        source.seek(0)
        return False
    left = size - (len(tail) - match.start())
    source.seek(0)
    digest = hashlib.sha256()
    while left > 0:
        block = source.read(min(_BLOCK, left))
        if not block:
            break
        digest.update(block)
        left -= len(block)
    source.seek(0)
    return digest.hexdigest().encode("ascii") == match[1]


class Tap:
    """A binary file that is read once from its start, with the SHA-256 of what was read."""

    def __init__(self, source: BinaryIO) -> None:
        source.seek(0)
        self._source = source
        self.digest = hashlib.sha256()

    def readinto(self, view: Any) -> int:
        """Fill the view as far as the file goes."""
        got: int = self._source.readinto(view)  # type: ignore[attr-defined]
        self.digest.update(view[:got])
        return got
