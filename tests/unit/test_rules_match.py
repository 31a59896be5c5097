"""Facts → the one rule that applies, and why the others don't."""

import pytest

from liftwright.job.facts import Fact
from liftwright.rules.globs import fits
from liftwright.rules.load import load_rules
from liftwright.rules.match import match

RULES = load_rules(
    {
        "a.yaml": b"""\
printers:
  - {name: bench, also: ["bench *", "b?nk"], bed_mm: {radius: 1}, z_max_mm: 1, z_speed_mm_s: 1, z_accel_mm_s2: 1,
     travel_accel_mm_s2: 1}
  - {name: bench wide, bed_mm: {radius: 1}, z_max_mm: 1, z_speed_mm_s: 1, z_accel_mm_s2: 1, travel_accel_mm_s2: 1}
materials:
  - {name: PETG, also: ["PET-G*", "PCTG"]}
  - {name: PLA}
rules:
  - name: lattice pots
    when: {material: [PETG, PLA], model: "*lattice*"}
    lift: {shape: terrain}
  - name: tall and thin
    when: {slenderness: {min: 8}, height_mm: {min: 50, max: 300}}
    lift: {shape: square}
  - name: left bench
    when: {printer: bench, bench_side: "left"}
    leave: true
  - name: black only
    when: {material: "*black*"}
    leave: true
when_unmatched: held
when_refused: held
"""
    }
)


def facts(**values: str | float) -> dict[str, Fact]:
    return {key: Fact(key, value, "side file, line 1") for key, value in values.items()}


def test_a_job_without_a_printer_gets_no_rule() -> None:
    decision = match(RULES, facts(material="PLA", model="lattice"))
    assert (decision.rule, decision.printer, decision.tried) == (None, None, ())
    seen = "no printer is named, so its limits are unknown"
    assert decision.reason == f"{seen}: name it, for example in a comment `printer = NAME`"
    assert decision.material is not None


def test_an_unknown_printer_gets_no_rule_even_where_rules_would_fit() -> None:
    decision = match(RULES, facts(printer="strange", material="PLA", model="lattice"))
    assert (decision.rule, decision.printer) == (None, None)
    assert decision.reason == (
        'no printer entry is named or also called "strange" (side file, line 1), so its limits are unknown: add an '
        "entry, or the name to one's `also`"
    )


@pytest.mark.parametrize(
    ("written", "name"),
    [("bench", "bench"), ("BENCH", "bench"), ("Bench 7", "bench"), ("bank", "bench"), ("bench wide", "bench wide")],
)
def test_a_printer_is_found_by_its_name_before_any_glob(written: str, name: str) -> None:
    """`bench wide` fits the first entry's glob too; its own name wins."""
    printer = match(RULES, facts(printer=written)).printer
    assert printer is not None
    assert printer.name == name


def test_the_first_rule_whose_conditions_all_hold_wins() -> None:
    everything = facts(printer="bench", material="pla", model="Lattice pot", slenderness=9.0, height_mm=100.0)
    decision = match(RULES, everything)
    assert decision.rule is RULES.rules[0]
    assert decision.tried == (("lattice pots", "matched"),)
    assert decision.reason == 'rule "lattice pots"'


def test_a_material_condition_holds_for_every_name_of_the_entry() -> None:
    decision = match(RULES, facts(printer="bench", material="PET-G clear", model="lattice"))
    assert decision.rule is RULES.rules[0]
    assert decision.material is RULES.materials[0]


def test_a_material_condition_may_be_about_the_fact_as_written() -> None:
    decision = match(RULES, facts(printer="bench", material="PET-G black"))
    assert decision.rule is RULES.rules[3]


def test_every_rule_that_was_tried_says_in_words_what_failed() -> None:
    decision = match(RULES, facts(printer="bench wide", material="ABS", slenderness=9.0, height_mm=400.0))
    assert decision.rule is None
    assert decision.reason == "no rule fits the job: `liftwright explain` tells which condition of each failed"
    assert decision.tried == (
        ("lattice pots", 'material is "ABS" (side file, line 1); wanted PETG or PLA'),
        ("tall and thin", "height_mm is 400 (side file, line 1); wanted at least 50 and at most 300"),
        ("left bench", 'printer is "bench wide" (side file, line 1); wanted bench'),
        ("black only", 'material is "ABS" (side file, line 1); wanted *black*'),
    )


def test_a_fact_that_is_not_known_never_holds() -> None:
    decision = match(RULES, facts(printer="bench"))
    assert decision.tried[1] == ("tall and thin", "slenderness is not known; wanted at least 8")


@pytest.mark.parametrize(
    ("value", "held"), [(50.0, True), (300.0, True), (49.9, False), (300.1, False), (float("nan"), False)]
)
def test_bounds_are_included_and_no_nan_passes(value: float, held: bool) -> None:
    decision = match(RULES, facts(printer="bench", slenderness=8.0, height_mm=value))
    assert (decision.rule is RULES.rules[1]) is held


def test_a_tag_that_is_no_number_fails_a_range() -> None:
    rules = load_rules(
        {
            "a.yaml": b"printers: [{name: p, bed_mm: {radius: 1}, z_max_mm: 1, z_speed_mm_s: 1, z_accel_mm_s2: 1, "
            b"travel_accel_mm_s2: 1}]\nrules: [{name: r, when: {batch: {min: 3}}, leave: true}]\n"
            b"when_unmatched: held\nwhen_refused: held\n"
        }
    )
    assert match(rules, facts(printer="p", batch="seven")).tried == (
        ("r", 'batch is "seven" (side file, line 1); wanted at least 3'),
    )
    assert match(rules, facts(printer="p", batch="7")).rule is rules.rules[0]
    assert match(rules, facts(printer="p", batch=7.0)).rule is rules.rules[0]


@pytest.mark.parametrize(
    ("glob", "text", "held"),
    [
        ("*lattice*", "Small LATTICE pot", True),
        ("pot-?", "pot-7", True),
        ("pot-?", "pot-17", False),
        ("pot-[0-3]", "pot-2", True),
        ("pot-[!0-3]", "pot-2", False),
        ("pot", "pot ", False),
        ("STRASSE", "straße", True),
        ("[[]", "[", True),
        ("[z-a]", "b", False),
        ("a.c", "abc", False),
    ],
)
def test_globs_take_in_whole_texts_without_regard_to_case(glob: str, text: str, held: bool) -> None:
    assert fits(glob, text) is held


def test_a_glob_made_to_hang_a_regular_expression_ends() -> None:
    """Sixty stars over 200 equal letters: exponential for a backtracking search, which would not come back at all."""
    assert not fits("*a" * 59 + "*b", "a" * 200)
    assert not fits("*[!b]" * 24, "a" * 199 + "b" * 1)
