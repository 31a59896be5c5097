"""Files of rules → one rule set, or every problem at once."""

import pickle

import pytest

from liftwright.errors import RulesError
from liftwright.rules.load import MAX_TOTAL_BYTES, load_rules
from liftwright.rules.schema import RectBed, RoundBed, RuleSet

PRINTERS = b"""\
printers:
  - name: bench
    also: "bench *"
    bed_mm: {x: [0, 220], y: [0, 220]}
    z_max_mm: 250
    z_speed_mm_s: 5
    z_accel_mm_s2: 100
    travel_accel_mm_s2: 3000
"""
MATERIALS = b"materials:\n  - name: PETG\n  - {name: TPU, curl: {cap_mm: 0.3}}\n"
RULES = b"""\
rules:
  - name: pots
    when: {material: [PETG, TPU], model: "*lattice*", layers: {min: 20}, bench_side: "left"}
    lift: {shape: terrain, clearance_mm: 0.2}
  - name: rest
    when: {}
    leave: true
when_unmatched: unchanged
when_refused: held
"""
GOOD = {"1.yaml": PRINTERS, "2.yaml": MATERIALS, "3.yaml": RULES}


def problems(**files: bytes) -> list[str]:
    """The problems of the good set with some files replaced or added; `_` in a name stands for the dot."""
    changed = {name.lstrip("f").replace("_", "."): data for name, data in files.items()}
    with pytest.raises(RulesError) as caught:
        load_rules({**GOOD, **changed})
    return str(caught.value).splitlines()


def rule(text: str) -> list[str]:
    """The problems of a set whose last rule file has one more rule, in line 10."""
    return problems(f3_yaml=RULES, f9_yaml=b"\n" * 9 + b"rules: [{" + text.encode() + b"}]\n")


def printer(text: str) -> list[str]:
    """The problems of a set with one more printer, in line 10."""
    head = b"printers: [{name: more, bed_mm: {radius: 100}, z_max_mm: 9, z_speed_mm_s: 1, z_accel_mm_s2: 1, "
    return problems(f9_yaml=b"\n" * 9 + head + b"travel_accel_mm_s2: 1, " + text.encode() + b"}]\n")


def test_files_become_one_frozen_set_in_name_order() -> None:
    rules = load_rules(dict(reversed(GOOD.items())))
    assert rules.sources == ("1.yaml", "2.yaml", "3.yaml")
    assert [entry.name for entry in rules.rules] == ["pots", "rest"]
    assert rules.places == {"pots": "3.yaml:2", "rest": "3.yaml:5"}
    assert (rules.when_unmatched, rules.when_refused) == ("unchanged", "held")
    assert isinstance(rules.printers[0].bed_mm, RectBed)
    assert rules.printers[0].bed_mm.x == (0.0, 220.0)
    assert rules.printers[0].also == ("bench *",)
    assert rules.materials[1].curl.cap_mm == 0.3
    assert rules.rules[0].lift is not None
    assert rules.rules[0].lift.clearance_mm == 0.2
    with pytest.raises(ValueError, match="frozen"):
        rules.rules[0].lift.clearance_mm = 0.0  # type: ignore[misc]


def test_defaults_are_those_of_the_documentation() -> None:
    rules = load_rules(GOOD)
    one, lift = rules.printers[0], rules.rules[0].lift
    assert (one.nozzle_mm, one.nozzle_flat_mm, one.filament_mm, one.neutral) == (0.4, 1.0, 1.75, ())
    assert (one.g90_sets_extrusion, one.head, one.motion) == (None, None, None)
    assert rules.materials[0].curl.model_dump() == {"onset": 0.4, "gain": 0.5, "cap_mm": 0.5, "decay": 0.5}
    assert lift is not None
    assert (lift.min_travel_mm, lift.max_height_mm, lift.own_lift_max_mm, lift.max_slope) == (None, 1.0, 2.0, 0.5)
    assert (lift.first_layer, lift.own_lifts, lift.blocked, lift.annotate) == (True, "replace", "leave", True)


