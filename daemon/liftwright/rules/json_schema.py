"""The models as JSON Schema 2020-12 for editors, and what the schema wants at a place, in words.

The schema is generated, so it can't disagree with the models. It knows less than loading does: what depends on other
entries or files (names used twice, a material that has no entry) is found by loading alone.
"""

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from liftwright.rules.schema import RulesFile

Node = Mapping[str, Any]
DIALECT = "https://json-schema.org/draft/2020-12/schema"


@lru_cache(maxsize=1)
def rules_json_schema() -> dict[str, Any]:
    """The schema of one file of the rules folder; don't change the dictionary that is returned, it is shared."""
    schema = _slim(RulesFile.model_json_schema())
    return {"$schema": DIALECT, "title": "liftwright rules", **schema}


def node_at(path: Sequence[str | int]) -> Node | None:
    """The part of the schema that describes the value at a path of keys and list positions, or None."""
    node: Node = rules_json_schema()
    for step in path:
        children = [child for choice in choices(node) if (child := _child(choice, step)) is not None]
        if not children:
            return None
        node = children[0] if len(children) == 1 else {"anyOf": children}
    return node


def known_keys(path: Sequence[str | int]) -> list[str]:
    """The keys that a mapping at this path may hold, in the models' order; tags are not among them."""
    node = node_at(path)
    return list(dict.fromkeys(key for choice in choices(node) for key in choice.get("properties", {}))) if node else []


def choices(node: Node) -> list[Node]:
    """The alternatives at a node, with references followed; most nodes have one."""
    if "$ref" in node:
        return choices(rules_json_schema()["$defs"][node["$ref"].removeprefix("#/$defs/")])
    for word in ("anyOf", "oneOf"):
        if word in node and "type" not in node:
            return [plain for choice in node[word] for plain in choices(choice)]
    return [node]


def wanted(node: Node) -> str:
    """What a value must be, in words with its range: `a number from 0 to 1`."""
    kind, bounds = type_words(node), range_words(node)
    article = "" if kind.startswith(("one of", "true")) else "a "
    return f"{article}{kind} {bounds}" if bounds and "number" in kind else article + kind


def type_words(node: Node) -> str:
    """What kind of value it is, without range or article: `number`, `list of two numbers`, `one of leave, climb`."""
    ways = choices(node)
    fixed = [word for way in ways for word in (way.get("enum") or ([way["const"]] if "const" in way else []))]
    if fixed:
        words = ["true" if word is True else str(word) for word in fixed]
        return words[0] if len(words) == 1 else f"one of {', '.join(words)}"
    return " or ".join(dict.fromkeys(_kind(way) for way in ways))


def range_words(node: Node) -> str:
    """The range of a number or the length of a text in words, or "" where neither applies."""
    for way in choices(node):
        inner = way.get("prefixItems", [way.get("items", way)])[0]
        if "maxLength" in inner:
            return f"{inner['minLength']} to {inner['maxLength']} characters"
        if inner.get("type") in ("number", "integer"):
            return _number_range(inner)
    return ""


def _number_range(node: Node) -> str:
    low, above = node.get("minimum"), node.get("exclusiveMinimum")
    high, below = node.get("maximum"), node.get("exclusiveMaximum")
    if low is not None and high is not None:
        return f"from {low:.9g} to {high:.9g}"
    bounds = (("above", above), ("at least", low), ("at most", high), ("below", below))
    return ", ".join(f"{word} {bound:.9g}" for word, bound in bounds if bound is not None)


def _kind(node: Node) -> str:
    kind = node["type"]
    if "prefixItems" in node:
        return f"list of two {_kind(node['prefixItems'][0])}s"
    if kind == "array":
        item = type_words(node["items"])
        if item.startswith("mapping"):
            return "list of mappings"
        return f"list, each {item}" if item.startswith("one of") else f"list of {item}s"
    if kind == "object":
        keys = [*node.get("properties", {})]
        return f"mapping {{{', '.join(f'{key}: ...' for key in keys)}}}" if len(keys) <= 3 else "mapping"
    return {"number": "number", "integer": "whole number", "string": "text", "boolean": "true or false"}[kind]


def _child(node: Node, step: str | int) -> Node | None:
    child: Node | None
    if isinstance(step, int):
        items = node.get("prefixItems", ())
        child = items[step] if step < len(items) else node.get("items")
        return child
    extra = node.get("additionalProperties") or None
    child = node.get("properties", {}).get(step, extra)
    return child


def _slim(node: Any) -> Any:
    """Without generated titles, and without null: an empty value in a rule file is an error, not "not stated"."""
    if isinstance(node, list):
        return [_slim(item) for item in node]
    if not isinstance(node, dict):
        return node
    slim = {
        key: {name: _slim(child) for name, child in value.items()} if key in ("properties", "$defs") else _slim(value)
        for key, value in node.items()
        if not (key == "title" and isinstance(value, str)) and not (key == "default" and value is None)
    }
    choices = [choice for choice in slim.pop("anyOf", []) if choice != {"type": "null"}]
    if len(choices) == 1:
        return {**choices[0], **slim}
    return {**slim, "anyOf": choices} if choices else slim
