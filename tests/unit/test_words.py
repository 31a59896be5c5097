"""Numbers, names and comment keys of one line, byte by byte."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.job.commands import name_hash
from liftwright.job.facts import comment_key_hashes
from liftwright.job.words import command_name, comment_key, line_end, read_number


def of(text: bytes) -> np.ndarray:
    """The bytes with a line end behind them, as the reader gives them."""
    return np.frombuffer(text + b"\n" + bytes(80), np.uint8)


@pytest.mark.parametrize(
    ("text", "value", "decimals", "end"),
    [
        (b"10", 10.0, 0, 2),
        (b"1.50", 1.5, 2, 4),
        (b".5", 0.5, 1, 2),
        (b"5.", 5.0, 0, 2),
        (b"-.0525", -0.0525, 4, 6),
        (b"+8", 8.0, 0, 2),
        (b"-0", 0.0, 0, 2),
        (b"007", 7.0, 0, 3),
        (b"1.2.3", 1.2, 1, 3),
        (b"1-2", 1.0, 0, 1),
    ],
)
def test_a_number_is_a_sign_digits_and_one_point(text, value, decimals, end):
    """NISTIR 6556 §3.3.2.1: optional sign, digits with at most one point, at least one digit."""
    assert read_number(of(text), 0) == (value, decimals, end)


@pytest.mark.parametrize("text", [b"", b"-", b"+", b".", b"-.", b"X1", b"{speed}", b";5", b"--1", b" 1"])
def test_where_no_number_stands_the_index_is_minus_one(text):
    assert read_number(of(text), 0)[2] == -1


@pytest.mark.parametrize("text", [b"1e-5", b"1E3"])
def test_a_number_has_no_exponent(text):
    """NISTIR 6556 §3.3.2.1 knows no exponent, and firmware reads `E1e-5` as the words E1 and E-5."""
    assert read_number(of(text), 0) == (1.0, 0, 1)


def test_a_whole_part_of_more_than_eighteen_digits_is_refused():
    assert read_number(of(b"1" * 19), 0)[2] == -2
    assert read_number(of(b"-" + b"9" * 40), 0)[2] == -2
    assert read_number(of(b"1" * 18), 0) == (float("1" * 18), 0, 18)


def test_leading_zeros_are_no_digits_of_the_eighteen():
    assert read_number(of(b"0" * 30 + b"12.5"), 0) == (12.5, 1, 34)


def test_digits_behind_the_eighteenth_are_dropped_but_passed_over():
    """The value stays within one unit of the eighteenth digit, and reading goes on behind the last."""
    value, decimals, end = read_number(of(b"-1." + b"3" * 60), 0)
    assert value == pytest.approx(-4 / 3, abs=1e-15)
    assert (decimals, end) == (17, 63)


@given(st.decimals(-99999, 99999, places=9).map(lambda d: f"{d:f}"))
def test_a_number_of_up_to_fifteen_digits_is_the_nearest_double(text):
    """Python's own correctly rounded conversion is the reference (IEEE 754)."""
    assert read_number(of(text.encode()), 0)[0] == float(text)


@given(st.text("0123456789.+-", max_size=40))
def test_reading_a_number_never_runs_past_its_characters(text):
    """Whatever stands there, the index behind is within the text, and only digits, sign and point were passed."""
    value, decimals, end = read_number(of(text.encode()), 0)
    assert end <= len(text)
    if end > 0:
        passed = text[:end].lstrip("+-")
        assert passed.replace(".", "", 1).isdigit()
        assert decimals <= len(passed.partition(".")[2])
        assert np.isfinite(value)


@pytest.mark.parametrize("text", [b"SET_LIGHT", b"set_light RED=1", b"Set_Light=5", b"SET_LIGHT;x", b"SET_LIGHT(x)"])
def test_a_name_is_compared_without_case_up_to_what_ends_it(text):
    """A blank, a comment, an equals sign or the line's end."""
    h, end = command_name(of(text), 0)
    assert (h, end) == (name_hash("SET_LIGHT"), 9)


@pytest.mark.parametrize(
    ("text", "plain"), [(b"m0622.1", "M622.1"), (b"G00053", "G53"), (b"M100", "M100"), (b"T0", "T0")]
)
def test_a_letter_with_a_number_is_named_without_leading_zeros(text, plain):
    assert command_name(of(text), 0)[0] == name_hash(plain)


def test_zeros_inside_a_word_of_letters_are_kept():
    assert command_name(of(b"LAMP_007"), 0)[0] != name_hash("LAMP_7")
    assert command_name(of(b"T_007"), 0)[0] == name_hash("T_007")


@pytest.mark.parametrize(
    "text", [b"filament type = PETG", b"Filament_Type: PETG", b"filament-type=PETG", b"FILAMENTTYPE =  PETG"]
)
def test_comment_keys_are_compared_without_case_blanks_and_dashes(text):
    h, key_end, value = comment_key(of(text), 0)
    (wanted,) = comment_key_hashes({"filament type": "material"})
    assert np.uint64(h) == np.uint64(wanted)
    assert text[:key_end].strip().lower().startswith(b"filament")
    assert text[value:].strip() == b"PETG"


@pytest.mark.parametrize("text", [b"", b"= 5", b"layer 12", b"k" * 61 + b" = 5", b"caf\xc3\xa9 = 5", b"a, b = 5"])
def test_other_comments_have_no_key(text):
    """No separator, nothing before it, none within sixty bytes, or signs that no key holds."""
    assert comment_key(of(text), 0)[1:] == (-1, -1)


def test_either_sign_ends_a_line():
    assert line_end(of(b"G1 X5\rG1"), 0) == 5
    assert line_end(of(b"G1 X5"), 0) == 5
