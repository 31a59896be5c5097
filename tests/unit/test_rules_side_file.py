"""Side files: a flat mapping of tags, as strict as the rules."""

import pytest

from liftwright.errors import UnreadableJob
from liftwright.job.facts import Fact
from liftwright.rules.side_file import side_facts


def refusal(data: bytes, may_set_printer: bool = False) -> list[str]:
    with pytest.raises(UnreadableJob) as caught:
        side_facts(data, "pot.tags.yaml", may_set_printer)
    assert caught.value.code == "side-file"
    return str(caught.value).splitlines()


def test_tags_become_facts_with_their_lines() -> None:
    data = b"# for bench 7\nMaterial: PETG\nNozzle Diameter: 0.6\nbatch: 12\nbench-side: ' left  one '\n"
    assert side_facts(data, "pot.tags.yaml") == [
        Fact("material", "PETG", "side file, line 2"),
        Fact("nozzle_diameter", 0.6, "side file, line 3"),
        Fact("batch", 12.0, "side file, line 4"),
        Fact("bench_side", "left one", "side file, line 5"),
    ]


def test_the_printer_may_be_set_only_where_the_installation_says_so() -> None:
    assert refusal(b"machine: bench\n") == [
        'pot.tags.yaml:1: machine: found the text "bench"; '
        "wanted no printer here: the settings don't let side files set it"
    ]
    assert side_facts(b"machine: bench\n", "s", may_set_printer=True) == [Fact("printer", "bench", "side file, line 1")]


def test_every_wrong_tag_is_told_at_once() -> None:
    data = b"""\
material: [PLA, PETG]
model: 12
layer_height: "0.2"
nozzle_diameter: -1
slenderness: 9
rush: true
part: pot
'!': x
flag: no
note: ''
"""
    assert refusal(data) == [
        "pot.tags.yaml:9: flag: found no, a word that some YAML readers take for true or false; "
        'wanted true or false, or quotes around it if it is a text ("no")',
        "pot.tags.yaml:1: material: found a list of 2; wanted a text or a number",
        "pot.tags.yaml:2: model: found 12; wanted a text; quotes make one of a number",
        'pot.tags.yaml:3: layer_height: found the text "0.2"; wanted a number above 0',
        "pot.tags.yaml:4: nozzle_diameter: found -1; wanted a number above 0",
        "pot.tags.yaml:5: slenderness: found slenderness, which is measured from the job itself; wanted no such tag",
        "pot.tags.yaml:6: rush: found true; wanted a text or a number",
        "pot.tags.yaml:8: !: found a key that can't be a tag; "
        "wanted letters, digits and '_', a letter first, at most 40",
        'pot.tags.yaml:10: note: found the text ""; wanted a text of 1 to 200 characters',
    ]


def test_one_tag_by_two_names_is_refused() -> None:
    assert refusal(b"model: pot\npart: bracket\n") == ["pot.tags.yaml:2: part: found model again; wanted each tag once"]


@pytest.mark.parametrize("data", [b"", b"- material\n", b"PETG\n", b"\x00", b"a: [", b"{" * 3000])
def test_what_is_no_flat_mapping_is_refused(data: bytes) -> None:
    assert len(refusal(data)) == 1


def test_more_tags_than_anybody_writes_are_refused() -> None:
    assert refusal(b"".join(b"t%d: x\n" % number for number in range(51))) == [
        "pot.tags.yaml:1: found a mapping; wanted a flat mapping of at most 50 tags, such as material: PETG"
    ]
