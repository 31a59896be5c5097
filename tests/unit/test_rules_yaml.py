"""The strict part of YAML that rule files are read as: every trap of reliability and its full text."""

import pytest

from liftwright.rules.yaml_source import BROKEN, MAX_BYTES, MAX_FAULTS, dotted, read_sheet


def faults(data: bytes) -> list[str]:
    return [str(problem) for problem in read_sheet("r.yaml", data).problems]


def test_plain_content_becomes_values_with_the_line_of_each() -> None:
    sheet = read_sheet("r.yaml", b"# head\nrules:\n  - name: 'a b'\n    when: {x: [1, 2.5]}\n    on top: true\n")
    assert sheet.problems == ()
    assert sheet.value == {"rules": ({"name": "a b", "when": {"x": (1, 2.5)}, "on top": True},)}
    assert sheet.where(("rules", 0, "when", "x", 1)) == "r.yaml:4"
    assert sheet.where(("rules", 0, "on top")) == "r.yaml:5"
    assert sheet.where(("rules", 0, "missing", "deeper")) == "r.yaml:3"


@pytest.mark.parametrize(
    ("data", "wanted"),
    [
        (b"", "r.yaml:1: found an empty file; wanted keys and values; take a file away that is no longer meant"),
        (
            b"# nothing\n",
            "r.yaml:2: found an empty file; wanted keys and values; take a file away that is no longer meant",
        ),
        (b"\ta: 1\n", "r.yaml:1: found a tab before the text; wanted spaces"),
        (b"a:\n  b: 1\n\tc: 2\n", "r.yaml:3: found a tab before the text; wanted spaces"),
        (b"a: 1\n---\nb: 2\n", "r.yaml:2: found a second document (---); wanted one document in a file"),
        (b"a: 1\n\nb: x\x00\n", "r.yaml:3: found the invisible character U+0000; wanted plain text"),
        (b"a: caf\xe9\n", "r.yaml:1: found the byte 0xE9, which isn't UTF-8; wanted UTF-8 text"),
        (b"\xff\xfea\x00", "r.yaml:1: found the byte 0xFF, which isn't UTF-8; wanted UTF-8 text"),
        (b"a: 1\nb: 2\na: 3\n", "r.yaml:3: a: found the same key as in line 1; wanted each key once"),
        (b'a: 1\n"a": 3\n', "r.yaml:2: a: found the same key as in line 1; wanted each key once"),
        (b"a:\n", "r.yaml:1: a: found nothing; wanted a value, or leave the key out"),
        (b"- {b: ~}\n", "r.yaml:1: [1].b: found nothing; wanted a value, or leave the key out"),
        (
            b"a: no\n",
            "r.yaml:1: a: found no, a word that some YAML readers take for true or false; "
            'wanted true or false, or quotes around it if it is a text ("no")',
        ),
        (
            b"on: 1\n",
            "r.yaml:1: found the key on, a word that some YAML readers take for true or false; "
            "wanted a plain word as a key",
        ),
        (b"1: x\n", "r.yaml:1: found the key 1; wanted a plain word as a key"),
        (b"? [a]\n: 1\n", "r.yaml:1: found a list or mapping as a key; wanted a word"),
        (b"a: {<<: {b: 1}}\n", "r.yaml:1: a: found <<, a YAML merge key; wanted the keys themselves"),
        (
            b"a: &x [1]\n",
            "r.yaml:1: a: found &x, a YAML anchor; wanted the values themselves where they belong",
        ),
        (
            b"a: *lattice\n",
            "r.yaml:1: a: found *lattice, a YAML alias; "
            'wanted the values themselves, or quotes around a glob ("*lattice")',
        ),
        (
            b"a: !!python/object/apply:os.system [x]\n",
            "r.yaml:1: a: found the YAML tag tag:yaml.org,2002:python/object/apply:os.system; "
            "wanted a plain value without a tag",
        ),
        (b"a: !!str 3\n", "r.yaml:1: a: found the YAML tag tag:yaml.org,2002:str; wanted a plain value without a tag"),
        (
            b"%YAML 1.2\n---\na: 1\n",
            "r.yaml:1: found a YAML directive (%); wanted none: plain YAML needs no directive",
        ),
        (
            b"a: |\n  two\n  lines\n",
            "r.yaml:1: a: found a text with line ends or invisible characters; wanted one line of visible text",
        ),
        (
            rb'a: "right\u202eleft"' + b"\n",
            "r.yaml:1: a: found a text with line ends or invisible characters; wanted one line of visible text",
        ),
        (b"a: " + b"x" * 201, "r.yaml:1: a: found a text of 201 characters; wanted at most 200"),
        (
            b"a: " + b"9" * 40,
            "r.yaml:1: a: found a number of 40 characters; wanted at most 20 characters, or quotes around it",
        ),
    ],
)
def test_each_trap_is_one_problem_with_its_place(data: bytes, wanted: str) -> None:
    """Duplicate keys, null, merge keys, tags and `on` as a key are silent or surprising in PyYAML 6.0.3 as observed."""
    assert faults(data) == [wanted]


