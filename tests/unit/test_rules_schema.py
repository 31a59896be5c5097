"""The generated JSON Schema and the table of keys: complete, and in step with the models."""

from typing import Any

import pytest

from liftwright.job.facts import MEASURED
from liftwright.rules.json_schema import known_keys, node_at, rules_json_schema, wanted
from liftwright.rules.key_table import all_keys, keys_table
from liftwright.rules.schema import RulesFile


def objects(node: Any) -> list[dict[str, Any]]:
    """Every mapping that the schema describes, at any depth."""
    if isinstance(node, list):
        return [found for child in node for found in objects(child)]
    if not isinstance(node, dict):
        return []
    own = [node] if node.get("type") == "object" else []
    return own + [found for child in node.values() for found in objects(child)]


def test_every_key_carries_a_description_for_the_editor() -> None:
    properties = [
        (name, value) for found in objects(rules_json_schema()) for name, value in found["properties"].items()
    ]
    assert len(properties) > 60
    assert [name for name, value in properties if len(value.get("description", "")) < 8] == []


def test_mappings_are_closed_but_for_the_tags_of_when() -> None:
    """JSON Schema passes unknown properties unless `additionalProperties` is false (JSON Schema 2020-12)."""
    described = objects(rules_json_schema())
    opened = [found for found in described if found["additionalProperties"] is not False]
    assert [list(found["properties"])[:3] for found in opened] == [["material", "printer", "model"]]


def test_null_is_no_value_of_any_key() -> None:
    """An empty value is an error when a file is loaded; the editor says so as well."""
    assert "'null'" not in str(rules_json_schema())


def test_the_schema_names_its_dialect() -> None:
    assert rules_json_schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_every_reference_leads_somewhere() -> None:
    text = str(rules_json_schema())
    for name in {part.split("'")[0] for part in text.split("#/$defs/")[1:]}:
        assert name in rules_json_schema()["$defs"]


def test_every_measured_fact_may_be_used_in_a_condition() -> None:
    assert set(MEASURED) <= set(known_keys(("rules", 0, "when")))


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (("rules", 3, "lift", "caution"), "a number from 0 to 1"),
        (("rules", 0, "lift", "max_z_reversals"), "a whole number from 0 to 100000000"),
        (("rules", 0, "when", "any_tag"), "a text or list of texts or mapping {min: ..., max: ...}"),
        (("printers", 0, "bed_mm", "x"), "a list of two numbers from -5000 to 5000"),
        (("printers", 0, "motion", "cornering", "by"), "one of square_corner, junction_deviation, axis_jerk"),
        (("rules", 0, "lift", "otherwise"), "a list, each one of flat, square, triangle, sawtooth, trapezoid, terrain"),
        (("when_refused",), "one of unchanged, held"),
    ],
)
def test_what_is_wanted_at_a_place_is_said_with_its_range(path: tuple[str | int, ...], words: str) -> None:
    node = node_at(path)
    assert node is not None
    assert wanted(node) == words


def test_a_place_that_no_file_can_have_has_no_description() -> None:
    assert node_at(("rules", 0, "lift", "shape", "deeper")) is None
    assert node_at(("nowhere", 1)) is None


def test_the_table_holds_every_field_of_every_model_once() -> None:
    """Counted on the models themselves: a key that the walk over the schema misses would be missing from the table."""
    paths = [key.path for key in all_keys()]
    assert len(paths) == len(set(paths))
    assert {path.split("[")[0] for path in paths} == set(RulesFile.model_fields)
    models: list[Any] = [RulesFile]
    seen: set[Any] = set()
    while models:
        model = models.pop()
        if model in seen or model.__name__ == "Range":
            continue
        seen.add(model)
        for name, field in model.model_fields.items():
            assert any(path.rsplit(".", 1)[-1] == name for path in paths), (model, name)
            models += _models_in(field.annotation)
    assert len(seen) >= 15


def _models_in(annotation: Any) -> list[Any]:
    if hasattr(annotation, "model_fields"):
        return [annotation]
    return [model for inner in getattr(annotation, "__args__", ()) for model in _models_in(inner)]


def test_every_number_has_a_range_and_every_length_a_unit() -> None:
    for key in all_keys():
        if "number" in key.type and "min" not in key.type:
            assert key.range, key.path
        if key.path.endswith(("_mm", "_s", "_s2", ".radius", "_percent")):
            assert key.unit, key.path


def test_rows_of_the_table_read_as_documented() -> None:
    lines = keys_table().splitlines()
    assert lines[0] == "| key | type | unit | range | default | meaning |"
    assert lines[1] == "| --- | --- | --- | --- | --- | --- |"
    assert (
        "| `rules[].lift.clearance_mm` | number | mm | from 0 to 5 | 0.15 | gap kept above obstacles; terrain only |"
    ) in lines
    assert (
        "| `printers[].z_speed_mm_s` | number | mm/s | above 0, at most 1000 | required | "
        "Z speed that no rewritten move exceeds |"
    ) in lines
    assert (
        "| `when_refused` | one of unchanged, held | – | – | required, in one file | "
        "the job can't be rewritten safely: hand it on unchanged, or hold it |"
    ) in lines
    assert all(line.count("|") == 7 for line in lines)
