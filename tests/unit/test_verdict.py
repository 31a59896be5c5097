"""Verdicts: strict files and words, linked to a print, recorded once, corrected openly; the folder that takes them."""

import json
import os
import re
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.command import main
from liftwright.errors import RulesError, UsageError
from liftwright.evidence.trial_record import ENDING, Arm, AsItCame, Trial, to_bytes
from liftwright.evidence.verdict import MOST_BYTES, Verdict, read_verdict
from liftwright.evidence.verdict_book import Source, enter, read_book
from liftwright.evidence.verdict_box import MOST_A_LOOK, VerdictBox
from liftwright.settings import FOLDERS, Settings
from liftwright.spool import ledger
from liftwright.spool.settle import UNKNOWN, ask_lease

JOB = "20261125T101500-0123456789"
HELD = "20261125T101600-0123456789"
UNCHANGED = "20261125T101700-0123456789"
TRIAL = "T-0123456789ab"
GOOD = f"job: {JOB}\nstayed: true\nstrings: 2\nfinish: 4\n"


def line(job: str, outcome: str) -> dict:
    return {
        "event": "job", "at": "2026-11-25T10:15:00.000+00:00", "id": job, "name": "pot.gcode", "outcome": outcome,
        "reason_code": outcome, "rule": "lattice pots", "printer": "bench-220",
        "folder": "held" if outcome == "held" else "outbox",
        "delivered": "stake.gcode" if outcome == "unchanged" else "pot.gcode",
        "sha256_in": "1" * 64, "sha256_out": "2" * 64, "record_sha256": "0" * 64,
    }  # fmt: skip


def arm(letter: str, shape: str, height: float | None) -> Arm:
    return Arm(
        letter=letter, file=f"pot-{letter}.gcode", sha256=letter.lower() * 64, shape=shape, height_mm=height, lifted=3,
        predicted_strikes=1, added_s=2.0, air_s=3.0, stroke_mm=4.0,
    )  # fmt: skip


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """A share with a rewritten job, a held one, one handed on as it came, and a trial of two arms."""
    found = Settings(share=str(tmp_path / "share"))
    for name in FOLDERS:
        found.folder(name).mkdir(parents=True)
    records = found.folder("records")
    ledger.append(records, [line(JOB, "rewritten"), line(HELD, "held"), line(UNCHANGED, "unchanged")])
    day = records / "2026-11-25"
    day.mkdir()
    (day / f"{JOB}.json").write_text(json.dumps({"choice": {"material": "PETG"}, "details": {"shape": "terrain"}}))
    trial = Trial(
        trial=TRIAL, job_name="pot.gcode", sha256_job="3" * 64, rules_sha256="4" * 64, rule="lattice pots",
        printer="bench-220", material="PETG",
        before=AsItCame(seconds=1.0, predicted_strikes=2, air_s=0.0, stroke_mm=0.0),
        arms=(arm("A", "terrain", None), arm("B", "square", 0.4)),
    )  # fmt: skip
    (records / f"pot{ENDING}").write_bytes(to_bytes(trial))
    (tmp_path / "settings.yaml").write_text(f"share: {found.share}\n")
    return found


def record(settings: Settings, text: str, source: Source | None = None):
    return enter(settings, read_book(settings), read_verdict(text.encode(), "v.yaml"), source)


def verdict_lines(settings: Settings) -> list[dict]:
    return [event for event in ledger.events(settings.folder("records")) if event["event"] == "verdict"]


def test_a_verdict_is_linked_to_what_was_printed_by_its_hash(settings: Settings) -> None:
    record(settings, GOOD + "minutes: 62\nnote: one thread at the rim\n")
    (found,) = verdict_lines(settings)
    assert (found["sha256_in"], found["sha256_out"]) == ("1" * 64, "2" * 64)
    assert (found["material"], found["printer"], found["rule"], found["shape"]) == (
        *("PETG", "bench-220", "lattice pots", "terrain"),
    )
    assert found["seen"] == {"stayed": True, "strings": 2, "finish": 4, "minutes": 62, "note": "one thread at the rim"}


