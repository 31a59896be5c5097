"""Facts: where each comes from, which wins, and what is no fact at all."""

import numpy as np
import pytest

from liftwright.errors import RulesError, UsageError
from liftwright.job.facts import (
    COMMENT_KEYS,
    MAX_VALUE,
    Fact,
    canonical_key,
    clean,
    comment_facts,
    comment_key_hashes,
    comment_map,
    gather,
    plain_key,
    tag_fact,
)


def from_comments(*comments: tuple[str | bytes, str | bytes, int]) -> dict[str, tuple[str | float, str]]:
    return {fact.key: (fact.value, fact.origin) for fact in comment_facts(comments)}


def test_the_strongest_group_that_knows_a_key_decides_it() -> None:
    given = [Fact("material", "PETG", "command line")]
    side = [Fact("material", "PLA", "side file, line 1"), Fact("model", "pot", "side file, line 2")]
    comments = [Fact("model", "clip", "comment, line 9"), Fact("printer", "bench", "comment, line 3")]
    assert gather(given, side, comments) == {"material": given[0], "model": side[1], "printer": comments[1]}


def test_the_plain_words_of_the_trade_are_read_from_comments_however_they_are_spelled() -> None:
    """`key = value` and `key: value` reach this point split; keys count without case, blanks, `_` and `-`."""
    assert from_comments(
        ("filament_type", "PETG", 4),
        ("Nozzle-Diameter", "0.6", 5),
        ("LAYER HEIGHT", "0.2 mm", 6),
        ("machine", "bench 220", 7),
        ("Part", "lattice pot", 8),
        ("support speed", "50", 9),
    ) == {
        "material": ("PETG", "comment, line 4"),
        "nozzle_diameter": (0.6, "comment, line 5"),
        "layer_height": (0.2, "comment, line 6"),
        "printer": ("bench 220", "comment, line 7"),
        "model": ("lattice pot", "comment, line 8"),
    }


def test_of_two_words_for_a_key_the_plainer_wins_wherever_it_stands() -> None:
    assert from_comments(("filament", "black, shiny", 2), ("filament type", "PLA", 9000)) == {
        "material": ("PLA", "comment, line 9000")
    }
    assert from_comments(("material", "ASA", 50), ("filament type", "PLA", 1)) == {
        "material": ("ASA", "comment, line 50")
    }


def test_of_two_comments_with_one_word_the_earlier_line_wins() -> None:
    assert from_comments(("material", "ASA", 50), ("Material", "PLA", 7)) == {"material": ("PLA", "comment, line 7")}


@pytest.mark.parametrize(
    ("value", "material", "note"),
    [
        ("PLA;PLA", "PLA", ""),
        ('"PLA"', "PLA", ""),
        ('"PLA";"PLA"', "PLA", ""),
        ("PLA, PLA", "PLA", ""),
        ("'PETG';'PLA'", "PETG", ", first of several that differ ('PETG';'PLA')"),
        ("PETG;PLA;PLA", "PETG", ", first of several that differ (PETG;PLA;PLA)"),
        (";PLA", "PLA", ""),
    ],
)
def test_a_material_for_several_extruders_counts_as_the_first_and_says_so(value: str, material: str, note: str) -> None:
    assert from_comments(("material", value, 3)) == {"material": (material, f"comment, line 3{note}")}


def test_a_nozzle_for_several_extruders_counts_as_the_first() -> None:
    assert from_comments(("nozzle diameter", "0.4,0.4", 3)) == {"nozzle_diameter": (0.4, "comment, line 3")}
    assert from_comments(("nozzle diameter", "0.6;0.4", 3)) == {
        "nozzle_diameter": (0.6, "comment, line 3, first of several that differ (0.6;0.4)")
    }


@pytest.mark.parametrize(
    "value", ["0,4", "1,2", "", "-0.4", "0", "nan", "inf", "1e-1", "0x4", "0.4.4", "1234567", "wide"]
)
def test_a_number_that_could_be_two_things_or_none_is_no_fact(value: str) -> None:
    """`1,2` may be two nozzles or a decimal comma; wrong by a factor is worse than not known."""
    assert from_comments(("nozzle diameter", value, 3)) == {}


@pytest.mark.parametrize("value", ["", "  ", '""', ";", "2.31 m", "{filament_type}", "x" * (MAX_VALUE + 1), "\x00\x01"])
def test_a_senseless_material_is_no_fact(value: str) -> None:
    """Among them a length of filament, a template that nobody filled in, and a text without end."""
    assert from_comments(("filament", value, 3)) == {}


def test_a_comment_as_long_as_a_job_is_passed_over() -> None:
    assert from_comments(("model", "a" + " " * 1_000_000 + "b", 3)) == {}


def test_comments_in_any_encoding_are_read() -> None:
    assert from_comments((b"model", "Blüte".encode(), 1)) == {"model": ("Blüte", "comment, line 1")}
    assert from_comments((b"model", "Blüte".encode("latin-1"), 1)) == {"model": ("Blüte", "comment, line 1")}