def test_every_form_of_bed_and_motion_is_read() -> None:
    more = b"""\
printers:
  - name: round
    bed_mm: {radius: 120}
    z_max_mm: 300
    z_speed_mm_s: 50
    z_accel_mm_s2: 500
    travel_accel_mm_s2: 3000
    head: {radius_mm: 40, clear_mm: 8}
    motion: {cornering: {by: axis_jerk, mm_s: {x: 10, y: 10, z: 0.3, e: 5}}, max_speed_mm_s: {x: 300}}
"""
    rules = load_rules({**GOOD, "4.yaml": more})
    assert rules.printers[1].bed_mm == RoundBed(radius=120)
    assert rules.printers[1].motion is not None
    assert rules.printers[1].motion.cornering is not None
    assert rules.printers[1].motion.cornering.by == "axis_jerk"


def test_the_digest_is_of_the_content_alone() -> None:
    """Comments, layout, key order, the division into files and a default written out change nothing; a number does."""
    digest = load_rules(GOOD).digest
    assert len(digest) == 64
    assert load_rules({"all.yaml": b"# one file\n" + PRINTERS + MATERIALS + RULES}).digest == digest
    reordered = RULES.replace(
        b"shape: terrain, clearance_mm: 0.2", b"clearance_mm:   0.20, shape: 'terrain', caution: 0.5"
    )
    assert load_rules({**GOOD, "3.yaml": reordered}).digest == digest
    assert load_rules({**GOOD, "3.yaml": RULES.replace(b"0.2", b"0.3")}).digest != digest


def test_the_order_of_rules_is_content() -> None:
    first, second = b"  - {name: a, when: {}, leave: true}\n", b"  - {name: b, when: {}, leave: true}\n"
    digests = {load_rules({**GOOD, "4.yaml": b"rules:\n" + both}).digest for both in (first + second, second + first)}
    assert len(digests) == 2


def test_every_problem_of_every_file_is_told_at_once() -> None:
    text = b"""\
rules:
  - name: pots
    when: {materail: PETG, material: PTEG}
    lift: {shape: terain, heigth_mm: 0.3, height_mm: "0.4", first_layer: no, layers: [3, 2]}
  - name: both
    when: {}
    lift: {shape: flat}
    leave: true
when_refused: maybe
"""
    assert problems(f1_yaml=PRINTERS.replace(b"250", b"-250"), f3_yaml=text) == [
        "1.yaml:5: printers[bench].z_max_mm: found -250; wanted a number above 0, at most 10000",
        "3.yaml:3: rules[pots].when.materail: found a key that is nearly a known one; wanted material",
        '3.yaml:3: rules[pots].when.material: found "PTEG"; wanted the name of an entry of materials, perhaps "PETG"',
        "3.yaml:4: rules[pots].lift.first_layer: found no, a word that some YAML readers take for true or false; "
        'wanted true or false, or quotes around it if it is a text ("no")',
        '3.yaml:4: rules[pots].lift.shape: found the text "terain"; '
        "wanted one of flat, square, triangle, sawtooth, trapezoid, terrain; perhaps terrain",
        '3.yaml:4: rules[pots].lift.height_mm: found the text "0.4"; '
        "wanted a number above 0, at most 10, without quotes",
        "3.yaml:4: rules[pots].lift.layers: found [3, 2]; wanted two layer numbers, the second not below the first",
        "3.yaml:4: rules[pots].lift.heigth_mm: found an unknown key; wanted height_mm",
        "3.yaml:5: rules[both]: found both lift and leave; wanted exactly one: lift: {shape: ...} or leave: true",
        '3.yaml:9: when_refused: found the text "maybe"; wanted one of unchanged, held',
        "rules folder: when_unmatched: found nothing in any file; "
        "wanted unchanged or held: it has no default, you choose",
    ]


