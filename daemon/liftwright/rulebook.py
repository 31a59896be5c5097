"""The rule set in force: reads the rules folder, keeps the last good set, and says beside the rules when one is broken.

A changed folder is loaded when it looked the same twice, so that a file being saved is not read half. A rule set is
handed to the workers as one snapshot file, named by its digest: a job has one rule set from start to end.
"""

import json
import os
import stat
from collections.abc import Callable, Mapping
from pathlib import Path

from liftwright.errors import Problem, RulesError
from liftwright.rules.schema import RuleSet
from liftwright.rules.yaml_source import MAX_BYTES
from liftwright.settings import Settings
from liftwright.spool.durable import READ_FLAGS, replace_file

BROKEN = "RULES-BROKEN.txt"
ENDING = ".yaml"
LOOK_S = 2.0

Load = Callable[[Mapping[str, bytes]], RuleSet]
_Look = tuple[tuple[str, int, int, int], ...]


class Rulebook:
    """`rules` is the last good set, None until there was one; `broken` what is wrong with the files as they stand."""

    def __init__(self, settings: Settings, load: Load) -> None:
        self._folder = settings.folder("rules")
        self._working = settings.folder("working")
        self._load = load
        self._loaded: _Look | None = None
        self._seen: _Look | None = None
        self.rules: RuleSet | None = None
        self.broken = ""
        self.snapshot = ""
        for old in self._working.glob("rules-*.json"):
            old.unlink()

    def look(self, now: bool = False) -> bool:
        """Load again if the files changed and stand still (or NOW); True when something was loaded or found broken.

        OSError when the working folder can't take the snapshot; the rules before stay in force, and `look` tries again.
        """
        seen = _look(self._folder)
        settled = now or seen == self._seen
        self._seen = seen
        if not settled or (seen == self._loaded and not now):
            return False
        self._loaded = seen
        try:
            files = read_rules(self._folder)
            rules = self._load(files)
            self._keep(rules, files)
        except RulesError as error:
            self.broken = str(error)
        except OSError:
            # No room for the snapshot: the next look tries again.
            self._loaded = None
            raise
        else:
            self.broken = ""
        self._say()
        return True

    def _keep(self, rules: RuleSet, files: Mapping[str, bytes]) -> None:
        place = self._working / f"rules-{rules.digest}.json"
        if not place.exists():
            text = json.dumps({name: data.decode("latin-1") for name, data in files.items()})
            replace_file(place, text.encode("ascii"), durable=False)
        self.rules, self.snapshot = rules, str(place)

    def _say(self) -> None:
        """Where the operator looks: beside the rules. A rules folder that can't be written is no fault."""
        place = self._folder / BROKEN
        try:
            if self.broken:
                replace_file(place, self._words().encode("utf-8", "backslashreplace"), durable=False)
            else:
                place.unlink(missing_ok=True)
        except OSError:
            return

    def _words(self) -> str:
        kept = (
            "The rules that were in force before stay in force until this is put right."
            if self.rules is not None
            else "There are no rules in force: jobs wait in the inbox until this is put right."
        )
        return f"The rules in this folder can't be used.\n\n{self.broken}\n\n{kept}\nThis file goes away by itself.\n"


def read_rules(folder: Path) -> dict[str, bytes]:
    """The rule files, by name in name order; RulesError for one that is a link, too large or can't be read."""
    files: dict[str, bytes] = {}
    problems = []
    try:
        names = sorted(name for name in os.listdir(folder) if _counts(name))
    except OSError as error:
        raise RulesError([Problem(str(folder), "", error.strerror or "no folder", "the rules folder")]) from None
    for name in names:
        try:
            files[name] = _read(folder / name)
        except (OSError, ValueError) as error:
            found = error.strerror if isinstance(error, OSError) else str(error)
            problems.append(Problem(name, "", found or "no file", f"a plain file of at most {MAX_BYTES} bytes"))
    if problems:
        raise RulesError(problems)
    return files


def _read(path: Path) -> bytes:
    fd = os.open(path, READ_FLAGS)
    try:
        info = os.fstat(fd)
        if not stat.S_ISREG(info.st_mode):
            raise ValueError("a folder, a pipe or a device")
        if info.st_size > MAX_BYTES:
            raise ValueError(f"{info.st_size} bytes")
        return os.read(fd, MAX_BYTES)
    finally:
        os.close(fd)


def _counts(name: str) -> bool:
    return name.endswith(ENDING) and not name.startswith(".")


def _look(folder: Path) -> _Look:
    """What changes when anybody edits a rule file; empty when the folder can't be listed."""
    try:
        with os.scandir(folder) as entries:
            names = sorted((entry.name, entry.stat(follow_symlinks=False)) for entry in entries if _counts(entry.name))
    except OSError:
        return ()
    return tuple((name, info.st_ino, info.st_size, info.st_mtime_ns) for name, info in names)
