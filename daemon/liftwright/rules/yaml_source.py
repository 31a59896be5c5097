"""One YAML file → plain values with the line of each, or every fault in it. A small, strict part of YAML.

1. The file is read as a stream of events, never as a tree that refers to itself: anchors, aliases and merge keys are
   faults, and so nothing small can unfold into something large.
2. Equal keys in a mapping are a fault that names both lines. So are tags, directives, second documents, empty files.
3. What YAML readers disagree about is refused (`rules.scalars`).
4. Size, depth and the number of faults are bounded before any work that grows with them.

A value that was refused stands in the result as `BROKEN`, so that the rest of the file can still be checked.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import yaml

from liftwright.errors import Problem
from liftwright.rules.scalars import Trap, bare_word

MAX_BYTES = 256 * 1024
MAX_DEPTH = 12
MAX_TEXT = 200  # characters of a key or a text
MAX_FAULTS = 50  # a file; more are counted, not told

Path = tuple[str | int, ...]
Value = Any  # str, int, float, bool, tuple of values, dict of values, BROKEN
BROKEN = object()

# libyaml where PyYAML was built with it: five times as fast, the same events.
_LOADER = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
# YAML's own set of printable characters without the three line ends that editors don't count as such.
_UNPRINTABLE = re.compile("[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A file that was read: its values, the line of every path, and the places (BROKEN) whose values were refused."""

    name: str
    value: Value
    lines: Mapping[Path, int]
    problems: tuple[Problem, ...]

    def where(self, path: Path) -> str:
        """`file:line` of a path, or of the nearest thing above it that has a line."""
        while path and path not in self.lines:
            path = path[:-1]
        return f"{self.name}:{self.lines.get(path, 1)}"


def read_sheet(name: str, data: bytes) -> Sheet:
    """Bytes → sheet. Never raises: what is wrong stands in its problems, the value is BROKEN where unreadable."""
    text = _decoded(name, data)
    if isinstance(text, Problem):
        return Sheet(name, BROKEN, {}, (text,))
    reading = _Reading()
    value: Value = BROKEN
    try:
        value = reading.document(iter(yaml.parse(text, Loader=_LOADER)))
    except _GiveUp:
        pass
    except yaml.MarkedYAMLError as error:
        reading.faults.append(_syntax_fault(text, error))
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        first_line = (str(error).splitlines() or [type(error).__name__])[0]
        reading.faults.append((1, (), f"broken YAML: {first_line[:MAX_TEXT]}", "YAML that can be read"))
    problems = [Problem(f"{name}:{line}", dotted(path, value), *words) for line, path, *words in reading.faults]
    return Sheet(name, value, reading.lines, tuple(problems))


class _GiveUp(Exception):
    """The rest of the file can't be read with sense; the problem is noted already."""


