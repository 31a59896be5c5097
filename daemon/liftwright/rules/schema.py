"""The models of the rule files: what an operator may write, in which unit and range, and what it means.

Everything is frozen and strict; every field carries its description, from which the editors' JSON Schema, the table of
keys and the error texts are made. `RuleSet` is what loading gives.
"""

from dataclasses import dataclass, field
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, ConfigDict, Discriminator, Field, Tag, model_validator

from liftwright.job.facts import MEASURED, TAG_KEY
from liftwright.rules.fields import Entry, Glob, Globs, Name, Range, SomeGlobs, fault, rising
from liftwright.rules.printer import Head, Motion, Printer, RectBed, RoundBed

__all__ = [
    "Curl",
    "Fallback",
    "Head",
    "Lift",
    "Material",
    "Motion",
    "Printer",
    "Range",
    "RectBed",
    "RoundBed",
    "Rule",
    "RuleSet",
    "RulesFile",
    "Shape",
    "TrialArms",
    "When",
]

Shape = Literal["flat", "square", "triangle", "sawtooth", "trapezoid", "terrain"]
Fallback = Literal["unchanged", "held"]


class Curl(Entry):
    """Allowance for overhangs whose edges curl upward: no prediction, since nobody has published a curve."""

    onset: float = Field(default=0.4, ge=0, lt=1, description="unsupported share of a bead's width where curl begins")
    gain: float = Field(
        default=0.5, ge=0, le=10, description="growth per layer, in layer heights, of a bead with nothing beneath it"
    )
    cap_mm: float = Field(default=0.5, ge=0, le=10, description="tallest allowance")
    decay: float = Field(
        default=0.5, ge=0, le=1, description="share of the allowance beneath that a supported bead passes on"
    )


class Material(Entry):
    """How one material behaves."""

    name: Name = Field(description="our name for it; compared without case")
    also: Globs = Field(default=(), description="other names under which jobs may know it (a glob or a list of globs)")
    curl: Curl = Field(default=Curl(), description="allowance for curled edges; an assumption until measured")


def _ordered(value: tuple[int, int]) -> tuple[int, int]:
    if value[0] > value[1]:
        raise fault("", f"[{value[0]}, {value[1]}]", "two layer numbers, the second not below the first")
    return value


_Height = Annotated[float, Field(ge=0, le=10_000)]
_Layer = Annotated[int, Field(ge=1, le=1_000_000)]


