"""Trials: arms that differ in their travels alone, a lot that nobody chose, a sheet that gives nothing away."""

import hashlib
import io
import json
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from liftwright import command_trial
from liftwright.command import main
from liftwright.errors import ProofError, RulesError, UnsupportedJob, UsageError
from liftwright.evidence import trial_record
from liftwright.evidence.sheet import sheet
from liftwright.evidence.trial import Arms, lifts_of, make_trial
from liftwright.evidence.trial_record import Trial, drawn_order, find, load, to_bytes
from liftwright.proof import Limits, prove
from liftwright.rules.schema import Lift, RuleSet
from liftwright.stamp import is_stamped
from unit.page_jobs import GIVEN, RULES, leaning_job, rules

JOB = leaning_job()
THREE = Arms(("square", "sawtooth", "terrain"))


@dataclass
class Made:
    """A trial and the bytes of its arms by letter."""

    trial: Trial
    arms: dict[str, bytes] = field(default_factory=dict)


def made(job: bytes = JOB, arms: Arms | None = THREE, ruleset: RuleSet | None = None, name: str = "pot.gcode") -> Made:
    files: dict[str, io.BytesIO] = {}

    def open_arm(letter: str) -> io.BytesIO:
        return files.setdefault(letter, io.BytesIO())

    trial = make_trial(io.BytesIO(job), name, ruleset or rules(), GIVEN, {}, arms, open_arm, lambda *_: None).trial
    return Made(trial, {letter: file.getvalue() for letter, file in files.items()})


def test_every_arm_keeps_every_promise_and_is_the_file_that_the_record_names():
    found = made()
    for arm in found.trial.arms:
        text = found.arms[arm.letter]
        assert prove(io.BytesIO(JOB), io.BytesIO(text), Limits()).holds
        assert arm.sha256 == hashlib.sha256(text).hexdigest()
        assert arm.file == f"pot.{arm.letter}.gcode"
        assert is_stamped(io.BytesIO(text))


def test_the_arms_are_those_that_were_wanted_and_differ():
    found = made()
    assert {arm.shape for arm in found.trial.arms} == {"square", "sawtooth", "terrain"}
    assert [arm.letter for arm in found.trial.arms] == ["A", "B", "C"]
    assert len(set(found.arms.values())) == 3


def test_heights_multiply_the_shapes_that_have_one():
    lifts = lifts_of(Lift(shape="terrain"), Arms(("square", "flat", "sawtooth"), (0.4, 0.6)))
    wanted = [("square", 0.4), ("square", 0.6), ("flat", 0.6), ("sawtooth", 0.4), ("sawtooth", 0.6)]
    assert [(lift.shape, lift.height_mm) for lift in lifts] == wanted


def test_nothing_in_an_arm_tells_its_shape():
    """No comment of ours but the stamp, which is the same for all."""
    for text in made().arms.values():
        assert b";lw" not in text
        assert [line for line in text.splitlines() if b"liftwright" in line] == text.splitlines()[-1:]
        assert not re.search(rb"square|sawtooth|terrain", text)


def test_the_same_job_and_rules_give_the_same_trial_and_other_rules_another():
    assert made().trial == made().trial
    assert made().trial.trial != made(ruleset=rules(clearance_mm=0.3)).trial.trial
    assert made().trial.trial != made(JOB.replace(b"M84", b"M18")).trial.trial


def test_the_lot_favours_no_shape():
    """1,800 jobs, three arms: each shape is A 600 times but for chance; 5 standard deviations of a binomial are 100."""
    lifts = lifts_of(Lift(shape="terrain"), THREE)
    jobs = (hashlib.sha256(b"%d" % number).hexdigest() for number in range(1800))
    first = Counter(lifts[drawn_order(job, lifts)[0]].shape for job in jobs)
    assert set(first) == {"square", "sawtooth", "terrain"}
    assert all(abs(count - 600) < 100 for count in first.values())


def test_the_order_in_which_shapes_were_named_changes_nothing():
    assert made(arms=Arms(("terrain", "square", "sawtooth"))).trial == made().trial


