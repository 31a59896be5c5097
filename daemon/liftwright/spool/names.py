"""Names of jobs: unique ids, names as text for people, and a free name beside one that is taken."""

import os
import re
import secrets
from datetime import UTC, datetime

ID = re.compile(r"\d{8}T\d{6}-[0-9a-f]{10}")
LONGEST = 255


def new_id(now: datetime | None = None) -> str:
    """Readable time first; what makes it unique is random, since clocks jump."""
    moment = now or datetime.now(UTC)
    return f"{moment:%Y%m%dT%H%M%S}-{secrets.token_hex(5)}"


def day_of(job: str) -> str:
    """The folder of a day in records/ and originals/: `2026-11-25`."""
    return f"{job[:4]}-{job[4:6]}-{job[6:8]}"


def printable(name: str) -> tuple[str, str | None]:
    """(text with whatever can't be shown written as an escape, hex of the raw bytes if the text differs)."""
    raw = os.fsencode(name)
    text = "".join(char if char.isprintable() else char.encode("unicode_escape").decode() for char in name)
    return text, None if text == name else raw.hex()


def numbered(name: str, number: int, ending: str = "") -> str:
    """`pot.gcode`, 2 → `pot-2.gcode`; number 1 is the name itself; shortened so that name + ENDING fits a file name."""
    stem, dot, suffix = name.rpartition(".")
    if not stem or len(os.fsencode(suffix)) > 16:
        stem, dot, suffix = name, "", ""
    mark = f"-{number}" if number > 1 else ""
    room = LONGEST - len(os.fsencode(mark + dot + suffix + ending))
    return _shorten(stem, room) + mark + dot + suffix


def _shorten(text: str, room: int) -> str:
    while len(os.fsencode(text)) > room:
        text = text[:-1]
    return text
