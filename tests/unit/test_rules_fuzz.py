"""Any bytes at all: a rule set or a list of problems, nothing else; and bare words as another reader sees them."""

from pathlib import Path

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from liftwright.errors import RulesError, UnreadableJob
from liftwright.rules.load import load_rules
from liftwright.rules.scalars import Trap, bare_word
from liftwright.rules.schema import RuleSet
from liftwright.rules.side_file import side_facts

pytestmark = pytest.mark.hostile

SHIPPED = {path.name: path.read_bytes() for path in (Path(__file__).parents[2] / "rules").glob("*.yaml")}
PIECES = [
    *("rules:", "printers:", "materials:", "- name: x", "  when: {}", "  lift: {shape: terrain}", "  leave: true"),
    *("when_unmatched: held", "when_refused: held", "  bed_mm: {x: [0, 1], y: [0, 1]}", "  bed_mm: {radius: 1}"),
    *("  z_max_mm: 1", "  curl: {gain: .inf}", "  motion: {cornering: {by: x}}", "  when: {layers: {min: 1}, a: [x]}"),
    *("&a", "*a", "<<: *a", "!!python/name:os.system", "? [1]", ": 2", "---", "...", "%TAG ! x", "\t", "no", "017"),
    *("{" * 20, "[" * 20, "}", "]", "'", '"', "|", "# comment", "\x00", "\x85", "\ufeff", "é", "~", "1:30", "- - -"),
]
soup = st.lists(st.one_of(st.sampled_from(PIECES), st.text(max_size=6)), max_size=30).map("\n".join)


def outcome(files: dict[str, bytes]) -> None:
    result = loaded(files)
    if isinstance(result, RuleSet):
        assert result.printers
        assert result.rules
        return
    assert result.problems
    for problem in result.problems:
        assert problem.where
        assert problem.found
        assert problem.wanted
        assert len(str(problem)) < 1500


def loaded(files: dict[str, bytes]) -> RuleSet | RulesError:
    try:
        return load_rules(files)
    except RulesError as error:
        return error


@settings(deadline=None, max_examples=300)
@given(st.binary(max_size=400))
@example(b"[" * 5000)
@example(b"? " * 300)
def test_any_bytes_load_or_are_refused(data: bytes) -> None:
    outcome({"a.yaml": data})
    outcome({**SHIPPED, "40-more.yaml": data})


@settings(deadline=None, max_examples=300)
@given(soup)
def test_any_soup_of_yaml_loads_or_is_refused(text: str) -> None:
    outcome({"a.yaml": text.encode("utf-8", "surrogatepass")})


@settings(deadline=None, max_examples=300)
@given(st.sampled_from(sorted(SHIPPED)), st.integers(0, 8000), st.integers(0, 12), st.one_of(st.just(""), soup))
def test_a_damaged_shipped_file_loads_or_is_refused(name: str, start: int, length: int, put: str) -> None:
    """Some bytes cut out and others put in their place, anywhere: as a hasty edit or a half-written save does."""
    data = SHIPPED[name]
    start %= len(data)
    outcome({**SHIPPED, name: data[:start] + put.encode("utf-8", "surrogatepass") + data[start + length :]})


@settings(deadline=None, max_examples=100)
@given(st.sampled_from(sorted(SHIPPED)), st.integers(0, 8000))
def test_a_file_cut_off_anywhere_loads_or_is_refused(name: str, stop: int) -> None:
    outcome({**SHIPPED, name: SHIPPED[name][:stop]})


@settings(deadline=None, max_examples=300)
@given(st.one_of(st.binary(max_size=200), soup.map(lambda text: text.encode("utf-8", "surrogatepass"))))
def test_any_side_file_gives_facts_or_is_refused(data: bytes) -> None:
    try:
        facts = side_facts(data, "x.tags.yaml")
    except UnreadableJob:
        return
    assert all(len(fact.text) <= 200 and fact.text.isprintable() for fact in facts)


@settings(deadline=None, max_examples=500)
@given(st.text("0123456789+-.eExob_:,yYnofNaT~", min_size=1, max_size=7))
@example("0._")
@example("1_.e+0")
def test_a_bare_word_means_what_it_means_to_pyyaml_or_is_refused(word: str) -> None:
    """PyYAML's safe resolver (YAML 1.1) as reference: what isn't refused is the same value to it, of the same type."""
    ours = bare_word(word)
    if isinstance(ours, Trap):
        return
    tag = yaml.SafeLoader("").resolve(yaml.ScalarNode, word, (True, False))
    node = yaml.ScalarNode(tag, word)
    theirs = yaml.SafeLoader("").construct_object(node)
    assert type(theirs) is type(ours)
    assert theirs == ours
