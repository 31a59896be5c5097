"""A filled-in reading sheet of the curl gauge → for each fin, between which heights its edge stood.

The file is strict YAML: the numbers that describe the gauge, and for each clearance the first fin that was touched,
0 for none; the list may end early, where the print was stopped. Refused (RulesError, every fault listed): unknown keys,
another gauge's clearances, fins that don't exist.
"""

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from liftwright.errors import Problem, RulesError
from liftwright.evidence.gauge import CLEARANCES_MM, SHARES, leaning_layers
from liftwright.rules.faults import found_words, nearest, value_at
from liftwright.rules.yaml_source import BROKEN, Sheet, dotted, read_sheet

UPRIGHT = 1
"""Number of the fin that doesn't lean."""


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class Crossing(_Strict):
    """One line of the sheet."""

    clearance_mm: float = Field(description="height of the crossing above the fins")
    first_touched: Annotated[int, Field(ge=0, le=len(SHARES))] = Field(description="number of the fin, 0 for none")


class Reading(_Strict):
    """The whole sheet."""

    gauge: Literal["curl"] = Field(description="which gauge was printed")
    printer: str = Field(min_length=1, description="printer entry")
    material: str = Field(min_length=1, description="material entry")
    layer_height: float = Field(ge=0.05, le=2.0, description="layer height of the gauge, mm")
    crossings: tuple[Crossing, ...] = Field(min_length=1, description="the crossings that were made, in their order")


@dataclass(frozen=True, slots=True)
class EdgeHeights:
    """What a reading says of each leaning fin: its share, and its edge's height between `low` and `high` mm.

    high None: taller than the gauge can say. `notes`: what of the reading was not used, and why, in sentences.
    """

    leaning_mm: float
    shares: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float | None, ...]
    notes: tuple[str, ...]


def read_reading(data: bytes, name: str) -> Reading:
    """The sheet; RulesError with every fault. NAME stands in the messages."""
    sheet = read_sheet(name, data)
    problems = list(sheet.problems)
    found: Reading | None = None
    if isinstance(sheet.value, dict):
        try:
            found = Reading.model_validate(sheet.value)
        except ValidationError as error:
            problems += [_problem(fault, sheet) for fault in error.errors() if not _is_noted(fault, sheet)]
    elif sheet.value is not BROKEN:
        problems.append(Problem(f"{name}:1", "", found_words(sheet.value), "the keys of the reading sheet"))
    if found is not None:
        clearances = tuple(crossing.clearance_mm for crossing in found.crossings)
        if clearances != CLEARANCES_MM[: len(clearances)]:
            wanted = "the gauge's, from its first on: " + ", ".join(f"{clearance:g}" for clearance in CLEARANCES_MM)
            heights = ", ".join(f"{clearance:g}" for clearance in clearances)
            problems.append(Problem(sheet.where(("crossings",)), "crossings", heights or "none", wanted))
    if problems or found is None:
        raise RulesError(problems)
    return found


def _is_noted(fault: Any, sheet: Sheet) -> bool:
    """A value that was refused on reading has its problem already."""
    return value_at(tuple(fault["loc"]), sheet.value) is BROKEN


def _problem(fault: Any, sheet: Sheet) -> Problem:
    place = tuple(fault["loc"])
    where, key = sheet.where(place), dotted(place, sheet.value)
    known = list((Crossing if len(place) > 1 else Reading).model_fields)
    match fault["type"]:
        case "missing":
            return Problem(where, key, "no such key", "it, as the sheet has it")
        case "extra_forbidden":
            return Problem(where, key, "an unknown key", nearest(str(place[-1]), known) or f"one of {', '.join(known)}")
        case _:
            return Problem(where, key, found_words(fault["input"]), fault["msg"].removeprefix("Input should be "))


def edge_heights(reading: Reading) -> EdgeHeights:
    """Bounds of each leaning fin's edge, taking it that an edge that leans out more stands no lower.

    A crossing that touched fin f and none before it says: f and all steeper fins stand above its clearance, the ones
    before f don't. RulesError where the upright fin was touched so high that nothing is left.
    """
    crossings, notes = list(reading.crossings), []
    bad = [crossing.clearance_mm for crossing in crossings if crossing.first_touched == UPRIGHT]
    if bad:
        crossings = [crossing for crossing in crossings if crossing.clearance_mm > max(bad)]
        notes.append(
            f"the upright fin was touched at {max(bad):g} mm: the machine itself errs by as much (Z, bed, ooze on the "
            "nozzle), so crossings at or below that say nothing of curl and were left out"
        )
    if not crossings:
        raise RulesError([Problem("reading", "crossings", "the upright fin touched at every height", "level the bed "
                                  "and clean the nozzle, then print the gauge again")])  # fmt: skip
    low, high = [], []
    for number in range(UPRIGHT + 1, len(SHARES) + 1):
        touched = [c.clearance_mm for c in crossings if 0 < c.first_touched <= number]
        free = [c.clearance_mm for c in crossings if c.first_touched == 0 or c.first_touched > number]
        low.append(max(touched, default=0.0))
        high.append(min(free, default=None))
    for number, (lowest, highest) in enumerate(zip(low, high, strict=True), UPRIGHT + 1):
        if highest is not None and lowest > highest:
            notes.append(
                f"fin {number} was touched at {lowest:g} mm and passed free at {highest:g} mm: readings that "
                "contradict each other widen the result; a bent fin or a blob does that"
            )
    leaning = leaning_layers(reading.layer_height) * reading.layer_height
    return EdgeHeights(leaning, SHARES[UPRIGHT:], tuple(low), tuple(high), tuple(notes))
