"""The kinds of values that rule files hold, shared by all models: names, globs, spans, ranges; strict and finite.

A value of the wrong type is refused, never converted: `"0.4"` is no number and `1` is no text.
"""

from typing import Annotated, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

MAX_GLOB = 120  # characters; with facts of at most 200 characters it bounds the work of one match
MAX_GLOBS = 50


class Entry(BaseModel):
    """A mapping of the rule files: unknown keys, other types, infinities and changes after loading are refused."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


def fault(key: str, found: str, wanted: str) -> PydanticCustomError:
    """A fault that concerns several keys, laid at the door of one of them (dotted, below the mapping; or "")."""
    return PydanticCustomError(
        "fault", "found {found}; wanted {wanted}", {"key": key, "found": found, "wanted": wanted}
    )


def _one_or_many(value: object) -> object:
    return (value,) if isinstance(value, str) else value


Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$")]
Glob = Annotated[str, StringConstraints(min_length=1, max_length=MAX_GLOB)]


def _globs_schema(least: int) -> WithJsonSchema:
    one = {"type": "string", "minLength": 1, "maxLength": MAX_GLOB}
    return WithJsonSchema({"anyOf": [one, {"type": "array", "items": one, "minItems": least, "maxItems": MAX_GLOBS}]})


Globs = Annotated[tuple[Glob, ...], Field(max_length=MAX_GLOBS), BeforeValidator(_one_or_many), _globs_schema(least=0)]
SomeGlobs = Annotated[
    tuple[Glob, ...], Field(min_length=1, max_length=MAX_GLOBS), BeforeValidator(_one_or_many), _globs_schema(least=1)
]
Positive = Annotated[float, Field(gt=0, le=1_000_000)]


class Range(Entry):
    """Bounds of a number, both included; at least one of the two is given."""

    model_config = ConfigDict(json_schema_extra={"minProperties": 1})

    min: float | None = Field(default=None, ge=-1e9, le=1e9, description="smallest value that matches")
    max: float | None = Field(default=None, ge=-1e9, le=1e9, description="largest value that matches")

    @model_validator(mode="after")
    def _bounds(self) -> Self:
        if self.min is None and self.max is None:
            raise fault("", "neither min nor max", "at least one of them")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise fault("max", f"{self.max:g}, below min {self.min:g}", "min at most max")
        return self


def rising(value: tuple[float, float]) -> tuple[float, float]:
    """A span's second number must be above its first."""
    if not value[0] < value[1]:
        raise fault("", f"[{value[0]:g}, {value[1]:g}]", "two numbers, the second above the first")
    return value