def test_the_ledger_stays_a_chain_and_shows_a_changed_verdict(settings: Settings) -> None:
    record(settings, GOOD)
    place = settings.folder("records") / ledger.NAME
    chain = [fault for fault in ledger.verify(settings.folder("records")) if "jsonl" in fault]
    assert chain == []
    record(settings, GOOD.replace("strings: 2", "strings: 3"))
    place.write_bytes(place.read_bytes().replace(b'"strings":2', b'"strings":0'))
    assert any("something was changed" in fault for fault in ledger.verify(settings.folder("records")))


def test_lines_of_the_ledger_that_somebody_spoiled_are_passed_over(settings: Settings) -> None:
    """What is wrong with them is for `history --verify`; a verdict must still find its job."""
    spoiled = [{"event": "verdict", "id": JOB}, {"event": "job", "id": JOB}, {"event": "released"}]
    ledger.append(settings.folder("records"), spoiled)
    assert record(settings, GOOD).is_new


def test_a_second_verdict_on_a_print_is_a_recorded_correction(settings: Settings) -> None:
    """Both lines stay; the second names the first; the second is the one that stands."""
    record(settings, GOOD)
    second = record(settings, GOOD.replace("stayed: true", "stayed: false"))
    lines = verdict_lines(settings)
    assert [one["seen"]["stayed"] for one in lines] == [True, False]
    assert lines[1]["corrects"] == lines[0]["n"]
    assert second.corrects is not None
    assert [one["seen"]["stayed"] for one in read_book(settings).standing.values()] == [False]


def test_the_same_verdict_again_writes_nothing(settings: Settings) -> None:
    record(settings, GOOD)
    assert not record(settings, GOOD).is_new
    assert len(verdict_lines(settings)) == 1


def test_another_print_of_the_same_job_is_no_correction(settings: Settings) -> None:
    record(settings, GOOD)
    record(settings, GOOD + "print: 2\n")
    assert [one["corrects"] for one in verdict_lines(settings)] == [None, None]


def test_a_verdict_on_a_trial_is_linked_to_its_arm(settings: Settings) -> None:
    record(settings, GOOD.replace(JOB, TRIAL) + "letter: B\n")
    (found,) = verdict_lines(settings)
    assert (found["sha256_out"], found["shape"], found["height_mm"]) == ("b" * 64, "square", 0.4)


def test_a_trial_may_be_named_by_its_job_where_it_is_the_only_one(settings: Settings) -> None:
    named = GOOD.replace(JOB, "pot.gcode") + "letter: A\n"
    assert record(settings, named).subject.id == TRIAL
    place = settings.folder("records") / f"pot{ENDING}"
    place.with_name(f"other{ENDING}").write_bytes(place.read_bytes().replace(TRIAL.encode(), b"T-ffffffffffff"))
    with pytest.raises(UsageError, match=f"2 trials of this job are known; wanted one's number: {TRIAL}, T-ffffff"):
        record(settings, named)


def test_an_arm_that_went_through_the_inbox_is_known_by_its_bytes(settings: Settings) -> None:
    job = JOB.replace("1015", "1115")
    came = line(job, "unchanged") | {"reason_code": "already_rewritten", "sha256_in": "b" * 64, "sha256_out": "b" * 64}
    ledger.append(settings.folder("records"), [came])
    subject = record(settings, GOOD.replace(JOB, job)).subject
    assert (subject.id, subject.letter, subject.shape) == (TRIAL, "B", "square")


def test_the_shape_of_a_job_that_came_rewritten_is_not_guessed(settings: Settings) -> None:
    job = JOB.replace("1015", "1115")
    ledger.append(settings.folder("records"), [line(job, "unchanged") | {"reason_code": "already_rewritten"}])
    assert record(settings, GOOD.replace(JOB, job)).subject.shape is None