def test_a_name_used_twice_shows_both_places_and_case_does_not_matter() -> None:
    assert problems(
        f4_yaml=b"materials:\n  - name: petg\n", f5_yaml=b"rules:\n- {name: Rest, when: {}, leave: true}\n"
    ) == [
        '4.yaml:2: materials[petg].name: found "petg" again, after 2.yaml:2; wanted each name once',
        '5.yaml:2: rules[Rest].name: found "Rest" again, after 3.yaml:5; wanted each name once',
    ]
    (text,) = problems(f4_yaml=PRINTERS)
    assert text == '4.yaml:2: printers[bench].name: found "bench" again, after 1.yaml:2; wanted each name once'


def test_the_choices_of_the_operator_have_no_default_and_stand_once() -> None:
    assert problems(f4_yaml=b"when_refused: held\n") == [
        "4.yaml:1: when_refused: found it again, after 3.yaml:9; wanted it in one file alone"
    ]
    (text,) = problems(f3_yaml=RULES.replace(b"when_refused: held\n", b""))
    assert text == (
        "rules folder: when_refused: found nothing in any file; wanted unchanged or held: it has no default, you choose"
    )


def test_an_emptied_file_is_a_problem_because_it_was_hardly_meant() -> None:
    """A file caught half-written is often empty; silently dropping its entries would change what the rules do."""
    (text,) = problems(f2_yaml=b"")
    assert text == "2.yaml:1: found an empty file; wanted keys and values; take a file away that is no longer meant"


def test_a_file_cut_off_between_entries_is_noticed_where_rules_name_what_is_gone() -> None:
    (text,) = problems(f2_yaml=MATERIALS[: MATERIALS.index(b"  - {name: TPU")])
    assert text == '3.yaml:3: rules[pots].when.material[2]: found "TPU"; wanted the name of an entry of materials'


def test_an_unreadable_file_does_not_make_other_files_look_wrong() -> None:
    """What it might hold isn't reported as missing."""
    (text,) = problems(f2_yaml=b"materials: [\n")
    assert text.startswith("2.yaml:2: found broken YAML: ")


def test_a_set_without_printers_or_rules_is_refused() -> None:
    with pytest.raises(RulesError) as caught:
        load_rules({"a.yaml": b"when_unmatched: held\nwhen_refused: held\n"})
    assert str(caught.value).splitlines() == [
        "rules folder: printers: found no entry in any file; wanted at least one; without it no job can be rewritten",
        "rules folder: rules: found no entry in any file; wanted at least one; without it no job can be rewritten",
    ]


def test_no_files_at_all_are_refused() -> None:
    with pytest.raises(RulesError, match="when_unmatched"):
        load_rules({})


def test_too_much_is_refused_before_it_is_read() -> None:
    with pytest.raises(RulesError) as caught:
        load_rules({str(number): b"#" * 250_000 for number in range(5)})
    assert str(caught.value) == (
        f"rules folder: found 5 files of 1250000 bytes together; wanted at most 100 files and {MAX_TOTAL_BYTES} bytes"
    )
    many = b"materials: [" + b",".join(b"{name: m%d}" % number for number in range(199)) + b"]\n"
    assert problems(f4_yaml=many) == ["rules folder: materials: found 201 entries in all files; wanted at most 200"]