def test_a_bare_star_before_a_glob_is_explained() -> None:
    """`*lattice*` without quotes is a broken alias to YAML, and what an operator types first."""
    assert faults(b"model: *lattice*\n") == [
        'r.yaml:1: found a bare * at the start of a value, a YAML alias; wanted quotes around a glob ("*lattice*")'
    ]


def test_a_list_that_holds_itself_is_two_faults_and_no_endless_value() -> None:
    """PyYAML's safe loader makes a self-referencing list of it."""
    sheet = read_sheet("r.yaml", b"a: &a [*a]\nb: 2\n")
    assert len(sheet.problems) == 2
    assert sheet.value == {"a": BROKEN, "b": 2}


def test_an_alias_bomb_never_unfolds() -> None:
    """Nine levels of nine aliases, 323 bytes: two milliseconds to load, without end to walk (yaml/pyyaml issue 235)."""
    levels = [b"a: &a [x,x,x,x,x,x,x,x,x]"]
    for previous, name in zip(b"abcdefgh", b"bcdefghi", strict=True):
        levels.append(b"%c: &%c [%s]" % (name, name, b",".join([b"*%c" % previous] * 9)))
    sheet = read_sheet("r.yaml", b"\n".join(levels))
    assert "found &a, a YAML anchor" in str(sheet.problems[0])
    assert len(sheet.problems) == MAX_FAULTS + 1


@pytest.mark.parametrize("data", [b"[" * 5000, b"{a: " * 5000, b"- " * 5000, b"? " * 5000, b"[" * 30 + b"]" * 30])
def test_nesting_of_any_depth_is_a_problem_and_no_crash(data: bytes) -> None:
    """5,000 brackets raise RecursionError in PyYAML's safe loader, which is no YAML error."""
    assert len(faults(data)) == 1


def test_nesting_just_beyond_the_limit_is_named_as_such() -> None:
    assert faults(b"a: " + b"[" * 13 + b"]" * 13) == [
        "r.yaml:1: a" + "[1]" * 12 + ": found more than 12 levels of nesting; wanted the flat layout of rule files"
    ]
    assert faults(b"a: " + b"[" * 12 + b"]" * 12) == []


def test_a_file_beyond_the_size_limit_is_not_parsed() -> None:
    assert faults(b"#" * (MAX_BYTES + 1)) == [
        f"r.yaml:1: found a file of {MAX_BYTES + 1} bytes; wanted at most {MAX_BYTES} bytes"
    ]


def test_syntax_errors_give_the_line_where_reading_stopped() -> None:
    (text,) = faults(b"a: 1\nb: [1, 2\nc: 3\n")
    assert text.startswith("r.yaml:3: found broken YAML: ")


def test_all_faults_of_a_file_are_told_and_good_values_stay() -> None:
    sheet = read_sheet("r.yaml", b"a: no\nb: 1e3\nc: 2\nd: 017\n")
    assert [problem.where for problem in sheet.problems] == ["r.yaml:1", "r.yaml:2", "r.yaml:4"]
    assert sheet.value == {"a": BROKEN, "b": BROKEN, "c": 2, "d": BROKEN}


def test_the_number_of_faults_of_one_file_is_bounded() -> None:
    problems = read_sheet("r.yaml", b"- no\n" * 500).problems
    assert len(problems) == MAX_FAULTS + 1
    assert str(problems[-1]) == "r.yaml:51: found more than 50 faults up to here; wanted no more of them"


def test_a_byte_order_mark_and_windows_line_ends_are_fine() -> None:
    sheet = read_sheet("r.yaml", b"\xef\xbb\xbfa: 1\r\nb: x\r\n")
    assert sheet.problems == ()
    assert sheet.value == {"a": 1, "b": "x"}


def test_y_is_an_axis_when_it_is_a_key() -> None:
    """PyYAML 6.0.3 as observed keeps `y` a text, YAML 1.1 reads it as true: as a key it is an axis and nothing else."""
    assert read_sheet("r.yaml", b"bed_mm: {x: [0, 1], y: [0, 1]}").value == {"bed_mm": {"x": (0, 1), "y": (0, 1)}}


def test_paths_name_entries_by_their_name_where_they_have_one() -> None:
    value = {"rules": ({"name": "pots"}, {"name": 3}, "x")}
    assert dotted(("rules", 0, "lift", "shape"), value) == "rules[pots].lift.shape"
    assert dotted(("rules", 1, "lift"), value) == "rules[2].lift"
    assert dotted(("rules", 2), value) == "rules[3]"
    assert dotted(("bed_mm", "x", 1)) == "bed_mm.x[2]"