def test_a_job_that_was_handed_on_as_it_came_is_judged_so(settings: Settings) -> None:
    assert record(settings, GOOD.replace(JOB, UNCHANGED)).subject.shape == "as it came"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (GOOD.replace(JOB, "20990101T000000-0123456789"), "found no job and no trial of this number or name"),
        (GOOD.replace(JOB, "../../etc/passwd"), "found no job and no trial of this number or name"),
        (GOOD.replace(JOB, HELD), "was held and not released"),
        (GOOD + "letter: A\n", "is a job, not a trial"),
        (GOOD.replace(JOB, TRIAL), "wanted the letter of the arm that was printed: A, B"),
        (GOOD.replace(JOB, TRIAL) + "letter: C\n", "has no arm C; wanted one of A, B"),
    ],
)
def test_what_names_no_print_is_refused(settings: Settings, text: str, said: str) -> None:
    with pytest.raises(UsageError, match=re.escape(said)):
        record(settings, text)
    assert verdict_lines(settings) == []


def test_a_job_may_be_named_where_one_alone_had_the_name(settings: Settings) -> None:
    assert record(settings, GOOD.replace(JOB, "stake.gcode")).subject.id == UNCHANGED
    ledger.append(settings.folder("records"), [line(JOB.replace("1015", "1115"), "rewritten")])
    with pytest.raises(UsageError, match="2 jobs had this name; wanted the number of one, latest first: 20261125T1115"):
        record(settings, GOOD.replace(JOB, "pot.gcode"))


def test_a_held_job_that_was_released_can_be_judged(settings: Settings) -> None:
    ledger.append(settings.folder("records"), [{"event": "released", "id": HELD}])
    assert record(settings, GOOD.replace(JOB, HELD)).is_new


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "v.yaml:1: found an empty file"),
        ("- a\n", "found a list of 1; wanted a mapping of job, letter"),
        (GOOD + "strings: 3\n", "v.yaml:5: strings: found the same key as in line 3"),
        (GOOD + "colour: red\n", "v.yaml:5: colour: found an unknown key"),
        (GOOD + "minuts: 3\n", "found an unknown key; wanted minutes"),
        (GOOD.replace("stayed: true", "stayed: yes"), "v.yaml:2: stayed: found yes, a word that some"),
        (GOOD.replace("stayed: true", "stayed: 1"), 'stayed: found 1; wanted true or false, or "yes" or "no"'),
        (GOOD.replace("strings: 2", "strings: 6"), "strings: found 6; wanted a whole number from 0 (none) to 5"),
        (GOOD.replace("strings: 2", "strings: 2.5"), "strings: found 2.5; wanted a whole number"),
        (GOOD.replace("strings: 2", 'strings: "2"'), 'strings: found the text "2"; wanted a whole number'),
        (GOOD.replace("finish: 4\n", ""), "finish: found no such key; wanted a whole number from 0 (scrap) to 5"),
        (GOOD + "minutes: -3\n", "minutes: found -3; wanted a number above 0"),
        (GOOD + "minutes: .inf\n", "no finite number"),
        (GOOD + "letter: b\n", 'letter: found the text "b"; wanted one capital letter'),
        (GOOD + "print: 0\n", "print: found 0; wanted a whole number from 1 on"),
        (GOOD + "note: &a x\n", "a YAML anchor"),
        (GOOD + f"note: {'x' * 201}\n", "a text of 201 characters"),
        (GOOD + 'note: "a\\nb"\n', "line ends or invisible characters"),
        (GOOD.replace("finish: 4", "finish: {a: {b: 1}}"), "finish: found a mapping"),
        ("x: " + "[" * 3000, "nesting"),
        ("x: " + "[" * 30 + "]" * 30, "levels of nesting"),
        ("#" * (MOST_BYTES + 1), "wanted at most 16384 bytes"),
    ],
)
def test_a_faulty_file_is_refused_by_line_and_key(text: str, said: str) -> None:
    with pytest.raises(RulesError) as found:
        read_verdict(text.encode(), "v.yaml")
    assert said in str(found.value)