class Lift(Entry):
    """Which travels are lifted, in which shape, how high, and at what cost at most."""

    shape: Shape = Field(description="side view of the lift; terrain lifts only over what stands in the way")
    height_mm: float = Field(
        default=0.4,
        gt=0,
        le=10,
        description="height above the higher end of the travel; all shapes but flat and terrain",
    )
    clearance_mm: float = Field(default=0.15, ge=0, le=5, description="gap kept above obstacles; terrain only")
    min_travel_mm: float | None = Field(
        default=None,
        ge=0,
        le=1000,
        description="shorter travels are left as they are; not stated: terrain 0.02, others 1.5",
    )
    max_height_mm: float = Field(
        default=1.0,
        gt=0,
        le=100,
        description="tallest lift above the higher end; what needs more is blocked; terrain only",
    )
    between_mm: Annotated[tuple[_Height, _Height], AfterValidator(rising)] | None = Field(
        default=None, description="only travels whose start lies between these heights, both included"
    )
    layers: Annotated[tuple[_Layer, _Layer], AfterValidator(_ordered)] | None = Field(
        default=None, description="only travels that start in these layers, counted from 1, both included"
    )
    first_layer: bool = Field(default=True, description="may travels of the first layer be lifted?")
    object: Glob | None = Field(
        default=None, description="only travels that start in objects whose label fits this glob"
    )
    unretracted: Literal["lift", "leave"] | None = Field(
        default=None,
        description="travels without retraction ooze more when lifted; not stated: terrain lifts, others leave",
    )
    own_lifts: Literal["replace", "keep"] = Field(
        default="replace", description="what becomes of lifts that the job came with"
    )
    own_lift_max_mm: float = Field(
        default=2.0, ge=0, le=100, description="taller lifts of the job are deliberate and always kept"
    )
    max_slope: float = Field(
        default=0.5, gt=0, le=10, description="steepest climb per way (0.5 = 1 in 2) before a straight step is taken"
    )
    caution: float = Field(
        default=0.5,
        ge=0,
        le=1,
        description="assumes more curl, for less clearance above it; 1 lifts once too often",
    )
    blocked: Literal["leave", "climb"] = Field(
        default="leave", description="travels that need more than max_height_mm: leave as they are, or climb regardless"
    )
    annotate: bool = Field(default=True, description="a short comment on the first line of each rewritten travel")
    max_added_s: float | None = Field(
        default=None, ge=0, le=1_000_000, description="budget: time that all lifts of a job may add"
    )
    max_added_percent: float | None = Field(
        default=None, ge=0, le=1000, description="budget: time that all lifts may add, in percent of the job's own"
    )
    max_z_reversals: int | None = Field(
        default=None, ge=0, le=100_000_000, description="budget: turns of the Z axis that all lifts of a job may add"
    )
    otherwise: tuple[Shape, ...] = Field(
        default=(), max_length=6, description="shapes to try in this order when a budget is exceeded; needs a budget"
    )

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.shape == "terrain" and not self.clearance_mm < self.max_height_mm:
            found = f"{self.clearance_mm:g}, not below max_height_mm {self.max_height_mm:g}"
            raise fault("clearance_mm", found, "less than max_height_mm, or every travel would be blocked")
        budgets = (self.max_added_s, self.max_added_percent, self.max_z_reversals)
        if self.otherwise and all(budget is None for budget in budgets):
            raise fault("otherwise", "no budget beside it", "max_added_s, max_added_percent or max_z_reversals")
        shapes = (self.shape, *self.otherwise)
        twice = next((shape for shape in shapes if shapes.count(shape) > 1), None)
        if twice is not None:
            raise fault("otherwise", f"{twice} twice, counting shape itself", "each shape once")
        return self


def _condition_kind(value: object) -> str:
    return "<range>" if isinstance(value, dict | Range) else "<globs>"


Condition = Annotated[
    Annotated[SomeGlobs, Tag("<globs>")] | Annotated[Range, Tag("<range>")], Discriminator(_condition_kind)
]


class When(Entry):
    """All conditions must hold; none matches every job. Any other key is a tag: a glob, a list of globs, a range."""

    model_config = ConfigDict(extra="allow", json_schema_extra={"propertyNames": {"pattern": f"^{TAG_KEY}$"}})
    __pydantic_extra__: dict[str, Condition]

    material: SomeGlobs | None = Field(default=None, description="name of a material entry, or a glob")
    printer: SomeGlobs | None = Field(default=None, description="name of a printer entry, or a glob")
    model: SomeGlobs | None = Field(default=None, description="glob for the model's name")
    nozzle_diameter: Range | None = Field(
        default=None, description="diameter of the nozzle that the job was made for", json_schema_extra={"unit": "mm"}
    )
    layer_height: Range | None = Field(
        default=None, description="layer height that the job states", json_schema_extra={"unit": "mm"}
    )
    overhang_share: Range | None = Field(default=None, description=MEASURED["overhang_share"])
    slenderness: Range | None = Field(default=None, description=MEASURED["slenderness"])
    islands: Range | None = Field(default=None, description=MEASURED["islands"])
    layers: Range | None = Field(default=None, description=MEASURED["layers"])
    nozzle_temperature: Range | None = Field(
        default=None, description=MEASURED["nozzle_temperature"], json_schema_extra={"unit": "°C"}
    )
    height_mm: Range | None = Field(default=None, description=MEASURED["height_mm"])

    def conditions(self) -> list[tuple[str, tuple[str, ...] | Range]]:
        """(fact's key, what is wanted of it), known keys before tags, each in a fixed order."""
        known = [(key, getattr(self, key)) for key in type(self).model_fields]
        return [(key, wanted) for key, wanted in [*known, *self.__pydantic_extra__.items()] if wanted is not None]