# What is written, and beneath it the problem that it makes.
RULES_AND_PROBLEMS = r"""
name: x, when: {}
  rules[x]: found neither lift nor leave; wanted exactly one: lift: {shape: ...} or leave: true

name: x, leave: true
  rules[x].when: found no such key; wanted a mapping

when: {}, leave: true
  rules[1].name: found no such key; wanted a text

name: '', when: {}, leave: true
  rules[].name: found the text ""; wanted a text, 1 to 80 characters, no blanks around it

name: ' x', when: {}, leave: true
  rules[ x].name: found the text " x"; wanted a text, 1 to 80 characters, no blanks around it

name: 12, when: {}, leave: true
  rules[1].name: found 12; wanted a text ("12" in quotes is one)

name: x, when: {}, leave: false
  rules[x].leave: found false; wanted true

name: x, when: [], leave: true
  rules[x].when: found an empty list; wanted a mapping

name: x, when: {}, lift: terrain
  rules[x].lift: found the text "terrain"; wanted a mapping

name: x, when: {}, lift: {}
  rules[x].lift.shape: found no such key; wanted one of flat, square, triangle, sawtooth, trapezoid, terrain

name: x, when: {}, leave: true, lfit: 1
  rules[x].lfit: found an unknown key; wanted lift

name: x, when: {}, leave: true, colour: 1
  rules[x].colour: found an unknown key; wanted one of name, when, lift, leave, picture, trial
"""

WHEN_AND_PROBLEMS = r"""
Bench: a
  Bench: found the tag "Bench"; wanted lower-case letters, digits and '_', a letter first, at most 40

machine: a
  machine: found a key that is nearly a known one; wanted printer

batch: 3
  batch: found 3; wanted a text or list of texts or mapping {min: ..., max: ...} ("3" in quotes is one)

model: []
  model: found an empty list; wanted a text or list of texts, not empty

model: {min: 1}
  model: found a mapping; wanted a text or list of texts

layers: tall
  layers: found the text "tall"; wanted a mapping {min: ..., max: ...}

layers: {}
  layers: found neither min nor max; wanted at least one of them

layers: {min: 3, max: 2}
  layers.max: found 2, below min 3; wanted min at most max

layers: {mn: 3}
  layers.mn: found an unknown key; wanted min

printer: bank
  printer: found "bank"; wanted the name of an entry of printers

printer: bnch
  printer: found "bnch"; wanted the name of an entry of printers, perhaps "bench"
"""

LIFT_AND_PROBLEMS = r"""
shape: square, height_mm: 0
  height_mm: found 0; wanted a number above 0, at most 10

shape: square, height_mm: true
  height_mm: found true; wanted a number above 0, at most 10

shape: square, height_mm: [1]
  height_mm: found a list of 1; wanted a number above 0, at most 10

shape: square, caution: 1.5
  caution: found 1.5; wanted a number from 0 to 1

shape: square, layers: [1]
  layers[2]: found no such key; wanted a whole number from 1 to 1000000

shape: square, layers: [0, 2]
  layers[1]: found 0; wanted a whole number from 1 to 1000000

shape: square, layers: [1.5, 2]
  layers[1]: found 1.5; wanted a whole number from 1 to 1000000

shape: square, between_mm: [2, 2]
  between_mm: found [2, 2]; wanted two numbers, the second above the first

shape: terrain, clearance_mm: 1
  clearance_mm: found 1, not below max_height_mm 1; wanted less than max_height_mm, or every travel would be
  blocked

shape: terrain, otherwise: [square]
  otherwise: found no budget beside it; wanted max_added_s, max_added_percent or max_z_reversals

shape: terrain, max_added_s: 9, otherwise: [terrain]
  otherwise: found terrain twice, counting shape itself; wanted each shape once
"""

PRINTER_AND_PROBLEMS = r"""
nozzle_mm: 1.2
  nozzle_flat_mm: found 1, below nozzle_mm 1.2; wanted the flat's measured diameter, which is never smaller
  than the hole's

neutral: "*"
  neutral: found "*", which takes in G0, G1, G2, G3; wanted globs of commands that neither move the machine
  nor change its modes

neutral: ["LIGHTS_*", "M60?"]
  neutral: found "M60?", which takes in M600, M601, M602; wanted globs of commands that neither move the
  machine nor change its modes

neutral: [pause]
  neutral: found "pause", which takes in PAUSE; wanted globs of commands that neither move the machine nor
  change its modes

head: {radius_mm: 30}
  head.clear_mm: found no such key; wanted a number above 0, at most 500

g90_sets_extrusion: 1
  g90_sets_extrusion: found 1; wanted true or false

motion: {cornering: {by: feeling}}
  motion.cornering.by: found the text "feeling"; wanted one of square_corner, junction_deviation, axis_jerk

motion: {cornering: {speed_mm_s: 5}}
  motion.cornering.by: found no such key; wanted one of square_corner, junction_deviation, axis_jerk

motion: {cornering: {by: axis_jerk, mm_s: {x: 1, y: 1, z: 1}}}
  motion.cornering.mm_s.e: found no such key; wanted a number above 0, at most 1000000

motion: {max_speed_mm_s: {z: 5}}
  motion.max_speed_mm_s.z: found an unknown key; wanted one of x, y, e
"""