def test_all_faults_of_a_file_are_told_at_once() -> None:
    with pytest.raises(RulesError) as found:
        read_verdict(b"job: a\nstayed: maybe\nstrings: 9\ncolour: red\n", "v.yaml")
    assert len(found.value.problems) == 4


def test_yes_in_quotes_is_true() -> None:
    assert read_verdict(GOOD.replace("true", '"yes"').encode(), "v.yaml").stayed is True


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_any_bytes_are_a_verdict_or_a_list_of_faults(data: bytes) -> None:
    with suppress(RulesError):
        assert isinstance(read_verdict(data, "v.yaml"), Verdict)


# The folder.


class Log:
    """What was logged, as (event, values)."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, dict]] = []

    def info(self, event: str, **values: object) -> None:
        self.lines.append((event, values))

    warning = info


@pytest.fixture
def box(settings: Settings) -> VerdictBox:
    return VerdictBox(settings, Log())


def drop(box: VerdictBox, name: str, text: str | bytes = GOOD) -> Path:
    place = box.settings.folder("verdicts") / name
    place.write_bytes(text.encode() if isinstance(text, str) else text)
    return place


def look(box: VerdictBox, times: int = 2) -> None:
    for _ in range(times):
        box.look()


def listing(box: VerdictBox) -> list[str]:
    root = box.settings.folder("verdicts")
    return sorted(str(path.relative_to(root)) for path in root.rglob("*") if not path.is_dir())


def test_a_dropped_verdict_is_recorded_and_put_aside(box: VerdictBox) -> None:
    drop(box, "pot.yaml")
    look(box, 1)
    assert verdict_lines(box.settings) == []
    look(box, 1)
    assert len(verdict_lines(box.settings)) == 1
    assert listing(box) == ["recorded/pot.yaml"]


def test_a_file_that_still_changes_is_not_read(box: VerdictBox) -> None:
    place = drop(box, "pot.yaml", GOOD[:20])
    look(box, 1)
    place.write_text(GOOD)
    look(box, 1)
    assert listing(box) == ["pot.yaml"]
    look(box, 1)
    assert listing(box) == ["recorded/pot.yaml"]


def test_a_file_that_somebody_has_open_for_writing_is_not_read(box: VerdictBox) -> None:
    place = drop(box, "pot.yaml")
    with place.open("rb") as file:
        if ask_lease(file.fileno()) == UNKNOWN:
            pytest.skip("this file system grants no leases, so nobody can tell")
    with place.open("a"):
        look(box, 3)
        assert listing(box) == ["pot.yaml"]
    look(box, 1)
    assert listing(box) == ["recorded/pot.yaml"]


def test_a_refused_file_stays_with_a_word_beside_it_until_it_is_put_right(box: VerdictBox) -> None:
    place = drop(box, "pot.yaml", GOOD.replace("strings: 2", "strings: 7"))
    look(box, 4)
    assert listing(box) == ["pot.yaml", "pot.yaml.why.txt"]
    why = place.with_name("pot.yaml.why.txt").read_text()
    assert "pot.yaml:3: strings: found 7; wanted a whole number from 0 (none) to 5" in why
    assert len(box.logger.lines) == 1
    place.write_text(GOOD)
    look(box)
    assert listing(box) == ["recorded/pot.yaml"]


def test_the_word_goes_with_the_file_that_somebody_takes_away(box: VerdictBox) -> None:
    place = drop(box, "pot.yaml", "x")
    look(box)
    place.unlink()
    look(box, 1)
    assert listing(box) == []


def test_a_crash_between_ledger_and_putting_aside_records_nothing_twice(box: VerdictBox) -> None:
    """The file is back as it was, as after a crash; even if the verdict was corrected in between."""
    place = drop(box, "pot.yaml")
    written = place.stat().st_mtime_ns
    look(box)
    record(box.settings, GOOD.replace("strings: 2", "strings: 3"))
    (box.settings.folder("verdicts") / "recorded" / "pot.yaml").rename(place)
    os.utime(place, ns=(written, written))
    again = VerdictBox(box.settings, Log())
    look(again)
    assert len(verdict_lines(box.settings)) == 2
    assert listing(box) == ["recorded/pot.yaml"]
    assert [one["seen"]["strings"] for one in read_book(box.settings).standing.values()] == [3]


def test_two_files_on_one_print_correct_each_other_in_the_order_of_their_names(box: VerdictBox) -> None:
    drop(box, "1.yaml")
    drop(box, "2.yaml", GOOD.replace("strings: 2", "strings: 5").replace(JOB, "pot.gcode"))
    look(box, 3)
    lines = verdict_lines(box.settings)
    assert [one["seen"]["strings"] for one in lines] == [2, 5]
    assert lines[1]["corrects"] == lines[0]["n"]


def test_names_that_are_taken_aside_get_a_number(box: VerdictBox) -> None:
    for strings in (1, 2):
        drop(box, "pot.yaml", GOOD.replace("strings: 2", f"strings: {strings}"))
        look(box)
    assert listing(box) == ["recorded/pot-2.yaml", "recorded/pot.yaml"]


def hostile(folder: Path) -> Iterator[str]:
    """Things that are no verdict; the names of those that get a word."""
    outside = folder.parent / "outside.yaml"
    outside.write_text(GOOD)
    (folder / "link.yaml").symlink_to(outside)
    yield "link.yaml"
    os.link(outside, folder / "hard.yaml")
    yield "hard.yaml"
    os.mkfifo(folder / "pipe.yaml")
    yield "pipe.yaml"
    (folder / "huge.yaml").touch()
    os.truncate(folder / "huge.yaml", 1 << 40)
    yield "huge.yaml"
    (folder / "pot.txt").write_text(GOOD)
    yield "pot.txt"
    (folder / "nul.yaml").write_bytes(b"\0" * 100)
    yield "nul.yaml"
    bomb = "a: &a [x]\n" + "".join(f"b{i}: [*a, *a]\n" for i in range(50))
    (folder / "bomb.yaml").write_text(bomb)
    yield "bomb.yaml"


def test_what_is_no_plain_small_verdict_is_refused_and_left(box: VerdictBox) -> None:
    folder = box.settings.folder("verdicts")
    names = list(hostile(folder))
    for ignored in (".hidden.yaml", "~tmp.yaml", "pot.yaml.part", "Thumbs.db"):
        (folder / ignored).write_text(GOOD)
    (folder / "folder.yaml").mkdir()
    before = set(listing(box))
    look(box, 3)
    assert set(listing(box)) - before == {f"{name}.why.txt" for name in names}
    assert before <= set(listing(box))
    assert verdict_lines(box.settings) == []
    assert (folder.parent / "outside.yaml").read_text() == GOOD


@pytest.mark.parametrize("name", [b"a\nb.yaml", b"\xff\xfe.yaml", b"x" * 250 + b".yaml", "ä.yaml".encode()])
def test_odd_names_are_taken_and_forge_nothing(box: VerdictBox, name: bytes) -> None:
    folder = os.fsencode(box.settings.folder("verdicts"))
    for text in (GOOD.replace("strings: 2", "strings: 8"), GOOD):
        with open(os.path.join(folder, name), "w") as file:
            file.write(text)
        look(box, 3)
    assert os.listdir(folder) == [b"recorded"]
    assert len(verdict_lines(box.settings)) == 1
    raw = (box.settings.folder("records") / ledger.NAME).read_bytes()
    assert raw.isascii()
    assert raw.count(b"\n") == 4


def test_a_link_in_place_of_the_word_is_replaced_and_not_written_through(box: VerdictBox, tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("mine")
    (box.settings.folder("verdicts") / "bad.yaml.why.txt").symlink_to(victim)
    drop(box, "bad.yaml", "x")
    look(box)
    assert victim.read_text() == "mine"
    assert "was not taken" in (box.settings.folder("verdicts") / "bad.yaml.why.txt").read_text()


def test_more_files_than_a_look_takes_are_all_taken_in_the_end(box: VerdictBox) -> None:
    for number in range(MOST_A_LOOK + 5):
        drop(box, f"{number:03d}.yaml", GOOD + f"print: {number + 1}\n")
    look(box, 2)
    assert len(verdict_lines(box.settings)) == MOST_A_LOOK
    look(box, 1)
    assert len(verdict_lines(box.settings)) == MOST_A_LOOK + 5


def test_a_missing_folder_is_said_once_and_harms_nothing(box: VerdictBox) -> None:
    box.settings.folder("verdicts").rmdir()
    look(box, 5)
    assert [event for event, _ in box.logger.lines] == ["verdicts_blocked"]


# The command.


def verdict(tmp_path: Path, *words: str) -> int:
    return main(["verdict", *words, "--settings", str(tmp_path / "settings.yaml")])


SEEN = ["--stayed", "yes", "--strings", "2", "--finish", "4"]


def test_the_command_records_and_corrects(settings, tmp_path, capsys) -> None:
    assert verdict(tmp_path, JOB, *SEEN, "--note", "one thread", "--minutes", "62") == 0
    assert re.search(r"verdict +recorded\n", capsys.readouterr().out)
    assert verdict(tmp_path, JOB, "--stayed", "no", "--strings", "5", "--finish", "0") == 0
    assert re.search(r"corrects +line 4 of the ledger, which stays: stayed yes", capsys.readouterr().out)
    assert verdict(tmp_path, TRIAL, *SEEN, "--letter", "B", "--print", "2") == 0
    assert "arm B, print 2" in capsys.readouterr().out
    assert len(verdict_lines(settings)) == 3


def test_a_trial_outside_the_share_is_named_by_its_record_and_the_arm_stays_blind(settings, tmp_path, capsys) -> None:
    """Whoever judged one arm and reads what was recorded must not learn the shape of it."""
    place = tmp_path / f"away{ENDING}"
    (settings.folder("records") / f"pot{ENDING}").rename(place)
    assert verdict(tmp_path, TRIAL, *SEEN, "--letter", "B") == 2
    assert verdict(tmp_path, str(place), *SEEN, "--letter", "B") == 0
    said = capsys.readouterr().out
    assert "arm B" in said
    assert "square" not in said
    assert verdict_lines(settings)[0]["shape"] == "square"
    assert verdict(tmp_path, str(tmp_path / f"none{ENDING}"), *SEEN, "--letter", "B") == 2
    assert "wanted a trial record that can be read" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([JOB, "--stayed", "yes", "--strings", "9", "--finish", "4"], "--strings: found 9; wanted a whole number"),
        ([JOB, *SEEN, "--minutes", "nan"], "--minutes: found nan; wanted a number above 0"),
        ([JOB, *SEEN, "--letter", "bb"], "--letter: found bb; wanted one capital letter"),
        ([JOB, *SEEN, "--note", "a\x1b[31m"], "--note: found a\\x1b[31m; wanted one line"),
        (["nothing", *SEEN], "nothing: found no job and no trial"),
    ],
)
def test_wrong_words_get_a_sentence(settings, tmp_path, capsys, words, said) -> None:
    assert verdict(tmp_path, *words) == 2
    assert said in capsys.readouterr().err
    assert verdict_lines(settings) == []
