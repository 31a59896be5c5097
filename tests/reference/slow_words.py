"""Bytes of a job → lines → commands and words, one character at a time: the obvious twin of the product's scanner.

Written from the published grammars alone (NIST: T. R. Kramer, F. M. Proctor, E. Messina, "The NIST RS274NGC
Interpreter - Version 3", NISTIR 6556, 2000; firmware: Marlin documentation 9ceeb6e4 and queue.cpp, Klipper 84104bbb).
It must stay slow and plain: whatever it shares with the product would hide a common mistake.

1. A line ends at LF, CR or CRLF (Marlin's queue ends a command at either character).
2. `;` opens a comment to the end of the line; `( )` holds one (NIST 3.3.4), except inside text.
3. A word is a letter and a number; case and the blanks between them don't count. NIST 3.3 ignores blanks inside a
   number too (`+0. 12 34`), Marlin stops at the blank, Klipper rejects the line: here the rest makes the line odd.
4. A number is [+-] digits [. digits] or [+-] . digits; there is no exponent (NIST 3.3.2.1 and appendix E).
5. A command whose arguments are text takes the rest of the line as they stand.
"""

import re
from dataclasses import dataclass, field
from decimal import Decimal

BLANKS = " \t"
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")

# Commands whose arguments are text: messages, file names, host prompts. Object labels carry a text only after A.
TEXT_COMMANDS = frozenset(
    {("M", Decimal(n)) for n in ("0", "1", "16", "23", "28", "30", "32", "36", "117", "118", "291", "550", "928")}
)


@dataclass
class Command:
    """One command: its letter and number, then its words in order; `value` None is a letter without a number."""

    letter: str
    number: Decimal | None  # None: a T that stands alone
    words: list[tuple[str, Decimal | None]] = field(default_factory=list)
    text: str | None = None

    def last(self, letter: str) -> Decimal | None:
        """The value of the last word of that letter: a later word overwrites an earlier one in Marlin and Klipper."""
        values = [value for name, value in self.words if name == letter and value is not None]
        return values[-1] if values else None

    def has(self, letter: str) -> bool:
        return any(name == letter for name, _ in self.words)


@dataclass
class Line:
    """One line: 1-based number, byte span without its end, the commands on it, or `odd`: not plain commands."""

    number: int
    start: int
    end: int
    commands: list[Command]
    odd: str | None = None
    skippable: bool = False
    line_number: Decimal | None = None
    checksum: int | None = None
    says_feed: bool = False  # an F with a number stands somewhere before the `;`


def split_lines(job: bytes) -> list[tuple[int, int, int]]:
    """(number, start, end) of every line; a byte order mark before the first line belongs to no line."""
    lines: list[tuple[int, int, int]] = []
    at = start = 3 if job.startswith(b"\xef\xbb\xbf") else 0
    while at < len(job):
        if job[at] in b"\r\n":
            lines.append((len(lines) + 1, start, at))
            at += 2 if job[at : at + 2] == b"\r\n" else 1
            start = at
        else:
            at += 1
    if start < len(job):
        lines.append((len(lines) + 1, start, len(job)))
    return lines


def read_lines(job: bytes) -> list[Line]:
    return [read_line(number, start, end, job[start:end]) for number, start, end in split_lines(job)]


def read_line(number: int, start: int, end: int, raw: bytes) -> Line:
    line = Line(number, start, end, [])
    text = raw.decode("latin-1")  # one character a byte: only ASCII ones can be words
    line.says_feed = re.search(r"[Ff][ \t]*[+-]?(\d|\.\d)", text.split(";")[0]) is not None
    at = skip_blanks(text, 0)
    if text[at : at + 1] == "/":  # block delete, NIST 2.2.2: the operator's switch decides
        line.skippable = True
        at = skip_blanks(text, at + 1)
    prefix = re.compile(r"[Nn][ \t]*(\d+)").match(text, at)
    if prefix:
        line.line_number = Decimal(prefix.group(1))
        at = prefix.end()
    if line.line_number is not None:
        text = take_checksum(line, text)
    read_commands(line, text, at)
    return line


def take_checksum(line: Line, text: str) -> str:
    """The text before a checksum. Only a numbered line carries one: a `*` in a message without N is text."""
    found = re.search(r"\*[ \t]*(\d+)[ \t]*(;.*)?$", text)
    if not found:
        return text
    line.checksum = int(found.group(1))
    return text[: found.start()]


def checksum(raw: bytes) -> int:
    """XOR of every byte before the last `*` (Marlin queue.cpp, get_serial_commands)."""
    value = 0
    for byte in raw[: raw.rindex(b"*")]:
        value ^= byte
    return value


def read_commands(line: Line, text: str, at: int) -> None:
    command: Command | None = None
    while True:
        at = skip_comments(text, at)
        if at >= len(text):
            return
        letter = text[at].upper()
        if not ("A" <= letter <= "Z"):
            line.odd = f"character {text[at]!r}"
            return
        if command is None and re.match(r"[A-Za-z_]{2}", text[at:]):
            line.odd = re.match(r"[A-Za-z_]\w*", text[at:]).group().upper()  # type: ignore[union-attr]
            return
        value, at = read_number(text, at + 1)
        if letter in "GM" or (letter == "T" and command is None):
            command = Command(letter, value)
            if value is None and letter != "T":
                line.odd = f"{letter} without a number"
                return
            line.commands.append(command)
            if (letter, value) in TEXT_COMMANDS:
                command.text = text[at:]
                return
        elif command is None:
            line.odd = f"word {letter} without a command"
            return
        elif (command.letter, command.number, letter) == ("M", Decimal(486), "A"):
            command.text = text[at:]
            return
        else:
            command.words.append((letter, value))
            quote = skip_blanks(text, at)
            if text[quote : quote + 1] == '"':  # a quoted text: M862.3 P "..." and its like
                command.text = text[quote:]
                return


def skip_blanks(text: str, at: int) -> int:
    while at < len(text) and text[at] in BLANKS:
        at += 1
    return at


def skip_comments(text: str, at: int) -> int:
    """Past blanks and comments; an open `(` runs to the end of the line."""
    while True:
        at = skip_blanks(text, at)
        if text[at : at + 1] == ";":
            return len(text)
        if text[at : at + 1] != "(":
            return at
        close = text.find(")", at)
        at = len(text) if close < 0 else close + 1


def read_number(text: str, at: int) -> tuple[Decimal | None, int]:
    """The number at `at` or after its blanks, and the place after it; None where the letter stands alone."""
    found = NUMBER.match(text, skip_blanks(text, at))
    return (Decimal(found.group()), found.end()) if found else (None, at)
