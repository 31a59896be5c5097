"""Every key of the rule files as a table, from the same generated schema that editors use."""

import json
from collections.abc import Iterator
from typing import NamedTuple

from liftwright.rules.json_schema import Node, choices, range_words, rules_json_schema, type_words
from liftwright.rules.schema import REQUIRED_ONCE

# The first ending that fits counts, so the longer stand first.
_UNITS = {"mm_s2": "mm/s²", "mm_s": "mm/s", "_mm": "mm", "_percent": "%", "_s": "s"}


class Key(NamedTuple):
    """One key: its dotted path (`[]` = each entry of a list) and what may be said of it in words."""

    path: str
    type: str
    unit: str
    range: str
    default: str
    meaning: str


def keys_table() -> str:
    """The table in Markdown, one row a key, in the models' order, ending in a line feed."""
    head = ("key", *Key._fields[1:])
    rows = [head, ("---",) * len(head), *((f"`{key.path}`", *key[1:]) for key in all_keys())]
    return "".join(f"| {' | '.join(cell or '–' for cell in row)} |\n" for row in rows)


def all_keys() -> list[Key]:
    """Every key that a rule file may hold; tags stand there as `rules[].when.<tag>`."""
    return list(_keys_below(rules_json_schema(), ""))


def _keys_below(node: Node, prefix: str) -> Iterator[Key]:
    ways = [way for way in choices(node) if way["type"] == "object"]
    for name in dict.fromkeys(name for way in ways for name in way.get("properties", {})):
        holders = [way for way in ways if name in way["properties"]]
        values = [way["properties"][name] for way in holders]
        yield _key(prefix + name, values, _need(name, holders, ways))
        yield from _keys_below(*_inside(values[0], prefix + name))
    if any(isinstance(way.get("additionalProperties"), dict) for way in ways):
        tag = next(way["additionalProperties"] for way in ways)
        yield _key(f"{prefix}<tag>", [{**tag, "description": "any other fact, under its own key"}], "")


def _need(name: str, holders: list[Node], ways: list[Node]) -> str:
    if name in REQUIRED_ONCE:
        return "required, in one file"
    if not any(name in way.get("required", ()) for way in holders):
        return ""
    return "required" if len(holders) == len(ways) else "required in its form"


def _inside(value: Node, path: str) -> tuple[Node, str]:
    """What to look into for deeper keys, and their prefix. Bounds are left out: their type says {min, max} in full."""
    if value.get("type") == "array":
        return value.get("items", {"type": "none"}), f"{path}[]."
    is_bounds = any("min" in way.get("properties", ()) for way in choices(value))
    return ({"type": "none"} if is_bounds or "type" in value else value), f"{path}."


def _key(path: str, values: list[Node], need: str) -> Key:
    node = values[0] if len(values) == 1 else {"anyOf": values}
    unit = values[0].get("unit") or next((unit for end, unit in _UNITS.items() if path.endswith(end)), "")
    return Key(path, type_words(node), unit, range_words(node), need or _default(values[0]), values[0]["description"])


def _default(value: Node) -> str:
    default = value.get("default")
    if default is None:
        return "not stated"
    if isinstance(default, dict):
        return "as below"
    return str(default) if isinstance(default, str) else json.dumps(default)
