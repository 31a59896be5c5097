"""Tags in a job's file name and folder → facts, by the installation's own patterns.

A pattern is a text with `{key}` fields: `{model}__{material}__{printer}.gcode` for names, `{printer}/{material}` for
the folders below the inbox. It is no regular expression: each field takes everything up to the next literal text, and
reading costs time in proportion to the name's length. Refused: a name that could be read in two ways
(`a__b__c` by `{model}__{material}`) gives no fact at all, because a guessed material or printer can do harm.
"""

import re
from dataclasses import dataclass

from liftwright.errors import Problem, RulesError
from liftwright.job.facts import MEASURED, Fact, canonical_key, fact_value

MAX_PATTERN = 200
_FIELD = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True, slots=True)
class NamePattern:
    """A compiled pattern: `literals` has one entry more than `keys`, they alternate, literal first."""

    text: str
    literals: tuple[str, ...]
    keys: tuple[str, ...]


def compile_pattern(text: str, setting: str) -> NamePattern:
    """The pattern of one file or folder name; RulesError names `setting` and everything that is wrong with it."""
    parts = _FIELD.split(text)
    literals, fields = parts[0::2], parts[1::2]
    keys = [canonical_key(field) or "" for field in fields]
    faults: list[tuple[str, str]] = []
    if not 0 < len(text) <= MAX_PATTERN:
        faults.append((f"{len(text)} characters", f"1 to {MAX_PATTERN}"))
    if any("{" in literal or "}" in literal for literal in literals):
        faults.append((f'"{text[:80]}", whose braces don\'t pair up', "fields such as {material}"))
    faults += [
        (f"{{{field[:40]}}}", "a key of letters, digits and '_' that isn't measured from the job itself")
        for field, key in zip(fields, keys, strict=True)
        if not key or key in MEASURED
    ]
    if len(set(keys)) < len(keys):
        faults.append((f'"{text[:80]}", which names a key twice', "each key once"))
    if "" in literals[1:-1]:
        faults.append((f'"{text[:80]}", where two fields touch', "a separating text between fields, such as __"))
    if not fields:
        faults.append((f'"{text[:80]}" without a field', "at least one, such as {material}"))
    if faults:
        raise RulesError([Problem("settings", setting, found, wanted) for found, wanted in faults])
    return NamePattern(text, tuple(literals), tuple(keys))


def compile_folder_pattern(text: str, setting: str) -> tuple[NamePattern, ...]:
    """One pattern a folder level: `{printer}/{material}`; RulesError as `compile_pattern`, and for a key used twice."""
    levels = tuple(compile_pattern(level, setting) for level in text.split("/"))
    keys = [key for level in levels for key in level.keys]
    if len(set(keys)) < len(keys):
        raise RulesError([Problem("settings", setting, f'"{text[:80]}", which names a key twice', "each key once")])
    return levels


def name_facts(pattern: NamePattern, name: str) -> list[Fact]:
    """The tags of a file name (without its folder); empty when the name doesn't fit the pattern in exactly one way."""
    return _facts(pattern, name, "file name")


def folder_facts(levels: tuple[NamePattern, ...], folder: str) -> list[Fact]:
    """The tags of a job's folder below the inbox (`gantry-300/PETG`); levels count until one is missing or unfit.

    Folders deeper than the pattern say nothing.
    """
    facts: list[Fact] = []
    for level, part in zip(levels, (part for part in folder.split("/") if part), strict=False):
        tags = _facts(level, part, "folder")
        if not tags:
            break
        facts += tags
    return facts


def _facts(pattern: NamePattern, name: str, origin: str) -> list[Fact]:
    tags = zip(pattern.keys, _fields(pattern, name), strict=False)  # no texts where the name doesn't fit
    facts = [Fact(key, value, origin) for key, text in tags if (value := fact_value(key, text)) is not None]
    # All or nothing: a name of which one tag makes no sense was not written to this pattern.
    return facts if len(facts) == len(pattern.keys) else []


def _fields(pattern: NamePattern, name: str) -> list[str]:
    """The texts of the fields, or nothing unless there is exactly one way to read the name.

    Every way to place the separators lies between the leftmost and the rightmost one: if they agree, there is one way.
    """
    first, *between, last = (_ascii_lower(literal) for literal in pattern.literals)
    lowered = _ascii_lower(name)
    end = len(name) - len(last)
    if not lowered.startswith(first) or not lowered.endswith(last) or end < len(first):
        return []
    starts, place = [], len(first)
    for separator in between:
        starts.append(lowered.find(separator, place, end))
        if starts[-1] < 0:
            return []
        place = starts[-1] + len(separator)
    stop = end
    for separator, start in zip(reversed(between), reversed(starts), strict=True):
        stop = lowered.rfind(separator, len(first), stop)
        if stop != start:
            return []
    ends = [start + len(separator) for start, separator in zip(starts, between, strict=True)]
    return [name[a:b] for a, b in zip([len(first), *ends], [*starts, end], strict=True)]


def _ascii_lower(text: str) -> str:
    """Lower case of A to Z alone, so that the length never changes and positions stay comparable."""
    return "".join(chr(ord(c) + 32) if "A" <= c <= "Z" else c for c in text)
