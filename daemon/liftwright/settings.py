"""The settings of one installation: YAML in, a frozen `Settings` out; every fault is listed, none is guessed away.

Only `share` is required. Folders not named stand under it. Strict: unknown keys, wrong types and keys given twice are
RulesError, with file, line, key, what was found and what was wanted.
"""

from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from liftwright.errors import Problem, RulesError
from liftwright.job.facts import comment_map
from liftwright.job.name_facts import compile_folder_pattern, compile_pattern
from liftwright.rules.faults import found_words, nearest, value_at
from liftwright.rules.yaml_source import BROKEN, Sheet, read_sheet

FOLDERS = ("inbox", "outbox", "held", "records", "originals", "working", "verdicts", "rules")
MB = 1_000_000


class Folders(BaseModel):
    """Where the folders of the share stand; a path without a leading `/` counts from the share."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    inbox: str = Field(default="inbox", min_length=1)
    outbox: str = Field(default="outbox", min_length=1)
    held: str = Field(default="held", min_length=1)
    records: str = Field(default="records", min_length=1)
    originals: str = Field(default="originals", min_length=1)
    working: str = Field(default="working", min_length=1)
    verdicts: str = Field(default="verdicts", min_length=1)
    rules: str = Field(default="rules", min_length=1)


class Settings(BaseModel):
    """One installation. Sizes in MB are millions of bytes; times carry their unit in the name."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")

    share: str = Field(min_length=1)
    folders: Folders = Folders()
    mode: Literal["rewrite", "observe"] = "rewrite"
    slots: int = Field(default=2, ge=1, le=64)
    quiet_s: float = Field(default=10, gt=0, le=3600, allow_inf_nan=False)
    incomplete_after_h: float = Field(default=24, gt=0, le=24 * 365, allow_inf_nan=False)
    suffixes: tuple[str, ...] = Field(default=(".gcode", ".gco", ".g"), min_length=1)
    size_limit_mb: int = Field(default=2000, ge=1, le=1_000_000)
    name_pattern: str | None = None
    folder_pattern: str | None = None
    comment_keys: dict[str, str] = {}
    may_set_printer: bool = False
    job_time_limit_s: float = Field(default=900, gt=0, le=86_400, allow_inf_nan=False)
    job_memory_limit_mb: int = Field(default=1000, ge=50, le=1_000_000)
    originals_keep_days: int = Field(default=90, ge=1, le=36_500)
    originals_keep_mb: int = Field(default=50_000, ge=1)
    records_keep_days: int = Field(default=730, ge=1, le=36_500)
    records_keep_mb: int = Field(default=5_000, ge=1)
    free_space_floor_mb: int = Field(default=500, ge=0)
    metrics_file: str | None = None

    @field_validator("share", "metrics_file")
    @classmethod
    def _is_absolute(cls, value: str | None) -> str | None:
        if value is not None and not value.startswith("/"):
            raise ValueError("an absolute path, such as /srv/farm")
        return value

    @field_validator("suffixes", mode="before")
    @classmethod
    def _accept_list(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value

    @field_validator("suffixes")
    @classmethod
    def _are_suffixes(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for suffix in value:
            if not suffix.startswith(".") or "/" in suffix or len(suffix) < 2:
                raise ValueError("suffixes such as .gcode, each with its leading dot")
        return tuple(suffix.lower() for suffix in value)

    @model_validator(mode="after")
    def _folders_differ(self) -> "Settings":
        places = [self.folder(name) for name in FOLDERS]
        for place in places:
            if any(other != place and place.is_relative_to(other) for other in places) or places.count(place) > 1:
                raise ValueError(f"folders that lie apart; {place} lies in another of them or is named twice")
        return self

    def folder(self, name: str) -> Path:
        """The place of one of FOLDERS."""
        place: str = getattr(self.folders, name)
        return Path(self.share) / place

    @property
    def pause_file(self) -> Path:
        """While a file of this name lies in the share, everything passes through unchanged."""
        return Path(self.share) / "PAUSE"


def load_settings(path: Path) -> Settings:
    """Read the settings file; RulesError lists every problem in it, DeliveryError never comes from here."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RulesError([Problem(str(path), "", error.strerror or "no file", "a readable settings file")]) from error
    return parse_settings(data, str(path))


def parse_settings(data: bytes, name: str) -> Settings:
    """Bytes of a settings file → Settings; NAME stands in the messages."""
    sheet = read_sheet(name, data)
    if not isinstance(sheet.value, dict):
        wanted = "keys and values, at least `share: /srv/farm`"
        raise RulesError(sheet.problems or [Problem(f"{name}:1", "", found_words(sheet.value), wanted)])
    problems = list(sheet.problems)
    try:
        settings = Settings.model_validate(sheet.value)
    except ValidationError as error:
        # A value that was refused on reading has its problem already.
        faults = [fault for fault in error.errors() if value_at(fault["loc"], sheet.value) is not BROKEN]
        problems += [_problem(fault, sheet) for fault in faults]
    else:
        problems += _pattern_problems(settings)
    if problems:
        raise RulesError(problems)
    return settings


def _pattern_problems(settings: Settings) -> list[Problem]:
    """What is wrong with the patterns and comment keys: the rules room judges them."""
    problems: list[Problem] = []
    for compile_text, key in ((compile_pattern, "name_pattern"), (compile_folder_pattern, "folder_pattern")):
        text = getattr(settings, key)
        try:
            if text is not None:
                compile_text(text, key)
        except RulesError as error:
            problems += error.problems
    try:
        comment_map(settings.comment_keys)
    except RulesError as error:
        problems += error.problems
    return problems


def _problem(fault: Any, sheet: Sheet) -> Problem:
    place = tuple(fault["loc"])
    where, key = sheet.where(place), ".".join(str(part) for part in place)
    match fault["type"]:
        case "missing":
            return Problem(where, key, "no such key", "it, since it has no default")
        case "extra_forbidden":
            known = list(Folders.model_fields if len(place) > 1 else Settings.model_fields)
            return Problem(where, key, "an unknown key", nearest(str(place[-1]), known) or "one of " + ", ".join(known))
        case _:
            wanted = fault["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
            return Problem(where, key, found_words(fault["input"]), wanted)