def test_the_sheet_never_says_which_letter_is_which():
    found = made().trial
    text = sheet(found, "pot.trial.json", "pot.page.html", [(3, 0.6)])
    for line in text.splitlines():
        named = [shape for shape in ("square", "sawtooth", "terrain") if shape in line]
        assert not (named and re.search(r"\b[ABC]\b|pot\.[ABC]\.gcode|[0-9a-f]{12}", line)), line
    shapes = re.findall(r"^\| (square|sawtooth|terrain) ", text, re.MULTILINE)
    assert shapes == ["sawtooth", "square", "terrain"], "by name, which is not the order of the letters"


def test_the_sheet_has_cautions_places_to_look_at_and_a_way_to_hand_in():
    text = sheet(made().trial, "pot.trial.json", None, [(3, 0.6), (5, None)])
    for word in ("burn", "crush", "fire", "unattended", "manual", "local codes", "qualified people"):
        assert word in text
    assert "3 (Z 0.6 mm), 5" in text
    assert f"liftwright verdict {made().trial.trial} --letter A" in text


def test_a_hostile_name_can_not_end_its_code_in_the_sheet():
    found = made(name="pot`|<b>\n# x.gcode").trial
    text = sheet(found, "a`b", None, [])
    assert "\n# x" not in text
    assert "`|<b>" not in text


def test_a_record_is_read_back_as_it_was_written(tmp_path):
    (tmp_path / "deep").mkdir()
    place = tmp_path / "deep" / "pot.trial.json"
    place.write_bytes(to_bytes(made().trial))
    assert load(place) == made().trial
    assert list(find(tmp_path)) == [(place, made().trial)]


def test_an_arm_is_found_by_its_bytes():
    trial = made().trial
    assert [trial.arm(arm.sha256) for arm in trial.arms] == list(trial.arms)
    assert trial.arm("0" * 64) is None


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"trial": "T-1"}, "trial: "),
        ({"schema_version": 2}, "schema_version: "),
        ({"arms": []}, "arms: "),
        ({"more": 1}, "more: "),
    ],
)
def test_a_record_that_is_none_gets_a_sentence(tmp_path, change, said):
    place = tmp_path / "pot.trial.json"
    place.write_text(json.dumps(made().trial.model_dump(mode="json") | change))
    with pytest.raises(UsageError, match=re.escape(f"{place}: {said}")):
        load(place)


@pytest.mark.parametrize(
    ("arms", "said"),
    [
        (Arms(("square",)), "1 to compare; wanted 2 to 26"),
        (Arms(("square", "square")), "square twice"),
        (Arms(("square", "spiral")), "'spiral'; wanted one of flat"),  # type: ignore[arg-type]
        (Arms(("flat", "terrain"), (0.4,)), "which have none"),
        (Arms(("square", "terrain"), (11.0,)), "less than or equal to 10"),
    ],
)
def test_what_makes_no_comparison_gets_a_sentence(arms, said):
    with pytest.raises(UsageError, match=re.escape(said)):
        made(arms=arms)


def test_two_arms_that_come_out_the_same_are_refused():
    """A job without lifts of its own and with nothing in the way: flat and terrain both leave it as it is."""
    with pytest.raises(UnsupportedJob, match="flat and terrain come out the same"):
        made(leaning_job(1), Arms(("flat", "terrain")))


def test_a_rule_may_state_the_arms_and_one_that_lifts_nothing_makes_no_trial():
    stated = rules(more="    trial: {shapes: [square, terrain]}")
    assert {arm.shape for arm in made(arms=None, ruleset=stated).trial.arms} == {"square", "terrain"}
    with pytest.raises(UnsupportedJob, match="the rule states none"):
        made(arms=None)
    with pytest.raises(UnsupportedJob, match="no printer is named"):
        make_trial(io.BytesIO(JOB), "x", rules(), (), {}, THREE, lambda _: io.BytesIO(), lambda *_: None)


@pytest.mark.parametrize(
    ("trial", "said"),
    [
        ("{shapes: [square]}", "2 to 26"),
        ("{shapes: [square, square]}", "each once"),
        ("{shapes: [flat, terrain], heights_mm: [0.4]}", "a shape of fixed height"),
        ("{shapes: [square, terrain], heights_mm: [0]}", "heights_mm"),
        ("{shapes: [square, terrain], letters: 2}", "letters"),
    ],
)
def test_faults_in_a_rules_trial_are_told(trial, said):
    with pytest.raises(RulesError, match=said):
        rules(more=f"    trial: {trial}")


