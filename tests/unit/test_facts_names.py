"""Tags in file and folder names, by a pattern that is no regular expression."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from liftwright.errors import RulesError
from liftwright.job.name_facts import compile_folder_pattern, compile_pattern, folder_facts, name_facts


def tags(pattern: str, name: str) -> dict[str, str | float]:
    return {fact.key: fact.value for fact in name_facts(compile_pattern(pattern, "name_pattern"), name)}


def levels(pattern: str, folder: str) -> dict[str, str | float]:
    return {fact.key: fact.value for fact in folder_facts(compile_folder_pattern(pattern, "folder_pattern"), folder)}


def test_a_name_is_taken_apart_at_the_texts_between_the_fields() -> None:
    facts = name_facts(
        compile_pattern("{model}__{material}__{printer}.gcode", "s"), "hose-bracket__PETG__bench 7.gcode"
    )
    assert [(fact.key, fact.value, fact.origin) for fact in facts] == [
        ("model", "hose-bracket", "file name"),
        ("material", "PETG", "file name"),
        ("printer", "bench 7", "file name"),
    ]


@pytest.mark.parametrize(
    ("pattern", "name", "found"),
    [
        ("{model}__{material}.gcode", "pot__PLA.GCODE", {"model": "pot", "material": "PLA"}),
        ("P-{Part}-{nozzle diameter}.g", "p-pot-0.6.g", {"model": "pot", "nozzle_diameter": 0.6}),
        ("{model}__{material}-{bench}.g", "a-b__PLA-7.g", {"model": "a-b", "material": "PLA", "bench": "7"}),
        ("{model}__{material}.gcode", "pot.gcode", {}),
        ("{model}__{material}.gcode", "pot__PLA.txt", {}),
        ("{model}__{material}.gcode", "__PLA.gcode", {}),
        ("{model}__{material}.gcode", "pot__.gcode", {}),
        ("{model}__{material}.gcode", "small__pot__PLA.gcode", {}),
        ("{model}__{material}.gcode", "pot___PLA.gcode", {}),
        ("{model}-{layer_height}.g", "pot-thin.g", {}),
        ("x{model}x", "x", {}),
        ("{model}.gcode", "İ.gcode", {"model": "İ"}),
    ],
)
def test_a_name_gives_facts_only_if_it_can_be_read_in_one_way(
    pattern: str, name: str, found: dict[str, str | float]
) -> None:
    """`small__pot__PLA` could be the model `small` in the material `pot__PLA`: a guess might set a wrong material."""
    assert tags(pattern, name) == found


@pytest.mark.parametrize(
    ("pattern", "message"),
    [
        ("pot.gcode", 'found "pot.gcode" without a field; wanted at least one, such as {material}'),
        (
            "{model}{material}",
            'found "{model}{material}", where two fields touch; wanted a separating text between fields, such as __',
        ),
        ("{model}-{part}", 'found "{model}-{part}", which names a key twice; wanted each key once'),
        ("{model}-{", 'found "{model}-{", whose braces don\'t pair up; wanted fields such as {material}'),
        (
            "{model}-{layers}",
            "found {layers}; wanted a key of letters, digits and '_' that isn't measured from the job itself",
        ),
        ("{}", "found {}; wanted a key of letters, digits and '_' that isn't measured from the job itself"),
        ("{model}" + "x" * 200, "found 207 characters; wanted 1 to 200"),
    ],
)
def test_a_pattern_that_cannot_work_is_refused_with_its_reason(pattern: str, message: str) -> None:
    with pytest.raises(RulesError) as caught:
        compile_pattern(pattern, "name_pattern")
    assert str(caught.value) == f"settings: name_pattern: {message}"


@pytest.mark.parametrize(
    ("folder", "found"),
    [
        ("bench 7/PETG", {"printer": "bench 7", "material": "PETG"}),
        ("bench 7", {"printer": "bench 7"}),
        ("bench 7/PETG/monday/late", {"printer": "bench 7", "material": "PETG"}),
        ("/bench 7//PETG/", {"printer": "bench 7", "material": "PETG"}),
        ("", {}),
    ],
)
def test_folders_below_the_inbox_count_level_by_level(folder: str, found: dict[str, str | float]) -> None:
    assert levels("{printer}/{material}", folder) == found


def test_a_level_that_does_not_fit_ends_the_reading() -> None:
    assert levels("bench-{printer}/{material}", "shelf-3/PETG") == {}
    assert levels("{printer}/m-{material}/{batch}", "bench/PETG/7") == {"printer": "bench"}


def test_folder_facts_say_that_they_come_from_the_folder() -> None:
    (fact,) = folder_facts(compile_folder_pattern("{printer}", "s"), "bench")
    assert fact.origin == "folder"


def test_a_key_may_stand_on_one_level_alone() -> None:
    with pytest.raises(RulesError, match="names a key twice"):
        compile_folder_pattern("{printer}/{machine}", "folder_pattern")


@settings(deadline=None)
@given(model=st.text("ab_- 1", min_size=1, max_size=8), material=st.text("ab_- 1", min_size=1, max_size=8))
def test_a_name_made_from_tags_gives_them_back_or_nothing(model: str, material: str) -> None:
    """Never other tags than those that went in, whatever they hold of the separator."""
    found = tags("{model}__{material}.gcode", f"{model}__{material}.gcode")
    assert found in ({}, {"model": " ".join(model.split()), "material": " ".join(material.split())})


@settings(deadline=None)
@given(st.text(max_size=300))
def test_any_name_at_all_can_be_read(name: str) -> None:
    for value in tags("{model}_{material}.g", name).values():
        assert 0 < len(str(value)) <= 200
        assert str(value).isprintable()
