"""What bare words of YAML mean to the rule files, beside what PyYAML and the two YAML versions make of them."""

import pytest
import yaml

from liftwright.rules.scalars import Trap, bare_word


@pytest.mark.parametrize("word", ["no", "No", "NO", "off", "on"])
def test_words_that_pyyaml_reads_as_true_or_false_are_refused(word: str) -> None:
    """PyYAML 6.0.3 as observed: `no`, `No`, `NO`, `off` → False, `on` → True (yaml/pyyaml issue 486)."""
    assert isinstance(yaml.safe_load(word), bool)
    assert isinstance(bare_word(word), Trap)


@pytest.mark.parametrize(
    "word", ["y", "Y", "yes", "Yes", "YES", "n", "N", "no", "No", "NO", "on", "On", "ON", "off", "Off", "OFF"]
)
def test_every_truth_word_of_yaml_1_1_that_yaml_1_2_reads_as_text_is_refused(word: str) -> None:
    """The list of yaml.org/type/bool.html (2005-01-18) without the words that both versions take for true or false."""
    assert isinstance(bare_word(word), Trap)


@pytest.mark.parametrize("word", ["true", "True", "TRUE", "false", "False", "FALSE"])
def test_truth_words_of_the_yaml_1_2_core_schema_are_true_or_false(word: str) -> None:
    """YAML 1.2's core schema has these six alone."""
    assert bare_word(word) is (word.lower() == "true")


@pytest.mark.parametrize(
    ("word", "pyyaml"), [("1e3", "1e3"), ("1.5e3", "1.5e3"), ("1.5e+3", 1500.0), ("1.e+3", 1000.0)]
)
def test_exponents_are_refused_because_readers_disagree(word: str, pyyaml: object) -> None:
    """PyYAML 6.0.3 as observed: a text without the sign of the exponent, a number with it."""
    assert yaml.safe_load(word) == pyyaml
    assert isinstance(bare_word(word), Trap)


@pytest.mark.parametrize(
    ("word", "pyyaml"),
    [
        ("1:30", 90),
        ("12:30:45", 45045),
        ("017", 15),
        ("010", 8),
        ("0x1F", 31),
        ("0b101", 5),
        ("1_000", 1000),
        ("1_0.5", 10.5),
        (".inf", float("inf")),
        ("-.inf", float("-inf")),
    ],
)
def test_texts_that_pyyaml_turns_into_numbers_are_refused(word: str, pyyaml: object) -> None:
    """PyYAML 6.0.3 as observed: base 60, octal, hexadecimal, binary, underscores, infinities."""
    assert yaml.safe_load(word) == pyyaml
    assert isinstance(bare_word(word), Trap)


@pytest.mark.parametrize(
    "word", ["08", "0o10", "+.5", "-.5", "1,5", ".nan", ".NaN", "nan", "inf", "007.5", "=", "<<", "2024-01-01"]
)
def test_other_words_that_are_no_clear_text_and_no_clear_number_are_refused(word: str) -> None:
    """PyYAML 6.0.3 as observed: `08`, `0o10`, `+.5`, `-.5`, `1,5` → text; a date → date object; `=` → an error."""
    assert isinstance(bare_word(word), Trap)


@pytest.mark.parametrize(
    ("word", "value"),
    [("0", 0), ("-0", 0), ("12", 12), ("+5", 5), ("-3", -3), ("0.15", 0.15), (".5", 0.5), ("-0.5", -0.5), ("5.", 5.0)],
)
def test_plain_decimals_are_numbers_here_and_to_pyyaml(word: str, value: float) -> None:
    assert bare_word(word) == value
    assert type(bare_word(word)) is type(value)
    assert yaml.safe_load(word) == value


@pytest.mark.parametrize("word", ["", "~", "null", "Null", "NULL"])
def test_an_empty_value_is_none_and_not_a_text(word: str) -> None:
    assert bare_word(word) is None
    assert yaml.safe_load(word) is None


@pytest.mark.parametrize(
    "word", ["PETG", "lattice in a stringy material", "1.2.3", "e3", "-", "nothing", "0.4mm", "20-x"]
)
def test_other_words_are_texts_as_they_stand(word: str) -> None:
    assert bare_word(word) == word


def test_a_number_of_absurd_length_is_refused_and_not_converted() -> None:
    assert bare_word("9" * 40) == Trap("a number of 40 characters", "at most 20 characters, or quotes around it")


def test_a_trap_says_what_to_write_in_its_place() -> None:
    assert bare_word("017") == Trap(
        "017, a number with a leading zero, octal for some YAML readers",
        '17 for 017, or quotes around it if it is a text ("017")',
    )
