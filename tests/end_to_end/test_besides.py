"""`trial:` and `picture:` in a rule, in the real daemon; and a trial's folder through a crash at each step."""

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from end_to_end.farm import COMPILING_S, RULES, Farm
from liftwright import states
from liftwright.evidence.trial import Arms
from liftwright.evidence.trial_folder import fill_folder
from liftwright.evidence.trial_record import Trial, find
from liftwright.proof import Limits, prove
from liftwright.settings import FOLDERS, Settings
from liftwright.spool import ledger
from liftwright.spool.journal import Entry, Journal
from liftwright.spool.passage import Passage
from liftwright.spool.recovery import recover
from unit.page_jobs import GIVEN, leaning_job, rules

JOB = leaning_job().replace(b"G21\n", b"; printer: gantry-300\nG21\n", 1)
TRIAL_AND_PICTURE = RULES.replace(b"mm: 1.0}", b"mm: 1.0}\n    picture: true\n    trial: {shapes: [square, terrain]}")


def test_a_rule_makes_a_trial_and_a_page_of_each_job(make_farm: Callable[..., Farm]) -> None:
    """The arms stand in the outbox in a folder of their own, proved; the page and the key stand in records/."""
    assert TRIAL_AND_PICTURE != RULES
    farm = make_farm(worker="real", slots=1)
    (farm.folder("rules") / "10-all.yaml").write_bytes(TRIAL_AND_PICTURE)
    farm.start()
    (farm.folder("inbox") / "beds").mkdir()
    (farm.folder("inbox") / "beds" / "pot.gcode").write_bytes(JOB)
    folder = farm.folder("outbox") / "beds" / "pot.trial"
    # The first page on a machine compiles what looks under travels.
    farm.wait_for(folder.is_dir, "the trial in the outbox", COMPILING_S)
    farm.wait_for(lambda: any(farm.folder("records").glob("*/*.html")), "the record and the page")
    farm.stop()
    (record,) = farm.folder("records").glob("*/*.json")

    assert sorted(path.name for path in folder.iterdir()) == ["pot.A.gcode", "pot.B.gcode", "pot.sheet.md"]
    ((_, trial),) = find(farm.folder("records"))
    for arm in trial.arms:
        text = (folder / arm.file).read_bytes()
        assert hashlib.sha256(text).hexdigest() == arm.sha256
        with (folder / arm.file).open("rb") as rewritten, (farm.root / "came").open("w+b") as came:
            came.write(JOB)
            assert prove(came, rewritten, Limits()).holds
    found = json.loads(record.read_bytes())
    assert found["outcome"] == "rewritten"
    assert found["reason_code"] == "trial"
    assert not [warning for warning in found["warnings"] if "was made" in warning]
    assert found["details"]["trial"]["trial"] == trial.trial
    page = record.with_suffix(".html").read_text()
    assert "so that nothing here tells the arms of the trial apart" in page
    (script,) = farm.folder("records").glob("plotly-*.js")
    assert f'src="../{script.name}"' in page
    assert ledger.verify(farm.folder("records")) == []
    assert list(farm.folder("working").glob("*out")) == []
    assert next(farm.folder("originals").glob("*/*.gcode")).read_bytes() == JOB


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    found = Settings(share=str(tmp_path / "share"))
    for name in FOLDERS:
        found.folder(name).mkdir(parents=True)
    return found


def _proved(settings: Settings) -> tuple[Passage, Entry, Trial]:
    """A claimed job whose trial lies finished in the working folder, as a worker leaves it."""
    passage = Passage(settings, Journal(settings.folder("working") / "journal"))
    entry = Entry("20260102T030405-0123456789", "beds/pot.gcode", begun=1, received="2026-01-02", settled_by="test")
    passage.journal.claim(entry)
    passage.path(entry, ".in").write_bytes(JOB)
    folder = passage.path(entry, ".1.trial.out")
    folder.mkdir()
    with passage.path(entry, ".in").open("rb") as source:
        made = fill_folder(
            source, "pot.gcode", rules(), GIVEN, {}, Arms(("square", "terrain")), folder,
            lambda *_: None,
        )  # fmt: skip
    finding = {
        "outcome": states.REWRITTEN, "reason_code": "trial", "reason": "2 arms", "size_in": len(JOB), "size_out": 1,
        "sha256_in": hashlib.sha256(JOB).hexdigest(), "sha256_out": None, "output": folder.name,
        "details": {"trial": made.trial.model_dump(mode="json")},
    }  # fmt: skip
    passage.prove([(entry, finding, "rewrite")])
    passage.journal.sync()
    return passage, entry, made.trial


def _again(passage: Passage, settings: Settings) -> list[Entry]:
    """The daemon starts anew."""
    passage.close()
    after = Passage(settings, Journal(settings.folder("working") / "journal"))
    left = recover(after)
    after.close()
    return left


def _check_whole(settings: Settings, trial: Trial, name: str = "beds/pot.trial") -> None:
    folder = settings.folder("outbox") / name
    assert {arm.sha256 for arm in trial.arms} == {
        hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.glob("*.gcode")
    }
    assert [found for _, found in find(settings.folder("records"))] == [trial]
    assert ledger.verify(settings.folder("records")) == []
    assert list(settings.folder("working").glob("*out")) == []


def test_a_trial_that_was_proved_and_not_published_is_published_after_a_crash(settings):
    passage, _, trial = _proved(settings)
    assert _again(passage, settings) == []
    _check_whole(settings, trial)


def test_a_trial_that_was_renamed_and_not_noted_is_finished_after_a_crash(settings):
    passage, entry, trial = _proved(settings)
    (settings.folder("outbox") / "beds").mkdir()
    os.rename(passage.path(entry, ".1.trial.out"), settings.folder("outbox") / "beds" / "pot.trial")
    assert _again(passage, settings) == []
    _check_whole(settings, trial)


def test_a_published_trial_whose_record_was_lost_gets_it_again(settings):
    passage, entry, trial = _proved(settings)
    passage.publish([entry])
    passage.finish([entry])
    passage.journal.sync()
    shutil.rmtree(settings.folder("records") / "2026-01-02")
    shutil.rmtree(settings.folder("records") / "trials")
    assert _again(passage, settings) == []
    _check_whole(settings, trial)


def test_a_trial_with_a_damaged_arm_is_made_again(settings):
    passage, entry, trial = _proved(settings)
    (passage.path(entry, ".1.trial.out") / trial.arms[0].file).write_bytes(b"G28\n")
    left = _again(passage, settings)
    assert [(each.id, each.state) for each in left] == [(entry.id, states.CLAIMED)]
    assert not (settings.folder("outbox") / "beds").exists()


def test_a_trial_that_somebody_took_as_a_whole_is_not_handed_on_again(settings):
    """The original is held with the reason, and the key to the arms that were taken stays."""
    passage, entry, trial = _proved(settings)
    shutil.rmtree(passage.path(entry, ".1.trial.out"))
    assert _again(passage, settings) == []
    assert (settings.folder("held") / "beds" / "pot.gcode").read_bytes() == JOB
    assert not (settings.folder("outbox") / "beds").exists()
    assert [found for _, found in find(settings.folder("records"))] == [trial]


def test_a_trial_takes_a_number_where_its_name_is_taken(settings):
    (settings.folder("outbox") / "beds" / "pot.trial").mkdir(parents=True)
    passage, _, trial = _proved(settings)
    assert _again(passage, settings) == []
    _check_whole(settings, trial, "beds/pot-2.trial")
