"""Messages between the daemon and its workers: a length of four bytes, then that many bytes of JSON.

`Frames` collects what arrives in pieces and gives back whole messages; a message over the limit is a ValueError, since
it can only be damage.
"""

import json
import struct
from collections.abc import Iterator
from typing import Any

MOST_BYTES = 16_000_000
_LENGTH = struct.Struct(">I")


def pack(message: dict[str, Any]) -> bytes:
    """One message as bytes."""
    text = json.dumps(message, separators=(",", ":")).encode("ascii")
    return _LENGTH.pack(len(text)) + text


class Frames:
    """Bytes in any pieces in, whole messages out."""

    def __init__(self) -> None:
        self._held = bytearray()

    def add(self, piece: bytes) -> Iterator[dict[str, Any]]:
        """The messages that PIECE completes."""
        self._held += piece
        while len(self._held) >= _LENGTH.size:
            (length,) = _LENGTH.unpack_from(self._held)
            if length > MOST_BYTES:
                raise ValueError(f"a message of {length} bytes; the most is {MOST_BYTES}")
            end = _LENGTH.size + length
            if len(self._held) < end:
                return
            text = bytes(self._held[_LENGTH.size : end])
            del self._held[:end]
            yield json.loads(text)