class TrialArms(Entry):
    """The arms of a trial: every shape, those of fixed height at every height."""

    shapes: tuple[Shape, ...] = Field(min_length=1, max_length=6, description="shapes to compare, each once")
    heights_mm: tuple[Annotated[float, Field(gt=0, le=10)], ...] = Field(
        default=(), max_length=13, description="heights of the shapes that have one; not stated: the rule's own"
    )

    @model_validator(mode="after")
    def _sound(self) -> Self:
        for key, values in (("shapes", self.shapes), ("heights_mm", self.heights_mm)):
            if len(set(values)) < len(values):
                raise fault(key, "one of them twice", "each once")
        fixed = [shape for shape in self.shapes if shape not in ("flat", "terrain")]
        if self.heights_mm and not fixed:
            raise fault("heights_mm", "heights for shapes that have none", "a shape of fixed height among the shapes")
        arms = len(self.shapes) - len(fixed) + len(fixed) * max(1, len(self.heights_mm))
        if not 2 <= arms <= 26:
            raise fault("shapes", f"{arms} shapes and heights in all", "2 to 26 to compare")
        return self


class Rule(Entry):
    """One rule: when it applies, and whether travels are lifted or left alone. Of all rules the first match wins."""

    model_config = ConfigDict(json_schema_extra={"oneOf": [{"required": ["lift"]}, {"required": ["leave"]}]})

    name: Name = Field(description="what the record calls it; compared without case")
    when: When = Field(description="conditions on the job's facts; {} matches every job")
    lift: Lift | None = Field(default=None, description="how to lift; exactly one of lift and leave")
    leave: Literal[True] | None = Field(default=None, description="true: leave every travel of the job as it is")
    picture: bool = Field(default=False, description="write a page with pictures of each job into the records folder")
    trial: TrialArms | None = Field(
        default=None, description="hand on, instead of one job, several that differ in their travels, as A, B, C"
    )

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.lift is None) == (self.leave is None):
            found = "neither lift nor leave" if self.lift is None else "both lift and leave"
            raise fault("", found, "exactly one: lift: {shape: ...} or leave: true")
        if self.trial is not None and self.lift is None:
            raise fault("trial", "leave beside it", "lift, whose other keys hold for all arms")
        return self


class RulesFile(Entry):
    """One file of the rules folder. All files together are one rule set: each name once, each `when_...` key once."""

    printers: tuple[Printer, ...] = Field(default=(), description="what each machine can do")
    materials: tuple[Material, ...] = Field(default=(), description="how each material behaves")
    rules: tuple[Rule, ...] = Field(default=(), description="what is done; the first match wins")
    when_unmatched: Fallback | None = Field(
        default=None,
        description="no printer or no rule fits the job: hand it on unchanged, or hold it",
    )
    when_refused: Fallback | None = Field(
        default=None,
        description="the job can't be rewritten safely: hand it on unchanged, or hold it",
    )


MOST_ENTRIES = {"printers": 200, "materials": 200, "rules": 1000}
"""Entries of each list in all files together; they bound the work of loading and matching."""
REQUIRED_ONCE = ("when_unmatched", "when_refused")
"""Keys of `RulesFile` that must stand in exactly one of the files, which a model of one file can't say."""


@dataclass(frozen=True, slots=True)
class RuleSet:
    """All files of the rules folder, merged. `digest` is of the content alone: comments and layout don't change it."""

    printers: tuple[Printer, ...]
    materials: tuple[Material, ...]
    rules: tuple[Rule, ...]
    when_unmatched: Fallback
    when_refused: Fallback
    digest: str = ""
    sources: tuple[str, ...] = ()
    places: dict[str, str] = field(default_factory=dict)
    """Rule name → file:line."""