def test_a_semicolon_in_a_model_is_part_of_its_name() -> None:
    assert from_comments(("model", "pot; left, small", 1)) == {"model": ("pot; left, small", "comment, line 1")}


def test_measured_facts_cannot_be_set_by_comments() -> None:
    assert comment_facts([("layers", "9", 1)], {"layers": "layers"}) == []


def test_values_become_one_line_of_visible_text() -> None:
    assert clean(" a\t\tb\x1b[31m\u202e\u200bc\n\ud800") == "a b[31mc"
    assert clean("cafe\u0301") == "caf\u00e9"


@pytest.mark.parametrize(
    ("written", "key"),
    [
        ("Material", "material"),
        ("filament type", "material"),
        ("part", "model"),
        ("nozzlediameter", "nozzle_diameter"),
        ("Layer-Height", "layer_height"),
        ("Over Hang Share", "overhang_share"),
        ("Bench Side", "bench_side"),
        ("batch7", "batch7"),
        ("7batch", None),
        ("", None),
        ("a.b", None),
        ("größe", None),
        ("x" * 41, None),
    ],
)
def test_keys_are_spelled_in_one_way(written: str, key: str | None) -> None:
    assert canonical_key(written) == key


def test_a_tag_of_the_command_line_is_the_strongest_fact_and_says_so() -> None:
    assert tag_fact("Material=PETG black") == Fact("material", "PETG black", "command line")
    assert tag_fact("nozzle-diameter=0.6") == Fact("nozzle_diameter", 0.6, "command line")
    assert tag_fact("batch=a=b") == Fact("batch", "a=b", "command line")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("material", "tag 'material': found no usable key; wanted KEY=VALUE, KEY of letters, digits and '_'"),
        ("=x", "tag '=x': found no usable key; wanted KEY=VALUE, KEY of letters, digits and '_'"),
        ("layers=3", "tag 'layers=3': layers is measured from the job; it can't be given"),
        ("model=", "tag 'model=': found no usable value; wanted a text of 1 to 200 characters"),
        ("layer_height=thin", "tag 'layer_height=thin': found no usable value; wanted a number above 0"),
    ],
)
def test_a_wrong_tag_of_the_command_line_is_a_usage_error(text: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        tag_fact(text)
    assert str(caught.value) == message


def test_an_installation_adds_its_own_words_and_they_win() -> None:
    keys = comment_map({"Plastic": "material", "bench side": "Bench Side"})
    assert list(keys)[:2] == ["plastic", "benchside"]
    assert len(keys) == len(COMMENT_KEYS) + 2
    comments = [("material", "PLA", 1), ("PLASTIC", "PETG", 2), ("Bench-Side", "left", 3)]
    assert [(fact.key, fact.value) for fact in comment_facts(comments, keys)] == [
        ("material", "PETG"),
        ("bench_side", "left"),
    ]


def test_words_and_keys_that_cannot_work_are_all_told() -> None:
    with pytest.raises(RulesError) as caught:
        comment_map({"--": "material", "plastic": "9", "height": "layers"})
    assert str(caught.value).splitlines() == [
        "settings: comment_keys.--: found no ASCII letter or digit in the comment's word; wanted at least one",
        'settings: comment_keys.plastic: found "9"; '
        "wanted a key of lower-case letters, digits and '_', such as material",
        "settings: comment_keys.height: found layers; wanted another key: this one is measured from the job itself",
    ]


@pytest.mark.parametrize(
    ("key", "digest"),
    [("a", 0xAF63DC4C8601EC8C), ("foobar", 0x85944171F73967E8)],
)
def test_comment_keys_hash_as_the_published_vectors_say(key: str, digest: int) -> None:
    """FNV-1a, 64 bit: test vectors of draft-eastlake-fnv (Fowler, Noll, Vo, Eastlake), quoted from memory."""
    assert comment_key_hashes([key]).view(np.uint64).tolist() == [digest]


def test_hashes_are_sorted_and_blind_to_case_blanks_and_signs() -> None:
    hashes = comment_key_hashes(COMMENT_KEYS)
    assert hashes.dtype == np.int64
    assert (np.diff(hashes) > 0).all()
    assert (hashes < 0).any()
    spelled = [f"_{word.upper().replace(' ', '-')} " for word in COMMENT_KEYS]
    assert np.array_equal(comment_key_hashes([*spelled, "--", ""]), hashes)
    assert comment_key_hashes([]).shape == (0,)


def test_the_plain_form_of_a_key_is_ascii_letters_and_digits() -> None:
    assert plain_key("Filament-Type_2 [g/cm³] Ä") == "filamenttype2gcm"


def test_numbers_show_to_globs_without_superfluous_zeros() -> None:
    assert (Fact("batch", 12.0, "").text, Fact("layer_height", 0.2, "").text) == ("12", "0.2")
