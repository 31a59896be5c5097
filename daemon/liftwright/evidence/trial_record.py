"""The record of one trial: one job, its arms A, B, C …, and which arm is what; the key to a blind comparison.

In: what was made. Out: one JSON document, `NAME.trial.json`, ASCII only, the same for the same job and settings.
Refuses (UsageError, with a sentence) a file that is no such record. Whoever judges the prints reads it afterwards.
"""

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError

from liftwright.errors import UsageError
from liftwright.rules.schema import Lift, Material, Printer, Shape
from liftwright.spool.record import FactSeen, Part

SCHEMA_VERSION = 1
ENDING = ".trial.json"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
MOST_BYTES = 1 << 20  # a record of 26 arms has some 10 kB; what is larger is something else
_SHA256 = r"^[0-9a-f]{64}$"


class Arm(Part):
    """One variant of the job. file: its name, without a folder. sha256: of its bytes, as a verdict names it.

    Seconds and mm are of the whole job: added_s beside the job as it came; air_s travelling above both ends of a
    travel; stroke_mm the way that Z makes. predicted_strikes: travels foretold to strike the allowance.
    """

    letter: str = Field(pattern="^[A-Z]$")
    file: str
    sha256: str = Field(pattern=_SHA256)
    shape: Shape
    height_mm: float | None
    lifted: int
    predicted_strikes: int
    added_s: float
    air_s: float
    stroke_mm: float


class AsItCame(Part):
    """The same numbers of the job that nobody changed; seconds: its foretold time."""

    seconds: float
    predicted_strikes: int
    air_s: float
    stroke_mm: float


class Trial(Part):
    """One trial. trial: its id, from the job's bytes and what the arms were made with, so that it means one thing."""

    schema_version: Literal[1] = 1
    trial: str = Field(pattern="^T-[0-9a-f]{12}$")
    job_name: str
    sha256_job: str = Field(pattern=_SHA256)
    rules_sha256: str
    rule: str
    printer: str
    material: str | None
    facts: tuple[FactSeen, ...] = ()
    before: AsItCame
    arms: tuple[Arm, ...] = Field(min_length=2, max_length=len(LETTERS))

    def arm(self, sha256: str) -> Arm | None:
        """The arm with these bytes, or None."""
        return next((arm for arm in self.arms if arm.sha256 == sha256), None)


def trial_id(sha256_job: str, lifts: Iterable[Lift], printer: Printer, material: Material | None) -> str:
    """`T-` and 12 hex digits of a SHA-256 over the job's digest and all that the arms are made with, in any order."""
    entries = [printer.model_dump(mode="json"), material.model_dump(mode="json") if material else None]
    made_with = [*sorted(_canonical(lift.model_dump(mode="json")) for lift in lifts), *map(_canonical, entries)]
    return "T-" + hashlib.sha256("\n".join([sha256_job, *made_with]).encode("ascii")).hexdigest()[:12]


def drawn_order(sha256_job: str, lifts: Sequence[Lift]) -> list[int]:
    """The lot: indices of `lifts` in the order of their letters.

    Sorted by the SHA-256 of the job's digest, shape and height: nobody chose it, and the same job gives it again.
    """

    def lot(index: int) -> str:
        lift = lifts[index]
        return hashlib.sha256(f"{sha256_job} {lift.shape} {lift.height_mm:.6f}".encode("ascii")).hexdigest()

    return sorted(range(len(lifts)), key=lot)


def to_bytes(trial: Trial) -> bytes:
    """The document as it stands on the disk."""
    text = json.dumps(trial.model_dump(mode="json"), indent=1, ensure_ascii=True, allow_nan=False)
    return f"{text}\n".encode("ascii")


def load(place: Path) -> Trial:
    """One trial record; UsageError where the file can't be read or is no such record."""
    try:
        with place.open("rb") as file:
            text = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{place}: {os.strerror(error.errno or 0)}; wanted a trial record that can be read") from None
    try:
        return Trial.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(f"{place}: {where + ': ' if where else ''}{first['msg']}; wanted a trial record") from None


def find(folder: Path) -> Iterator[tuple[Path, Trial]]:
    """Every trial record in a folder and its subfolders, in the order of their paths; raises as `load` does."""
    for place in sorted(folder.rglob(f"*{ENDING}")):
        if not place.name.startswith(".") and place.is_file():
            yield place, load(place)


def _canonical(value: object) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=True, allow_nan=False)