@dataclass(slots=True)
class _Reading:
    """The state of reading one file: faults so far as (line, path, found, wanted), and the line of every path."""

    faults: list[tuple[int, Path, str, str]] = field(default_factory=list)
    lines: dict[Path, int] = field(default_factory=dict)

    def document(self, events: Iterator[Any]) -> Value:
        next(events)  # the start of the stream
        start = next(events)
        if isinstance(start, yaml.StreamEndEvent):
            self.stop(start, (), "an empty file", "keys and values; take a file away that is no longer meant")
        if start.version or start.tags:
            self.note(start, (), "a YAML directive (%)", "none: plain YAML needs no directive")
        value = self.node(next(events), events, ())
        next(events)  # the end of the document
        following = next(events)
        if not isinstance(following, yaml.StreamEndEvent):
            self.stop(following, (), "a second document (---)", "one document in a file")
        return value

    def node(self, event: Any, events: Iterator[Any], path: Path) -> Value:
        self.lines[path] = event.start_mark.line + 1
        if len(path) > MAX_DEPTH:
            self.stop(event, path, f"more than {MAX_DEPTH} levels of nesting", "the flat layout of rule files")
        whole = self.is_plain_yaml(event, path)
        value: Value
        if isinstance(event, yaml.MappingStartEvent):
            value = self.mapping(events, path)
        elif isinstance(event, yaml.SequenceStartEvent):
            value = self.sequence(events, path)
        else:
            value = self.scalar(event, path) if whole else BROKEN
        return value if whole else BROKEN

    def is_plain_yaml(self, event: Any, path: Path) -> bool:
        """Whether the node is free of references and tags; notes what it is not free of."""
        if isinstance(event, yaml.AliasEvent):
            wanted = f'the values themselves, or quotes around a glob ("*{event.anchor}")'
            self.note(event, path, f"*{event.anchor}, a YAML alias", wanted)
            return False
        if event.anchor is not None:
            self.note(event, path, f"&{event.anchor}, a YAML anchor", "the values themselves where they belong")
        if event.tag is not None:
            self.note(event, path, f"the YAML tag {event.tag[:60]}", "a plain value without a tag")
        return event.anchor is None and event.tag is None

    def sequence(self, events: Iterator[Any], path: Path) -> tuple[Value, ...]:
        values: list[Value] = []
        while not isinstance(event := next(events), yaml.SequenceEndEvent):
            values.append(self.node(event, events, (*path, len(values))))
        return tuple(values)

    def mapping(self, events: Iterator[Any], path: Path) -> dict[str, Value]:
        values: dict[str, Value] = {}
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            key = self.key(event, events, path, values)
            # A refused key's value is still read, under a name that no key can have, so that its faults show too.
            child = (*path, key if key is not None else "?")
            value = self.node(next(events), events, child)
            if key is not None:
                self.lines[child] = event.start_mark.line + 1
                values[key] = value
        return values

    def key(self, event: Any, events: Iterator[Any], path: Path, taken: Mapping[str, Value]) -> str | None:
        if not isinstance(event, yaml.ScalarEvent):
            self.node(event, events, (*path, "?"))
            if not isinstance(event, yaml.AliasEvent):
                self.note(event, path, "a list or mapping as a key", "a word")
            return None
        if not self.is_plain_yaml(event, path):
            return None
        # `y` is an axis here; it is a text to PyYAML and to YAML 1.2, and true to YAML 1.1 alone.
        key = event.value if event.style or event.value == "y" else bare_word(event.value)
        if event.value == "<<" and not event.style:
            self.note(event, path, "<<, a YAML merge key", "the keys themselves")
        elif isinstance(key, Trap):
            self.note(event, path, f"the key {key.found}", "a plain word as a key")
        elif not isinstance(key, str):
            self.note(event, path, f"the key {event.value or 'nothing'}", "a plain word as a key")
        elif key in taken:
            found = f"the same key as in line {self.lines[*path, key]}"
            self.note(event, (*path, key), found, "each key once")
        elif self.is_short_line(event, path, key):
            return key
        return None

    def scalar(self, event: Any, path: Path) -> Value:
        value = event.value if event.style else bare_word(event.value)
        if value is None:
            self.note(event, path, "nothing", "a value, or leave the key out")
            return BROKEN
        if isinstance(value, Trap):
            self.note(event, path, value.found, value.wanted)
            return BROKEN
        return value if not isinstance(value, str) or self.is_short_line(event, path, value) else BROKEN

    def is_short_line(self, event: Any, path: Path, text: str) -> bool:
        if len(text) > MAX_TEXT:
            self.note(event, path, f"a text of {len(text)} characters", f"at most {MAX_TEXT}")
        elif "\n" in text or not text.isprintable():
            self.note(event, path, "a text with line ends or invisible characters", "one line of visible text")
        else:
            return True
        return False

    def note(self, event: Any, path: Path, found: str, wanted: str) -> None:
        line = event.start_mark.line + 1
        if len(self.faults) >= MAX_FAULTS:
            self.faults.append((line, (), f"more than {MAX_FAULTS} faults up to here", "no more of them"))
            raise _GiveUp
        self.faults.append((line, path, found, wanted))

    def stop(self, event: Any, path: Path, found: str, wanted: str) -> None:
        self.note(event, path, found, wanted)
        raise _GiveUp


def dotted(path: Path, value: Value = None) -> str:
    """A path as people read it: `rules[2].lift.shape`, entries counted from 1, or by name where `value` shows one."""
    text = ""
    for step in path:
        value = step_into(value, step)
        if isinstance(step, int):
            name = value.get("name") if isinstance(value, dict) else None
            text += f"[{name if isinstance(name, str) else step + 1}]"
        else:
            text += f".{step}" if text else step
    return text


def step_into(value: Value, step: str | int) -> Value:
    """The value one key or list position deeper, or None; no value of a file is None."""
    if isinstance(step, int):
        return value[step] if isinstance(value, tuple) and step < len(value) else None
    return value.get(step) if isinstance(value, dict) else None


def _decoded(name: str, data: bytes) -> str | Problem:
    if len(data) > MAX_BYTES:
        return Problem(f"{name}:1", "", f"a file of {len(data)} bytes", f"at most {MAX_BYTES} bytes")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return Problem(f"{name}:{line}", "", f"the byte 0x{data[error.start]:02X}, which isn't UTF-8", "UTF-8 text")
    odd = _UNPRINTABLE.search(text)
    if odd is not None:
        line = text.count("\n", 0, odd.start()) + 1
        return Problem(f"{name}:{line}", "", f"the invisible character U+{ord(odd[0]):04X}", "plain text")
    return text


def _syntax_fault(text: str, error: yaml.MarkedYAMLError) -> tuple[int, Path, str, str]:
    line = error.problem_mark.line if error.problem_mark else 0
    written = (text.splitlines() + [""] * (line + 1))[line]
    found, wanted = f"broken YAML: {error.problem}", "YAML that can be read"
    if "\t" in written[: len(written) - len(written.lstrip())]:
        found, wanted = "a tab before the text", "spaces"
    elif error.context == "while scanning an alias":
        found, wanted = "a bare * at the start of a value, a YAML alias", 'quotes around a glob ("*lattice*")'
    elif error.context:
        found = f"{found} ({error.context})"
    return line + 1, (), found, wanted
