"""What somebody saw when a job was printed: a small strict YAML file, or words of the command line → a `Verdict`.

    job: 20261125T101500-0123456789     the job's number, or the trial's
    letter: B                           which arm of a trial was printed
    stayed: true                        did the part stay on the bed?
    strings: 2                          0 (none) to 5 (a web)
    finish: 4                           0 (scrap) to 5 (as good as it gets)
    minutes: 62                         may be left out, as may `note` and `print`
    note: one thread at the rim

Unknown keys, wrong types, keys given twice and what YAML readers disagree about are faults; all are listed.
"""

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from liftwright.errors import Problem, RulesError
from liftwright.rules.faults import found_words, nearest, value_at
from liftwright.rules.yaml_source import BROKEN, MAX_TEXT, Sheet, read_sheet

MOST_BYTES = 16 * 1024
"""A verdict has some hundred; what is larger is something else."""

Grade = Annotated[int, Field(ge=0, le=5)]


def _from_word(value: object) -> object:
    """`yes` must stand in quotes in YAML, and is what people say."""
    return {"yes": True, "no": False}.get(value, value) if isinstance(value, str) else value


class Verdict(BaseModel):
    """One print as it was judged. `print`: which print of the same job; a second verdict on one print corrects it."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)

    job: str = Field(min_length=1, max_length=MAX_TEXT)
    letter: Annotated[str, Field(pattern="^[A-Z]$")] | None = None
    print: int = Field(default=1, ge=1, le=9999)
    stayed: Annotated[bool, BeforeValidator(_from_word)]
    strings: Grade
    finish: Grade
    minutes: float | None = Field(default=None, gt=0, le=100_000)
    note: str | None = Field(default=None, min_length=1, max_length=MAX_TEXT)


WANTED: Mapping[str, str] = {
    "job": "the number of a job or a trial",
    "letter": "one capital letter, that of the trial's arm",
    "print": "a whole number from 1 on: which print of this job",
    "stayed": 'true or false, or "yes" or "no"',
    "strings": "a whole number from 0 (none) to 5 (a web)",
    "finish": "a whole number from 0 (scrap) to 5 (as good as it gets)",
    "minutes": "a number above 0, at most 100000",
    "note": f"one line of 1 to {MAX_TEXT} visible characters",
}
"""What each key wants, in words."""


def read_verdict(data: bytes, name: str) -> Verdict:
    """The verdict in a file's bytes; RulesError with every fault. NAME stands in the messages."""
    if len(data) > MOST_BYTES:
        raise RulesError([Problem(f"{name}:1", "", f"a file of {len(data)} bytes", f"at most {MOST_BYTES} bytes")])
    sheet = read_sheet(name, data)
    if not isinstance(sheet.value, dict):
        wanted = f"a mapping of {', '.join(WANTED)}"
        raise RulesError(sheet.problems or [Problem(f"{name}:1", "", found_words(sheet.value), wanted)])
    problems = list(sheet.problems)
    found = checked(sheet.value)
    if isinstance(found, ValidationError):
        faults = [fault for fault in found.errors() if value_at((fault["loc"][0],), sheet.value) is not BROKEN]
        problems += [_problem(fault, sheet) for fault in faults]
    if problems or isinstance(found, ValidationError):
        raise RulesError(problems)
    return found


def checked(values: Mapping[str, Any]) -> Verdict | ValidationError:
    """The verdict of these values, or what is wrong with them."""
    try:
        return Verdict.model_validate(dict(values))
    except ValidationError as error:
        return error


def _problem(fault: Any, sheet: Sheet) -> Problem:
    key = str(fault["loc"][0])
    where = sheet.where((key,))
    if fault["type"] == "extra_forbidden":
        return Problem(where, key, "an unknown key", nearest(key, list(WANTED)) or f"one of {', '.join(WANTED)}")
    found = "no such key" if fault["type"] == "missing" else found_words(fault["input"])
    return Problem(where, key, found, WANTED[key])
