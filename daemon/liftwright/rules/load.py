"""The files of the rules folder → one rule set, or every problem in all of them at once.

1. Files count in the order of their names; rules of an earlier file stand before those of a later one.
2. A name of a printer, material or rule is used once in all files, without regard to case.
3. `when_unmatched` and `when_refused` stand in exactly one file each: the operator chooses, nothing is assumed.
4. A rule that names a material or printer without a wildcard names an entry of the set: a slip of the finger, or a file
   that was saved half-written, must not turn into a rule that never matches.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import islice

from pydantic import ValidationError

from liftwright.errors import Problem, RulesError
from liftwright.job.facts import canonical_key
from liftwright.rules.faults import nearest, problems_of, value_at
from liftwright.rules.globs import is_literal
from liftwright.rules.json_schema import known_keys
from liftwright.rules.schema import MOST_ENTRIES, REQUIRED_ONCE, Fallback, RuleSet, RulesFile
from liftwright.rules.yaml_source import MAX_FAULTS, Path, Sheet, Value, dotted, read_sheet

MAX_TOTAL_BYTES = 1024 * 1024
MAX_FILES = 100
FOLDER = "rules folder"  # the place of a problem that is no single file's
MAX_CONDITIONS = 40  # of one rule


def load_rules(files: Mapping[str, bytes]) -> RuleSet:
    """File name → bytes, as a rule set; RulesError lists every problem by file and line.

    The digest is the SHA-256 of the merged content in canonical JSON, defaults included: comments, layout, the order of
    keys and the division into files don't change it, the order of entries does.
    """
    names = sorted(files)
    total = sum(len(files[name]) for name in names)
    if len(names) > MAX_FILES or total > MAX_TOTAL_BYTES:
        wanted = f"at most {MAX_FILES} files and {MAX_TOTAL_BYTES} bytes"
        raise RulesError([Problem(FOLDER, "", f"{len(names)} files of {total} bytes together", wanted)])
    sheets = [read_sheet(name, files[name]) for name in names]
    problems: list[Problem] = []
    contents: list[RulesFile] = []
    for sheet in sheets:
        content, faults = _checked(sheet)
        problems += [*sheet.problems, *faults, *_tag_problems(sheet)]
        contents += [content] if content else []
    too_many = [*_too_many(sheets)]
    problems += too_many or [*_missing(sheets), *_used_twice(sheets), *islice(_unknown_names(sheets), MAX_FAULTS)]
    if problems:
        raise RulesError(sorted(problems, key=_place))
    return _merged(sheets, contents)


def _checked(sheet: Sheet) -> tuple[RulesFile | None, list[Problem]]:
    try:
        return RulesFile.model_validate(sheet.value), []
    except ValidationError as error:
        return None, problems_of(error, sheet)


def _too_many(sheets: Sequence[Sheet]) -> Iterator[Problem]:
    """More entries than any farm has: nothing is checked across files then, for that work grows with their number."""
    for section, most in MOST_ENTRIES.items():
        count = sum(len(_entries(sheet, section)) for sheet in sheets)
        if count > most:
            yield Problem(FOLDER, section, f"{count} entries in all files", f"at most {most}")


def _missing(sheets: Sequence[Sheet]) -> Iterator[Problem]:
    if any(not isinstance(sheet.value, dict) for sheet in sheets):
        return  # what seems to be missing may stand in the file that can't be read
    for key in REQUIRED_ONCE:
        places = [sheet for sheet in sheets if key in sheet.value]
        if not places:
            yield Problem(FOLDER, key, "nothing in any file", "unchanged or held: it has no default, you choose")
        for later in places[1:]:
            yield Problem(
                later.where((key,)), key, f"it again, after {places[0].where((key,))}", "it in one file alone"
            )
    for section in ("printers", "rules"):
        if not any(value_at((section,), sheet.value) for sheet in sheets):
            yield Problem(FOLDER, section, "no entry in any file", "at least one; without it no job can be rewritten")


def _used_twice(sheets: Sequence[Sheet]) -> Iterator[Problem]:
    for section in MOST_ENTRIES:
        taken: dict[str, str] = {}
        for sheet, path, name in _names(sheets, section):
            where = sheet.where(path)
            if name.casefold() in taken:
                first = taken[name.casefold()]
                yield Problem(where, dotted(path, sheet.value), f'"{name}" again, after {first}', "each name once")
            taken.setdefault(name.casefold(), where)


def _unknown_names(sheets: Sequence[Sheet]) -> Iterator[Problem]:
    """Rules that name a printer or material which no entry has."""
    if any(not isinstance(sheet.value, dict) for sheet in sheets):
        return
    for key, section in (("printer", "printers"), ("material", "materials")):
        names = {name.casefold(): name for _, _, name in _names(sheets, section)}
        for sheet, path, word in _when_words(sheets, key):
            if is_literal(word) and word.casefold() not in names:
                near = nearest(word, list(names))
                wanted = f"the name of an entry of {section}" + (f', perhaps "{names[near]}"' if near else "")
                yield Problem(sheet.where(path), dotted(path, sheet.value), f'"{word}"', wanted)


def _tag_problems(sheet: Sheet) -> Iterator[Problem]:
    """Keys of `when` that can't be tags; one that is nearly a known key would be a rule that never matches."""
    known = known_keys(("rules", 0, "when"))
    for index, rule in enumerate(_entries(sheet, "rules")):
        conditions = rule.get("when")
        if not isinstance(conditions, dict):
            continue
        if len(conditions) > MAX_CONDITIONS:
            path: Path = ("rules", index, "when")
            found, wanted = f"{len(conditions)} conditions", f"at most {MAX_CONDITIONS}"
            yield Problem(sheet.where(path), dotted(path, sheet.value), found, wanted)
            continue
        for key in conditions:
            if key in known:
                continue
            path = ("rules", index, "when", key)
            meant = canonical_key(key)
            near = meant if meant in known else nearest(key, known, 0.8)
            if near is not None:
                yield Problem(sheet.where(path), dotted(path, sheet.value), "a key that is nearly a known one", near)
            elif meant != key:
                wanted = "lower-case letters, digits and '_', a letter first, at most 40"
                yield Problem(sheet.where(path), dotted(path, sheet.value), f'the tag "{key[:60]}"', wanted)