BED_AND_PROBLEMS = r"""
{radius: 1, x: [0, 1]}
  bed_mm.x: found a key of another form; wanted one form alone: a mapping {x: ..., y: ...} or mapping {radius:
  ...}

{x: [0, 1]}
  bed_mm.y: found no such key; wanted a list of two numbers from -5000 to 5000

{x: [1, 0], y: [0, 1]}
  bed_mm.x: found [1, 0]; wanted two numbers, the second above the first

{x: [0, 1, 2], y: [0, 1]}
  bed_mm.x: found a list of 3; wanted a list of two numbers from -5000 to 5000, at most 2 entries

220
  bed_mm: found 220; wanted a mapping {x: ..., y: ...} or mapping {radius: ...}
"""


def cases(text: str) -> list[tuple[str, str]]:
    pairs = (case.strip().split("\n", 1) for case in text.split("\n\n"))
    return [(written, " ".join(line.strip() for line in problem.splitlines())) for written, problem in pairs]


@pytest.mark.parametrize(("text", "wanted"), cases(RULES_AND_PROBLEMS))
def test_a_wrong_rule_is_told_with_what_was_found_and_wanted(text: str, wanted: str) -> None:
    assert rule(text) == [f"9.yaml:10: {wanted}"]


@pytest.mark.parametrize(("text", "wanted"), cases(WHEN_AND_PROBLEMS))
def test_a_wrong_condition_is_told_with_what_was_found_and_wanted(text: str, wanted: str) -> None:
    assert rule(f"name: x, leave: true, when: {{{text}}}") == [f"9.yaml:10: rules[x].when.{wanted}"]


@pytest.mark.parametrize(("text", "wanted"), cases(LIFT_AND_PROBLEMS))
def test_a_wrong_lift_is_told_with_what_was_found_and_wanted(text: str, wanted: str) -> None:
    assert rule(f"name: x, when: {{}}, lift: {{{text}}}") == [f"9.yaml:10: rules[x].lift.{wanted}"]


@pytest.mark.parametrize(("text", "wanted"), cases(PRINTER_AND_PROBLEMS))
def test_a_wrong_printer_is_told_with_what_was_found_and_wanted(text: str, wanted: str) -> None:
    assert printer(text) == [f"9.yaml:10: printers[more].{wanted}"]


@pytest.mark.parametrize(("text", "wanted"), cases(BED_AND_PROBLEMS))
def test_a_wrong_bed_is_told_with_what_was_found_and_wanted(text: str, wanted: str) -> None:
    changed = PRINTERS.replace(b"{x: [0, 220], y: [0, 220]}", text.encode())
    assert problems(f1_yaml=changed) == [f"1.yaml:4: printers[bench].{wanted}"]


def test_problems_beyond_the_limit_of_one_file_are_counted_and_not_told() -> None:
    lines = problems(f4_yaml=b"rules: [" + b"{}," * 100 + b"]\n")
    assert "4.yaml:1: found 150 more faults in this file; wanted none" in lines
    assert len(lines) == 51


def test_a_rule_set_can_travel_to_another_process() -> None:
    """Worker processes get it pickled."""
    rules = load_rules(GOOD)
    copy = pickle.loads(pickle.dumps(rules))
    assert isinstance(copy, RuleSet)
    assert copy == rules
