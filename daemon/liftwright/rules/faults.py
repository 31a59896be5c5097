"""What the models say of a wrong value → problems as operators need them: place, key, found, wanted, nearest key."""

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from liftwright.errors import Problem
from liftwright.rules.json_schema import Node, known_keys, node_at, range_words, type_words, wanted
from liftwright.rules.yaml_source import BROKEN, MAX_FAULTS, Path, Sheet, Value, dotted, step_into

_NUMBER = re.compile(r"[-+]?[0-9]{1,20}(\.[0-9]{0,20})?")


def problems_of(error: ValidationError, sheet: Sheet) -> list[Problem]:
    """The model's faults of one sheet; those that only follow from a value that was refused on reading are left out."""
    problems: list[Problem] = []
    for fault in error.errors(include_url=False, include_input=False):
        path, kind = _path(fault["loc"], sheet.value), fault["type"]
        ctx = fault.get("ctx", {})
        if kind == "missing":
            path = (*path, fault["loc"][-1])
        elif kind in ("union_tag_invalid", "union_tag_not_found"):
            path = (*path, "by")
        elif kind == "fault" and ctx["key"]:
            path = (*path, ctx["key"])
        if _follows_from_another(kind, path, sheet.value):
            continue
        problems.append(_problem(kind, path, ctx, sheet))
        if len(problems) == MAX_FAULTS:
            more = error.error_count() - MAX_FAULTS
            if more > 0:
                problems.append(Problem(f"{sheet.name}:1", "", f"{more} more faults in this file", "none"))
            break
    return problems


def nearest(word: str, known: Sequence[str], likeness: float = 0.6) -> str | None:
    """The known key that a typing error most likely meant, or None."""
    # Long words are cut: the comparison takes time by the square of the length.
    close = difflib.get_close_matches(word[:60].lower().replace("-", "_").replace(" ", "_"), known, 1, likeness)
    return close[0] if close else None


def found_words(value: Value) -> str:
    """A value as it stands in an error text: texts in quotes, so that "0.4" and 0.4 can be told apart."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{value[:60]}"'
    if isinstance(value, tuple):
        return f"a list of {len(value)}" if value else "an empty list"
    if isinstance(value, dict):
        return "a mapping" if value else "an empty mapping"
    return "nothing" if value is None or value is BROKEN else str(value)


def value_at(path: Path, value: Value) -> Value:
    """The value at a path, or None."""
    for step in path:
        value = step_into(value, step)
    return value


def _problem(kind: str, path: Path, ctx: Any, sheet: Sheet) -> Problem:
    where, key = sheet.where(path), dotted(path, sheet.value)
    if kind == "fault":
        return Problem(where, key, ctx["found"], ctx["wanted"])
    if kind == "extra_forbidden":
        return Problem(where, key, *_unknown_key(path))
    node, value = node_at(path), value_at(path, sheet.value)
    words = wanted(node) if node else "another value"
    found = "no such key" if kind in ("missing", "union_tag_not_found") else found_words(value)
    return Problem(where, key, found, words + _hint(kind, value, node or {}, ctx))


def _unknown_key(path: Path) -> tuple[str, str]:
    known, holder = known_keys(path[:-1]), node_at(path[:-1])
    if path[-1] in known and holder is not None:
        return "a key of another form", f"one form alone: {wanted(holder)}"
    return "an unknown key", nearest(str(path[-1]), known) or f"one of {', '.join(known)}"


def _hint(kind: str, value: Value, node: Node, ctx: Mapping[str, Any]) -> str:
    """What helps beyond the kind of value that is wanted."""
    if kind in ("string_too_short", "string_too_long", "string_pattern_mismatch"):
        return f", {range_words(node)}{', no blanks around it' if 'pattern' in node else ''}"
    if kind in ("too_long", "too_short"):
        return f", at most {ctx['max_length']} entries" if kind == "too_long" else ", not empty"
    if kind == "literal_error" and isinstance(value, str):
        near = nearest(value, type_words(node).removeprefix("one of ").split(", "))
        return f"; perhaps {near}" if near else ""
    if isinstance(value, str) and _NUMBER.fullmatch(value):
        return ", without quotes"
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return f' ("{value}" in quotes is one)' if is_number and "text" in type_words(node) else ""


def _path(loc: Sequence[str | int], value: Value) -> Path:
    """A model's place → keys and positions of the file: the names that the models give to alternatives drop out."""
    path: Path = ()
    for step in loc:
        inner = step_into(value, step)
        if inner is not None:
            value, path = inner, (*path, step)
    return path


def _follows_from_another(kind: str, path: Path, value: Value) -> bool:
    """Whether the fault lies at or below a value that was refused on reading, or counts refused entries of a list."""
    counts_refused = kind == "too_short" and bool(value_at(path, value))
    return counts_refused or any(value_at(path[:end], value) is BROKEN for end in range(len(path) + 1))