def test_a_budget_of_the_rule_holds_no_arm_back():
    assert len(made(ruleset=rules(max_added_s=0)).trial.arms) == 3


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder with a job and rules, and the command's words for them."""
    monkeypatch.chdir(tmp_path)
    Path("pot.gcode").write_bytes(JOB)
    Path("rules.yaml").write_text(RULES.replace("SHAPE", "terrain").replace("MORE", ""))
    return tmp_path


WORDS = ["trial", "pot.gcode", "--rules", "rules.yaml", "--tag", "printer=bench", "--to", "out"]


def test_the_command_makes_a_folder_with_all_of_it(place, capsys):
    assert main([*WORDS, "--shapes", "square,terrain"]) == 0
    found = sorted(path.name for path in Path("out").iterdir() if not path.name.startswith("plotly-"))
    parts = ("A.gcode", "B.gcode", "page.html", "sheet.md", "trial.json")
    assert found == [f"pot.{part}" for part in parts]
    said = capsys.readouterr().out
    assert "square" not in said, "whoever starts the prints reads this"
    trial = load(Path("out/pot.trial.json"))
    assert trial.arms[0].sha256 == hashlib.sha256(Path("out/pot.A.gcode").read_bytes()).hexdigest()
    assert b"lifts" not in Path("out/pot.page.html").read_bytes().partition(b'id="data">')[2].partition(b"</script")[0]


@pytest.mark.parametrize(
    ("words", "code"),
    [(["--shapes", "square"], 2), (["--shapes", "square,terrain", "--heights", "high"], 2), (["--shapes", ","], 2)],
)
def test_a_trial_that_can_not_be_leaves_nothing_behind(place, words, code):
    assert main([*WORDS, *words]) == code
    assert sorted(path.name for path in place.iterdir()) == ["pot.gcode", "rules.yaml"]


def test_an_arm_that_fails_its_proof_leaves_nothing_behind(place, monkeypatch, capsys):
    def broken(*_: object) -> None:
        raise ProofError("arm B failed its proof")

    monkeypatch.setattr(command_trial, "fill_folder", broken)
    assert main([*WORDS, "--shapes", "square,terrain"]) == 5
    assert sorted(path.name for path in place.iterdir()) == ["pot.gcode", "rules.yaml"]


def test_a_folder_that_holds_something_is_left_alone(place):
    Path("out").mkdir()
    Path("out/mine.txt").write_text("mine")
    assert main([*WORDS, "--shapes", "square,terrain"]) == 2
    assert [path.name for path in Path("out").iterdir()] == ["mine.txt"]


PICTURE = ["picture", "pot.gcode", "--rules", "rules.yaml", "--tag", "printer=bench", "--to"]


def test_a_picture_needs_a_place_of_its_own_and_force_to_replace_one(place):
    assert main([*PICTURE, "pot.html"]) == 0
    assert main([*PICTURE, "pot.html"]) == 2
    assert main([*PICTURE, "pot.html", "--force"]) == 0
    assert main([*PICTURE, "pot.gcode", "--force"]) == 2
    assert main([*PICTURE, "nowhere/pot.html"]) == 2
    assert main([*PICTURE, "."]) == 2
    assert Path("pot.gcode").read_bytes() == JOB
    assert len(list(place.glob("plotly-*.js"))) == 1


def test_a_job_that_can_not_be_drawn_leaves_no_page(place, capsys):
    Path("pot.gcode").write_bytes(JOB.rpartition(b"M104")[0] + b"G1 X")
    assert main([*PICTURE, "pot.html"]) == 4
    assert "pot.gcode: " in capsys.readouterr().err
    assert sorted(path.name for path in place.iterdir()) == ["pot.gcode", "rules.yaml"]


def test_without_plotly_a_picture_says_what_to_install_and_a_trial_does_without(place, monkeypatch, capsys):
    """A module that is None in sys.modules can't be imported (Python documentation, `import`)."""
    monkeypatch.setitem(__import__("sys").modules, "plotly.offline", None)
    assert main([*PICTURE, "pot.html"]) == 2
    assert "pip install '.[pictures]'" in capsys.readouterr().err
    assert main([*WORDS, "--shapes", "square,terrain"]) == 0
    assert "page        none" in capsys.readouterr().out
    assert not list(Path("out").glob("*.html"))


def test_letters_are_enough_for_the_most_arms_that_a_rule_may_state():
    assert len(trial_record.LETTERS) == 26
