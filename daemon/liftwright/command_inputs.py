"""What every command about one job needs: the job open for reading, the rules, the facts given from outside.

Rules come from --rules, else from the rules folder of the settings; the settings also say which comment words and
which parts of a file name count as facts, so that the command line decides as the daemon would.

Refuses a job that isn't there (2), rules and settings with faults (3).
"""

import argparse
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from liftwright import rulebook
from liftwright.command import SETTINGS_FILE
from liftwright.command_settings import find_settings
from liftwright.errors import UsageError
from liftwright.job.facts import Fact, tag_fact
from liftwright.job.name_facts import compile_pattern, name_facts
from liftwright.rules.load import load_rules
from liftwright.rules.schema import RuleSet
from liftwright.rules.side_file import side_facts
from liftwright.settings import Settings
from liftwright.spool.inbox import TAGS


@dataclass(frozen=True, slots=True)
class Inputs:
    """`given` stands strongest first, as the daemon orders it: command line, side file, file name."""

    rules: RuleSet
    given: tuple[Fact, ...]
    comment_keys: Mapping[str, str]


def read_inputs(arguments: argparse.Namespace, job: Path) -> Inputs:
    """Rules and facts for one job."""
    settings = find_settings(arguments)
    tags = [tag_fact(tag) for tag in arguments.tags]
    outside = _outside_facts(settings, job) if settings else []
    return Inputs(
        rules=read_rules(rules_place(arguments.rules, settings)),
        given=(*tags, *outside),
        comment_keys=settings.comment_keys if settings else {},
    )


def open_job(path: Path) -> BinaryIO:
    """The job, open for reading; UsageError when it isn't there to be read."""
    try:
        return path.open("rb")
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror}; wanted a job that can be read") from None


def rules_place(named: str | None, settings: Settings | None) -> Path:
    """The rules folder or file that counts."""
    if named is not None:
        return Path(named)
    if settings is None:
        raise UsageError(f"no rules: {SETTINGS_FILE} is not there; wanted --rules DIR, or --settings FILE")
    return settings.folder("rules")


def read_rules(place: Path) -> RuleSet:
    """The rule set of a folder (every *.yaml in it) or of one file."""
    if place.is_dir():
        return load_rules(rulebook.read_rules(place))
    try:
        return load_rules({str(place): place.read_bytes()})
    except OSError as error:
        raise UsageError(f"{place}: {error.strerror}; wanted a rules folder or file") from None


def check_target(job: Path, target: Path, *, force: bool, what: str) -> None:
    """Refuse a place for `what` (file, page) that can't or mustn't be written, before any work is done."""
    if target.is_dir():
        raise UsageError(f"{target}: is a folder; wanted the name of a {what}")
    if not target.exists():
        return
    if target.samefile(job):
        raise UsageError(f"{target}: is the job itself; wanted another name, the job is never written to")
    if not force:
        raise UsageError(f"{target}: exists; wanted a new name, or --force to replace it")


def _outside_facts(settings: Settings, job: Path) -> list[Fact]:
    """What the daemon would know from outside the job, but for the inbox subfolder: there is no inbox here."""
    facts: list[Fact] = []
    side = job.with_name(job.name + TAGS)
    if side.exists():
        facts += side_facts(side.read_bytes(), side.name, settings.may_set_printer)
    if settings.name_pattern is not None:
        facts += name_facts(compile_pattern(settings.name_pattern, "name_pattern"), job.name)
    return facts