def _entries(sheet: Sheet, section: str) -> list[dict[str, Value]]:
    """The entries of a section that are mappings at all; an empty mapping stands for each that is none."""
    entries = value_at((section,), sheet.value)
    return [entry if isinstance(entry, dict) else {} for entry in entries] if isinstance(entries, tuple) else []


def _names(sheets: Sequence[Sheet], section: str) -> Iterator[tuple[Sheet, Path, str]]:
    for sheet in sheets:
        for index, entry in enumerate(_entries(sheet, section)):
            if isinstance(entry.get("name"), str):
                yield sheet, (section, index, "name"), entry["name"]


def _when_words(sheets: Sequence[Sheet], key: str) -> Iterator[tuple[Sheet, Path, str]]:
    for sheet in sheets:
        for index in range(len(_entries(sheet, "rules"))):
            path: Path = ("rules", index, "when", key)
            words = value_at(path, sheet.value)
            if isinstance(words, str):
                yield sheet, path, words
            for place, word in enumerate(words if isinstance(words, tuple) else ()):
                if isinstance(word, str):
                    yield sheet, (*path, place), word


def _merged(sheets: Sequence[Sheet], contents: Sequence[RulesFile]) -> RuleSet:
    merged = RulesFile(
        printers=tuple(printer for content in contents for printer in content.printers),
        materials=tuple(material for content in contents for material in content.materials),
        rules=tuple(rule for content in contents for rule in content.rules),
        when_unmatched=_only(content.when_unmatched for content in contents),
        when_refused=_only(content.when_refused for content in contents),
    )
    canonical = json.dumps(merged.model_dump(mode="json"), sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return RuleSet(
        merged.printers,
        merged.materials,
        merged.rules,
        _only([merged.when_unmatched]),
        _only([merged.when_refused]),
        digest=hashlib.sha256(canonical.encode()).hexdigest(),
        sources=tuple(sheet.name for sheet in sheets),
        places={name: sheet.where(path) for sheet, path, name in _names(sheets, "rules")},
    )


def _only(choices: Iterable[Fallback | None]) -> Fallback:
    return next(choice for choice in choices if choice is not None)


def _place(problem: Problem) -> tuple[str, int]:
    name, _, line = problem.where.rpartition(":")
    return (name, int(line)) if name and line.isdecimal() else (problem.where, 0)
