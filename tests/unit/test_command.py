"""The command line, run in this process: what it prints, what it writes, how it ends."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from liftwright import command_check
from liftwright.command import main

RULES = """\
printers:
  - name: bench
    bed_mm: {x: [0, 200], y: [0, 200]}
    z_max_mm: 200
    z_speed_mm_s: 10
    z_accel_mm_s2: 100
    travel_accel_mm_s2: 3000
rules:
  - name: plates of clips
    when: {model: "*clip*"}
    lift: {shape: triangle, height_mm: 0.4, unretracted: lift}
  - name: nothing for gauges
    when: {model: gauge}
    leave: true
when_unmatched: unchanged
when_refused: held
"""

JOB = """\
; printer: bench
; model: seed-tray clip
G21
G90
M82
M104 S200
G28
G1 Z0.2 F600
G1 X10 Y10 F9000
G1 X30 Y10 E1 F1500
G1 X60 Y40 F9000
G1 X80 Y40 E2 F1500
G1 Z0.4 F600
G1 X60 Y42 F9000
G1 X80 Y42 E3 F1500
G1 X10 Y12 F9000
G1 X30 Y12 E4 F1500
M104 S0
"""


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with rules and a job, and no installation's settings."""
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "all.yaml").write_text(RULES)
    (tmp_path / "clip.gcode").write_text(JOB)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("liftwright.command_settings.SETTINGS_FILE", str(tmp_path / "none.yaml"))
    monkeypatch.setattr("liftwright.command_inputs.SETTINGS_FILE", str(tmp_path / "none.yaml"))
    return tmp_path


def rewrite(*more: str, job: str = "clip.gcode") -> int:
    return main(["rewrite", job, "--to", "out.gcode", "--rules", "rules", *more])


def files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_job_is_rewritten_and_can_be_proved(desk, capsys):
    assert rewrite() == 0
    assert "rewritten: 3 of 4 travels rewritten" in capsys.readouterr().out
    assert (desk / "out.gcode").read_text().count(";lw triangle") == 3
    assert (desk / "clip.gcode").read_text() == JOB
    assert main(["prove", "clip.gcode", "out.gcode", "--rules", "rules"]) == 0
    assert "every promise holds" in capsys.readouterr().out


def test_a_job_that_needs_no_change_comes_out_as_it_went_in(desk, capsys):
    (desk / "clip.gcode").write_text(JOB.replace("seed-tray clip", "gauge"))
    assert rewrite() == 0
    assert (desk / "out.gcode").read_bytes() == (desk / "clip.gcode").read_bytes()
    assert "unchanged" in capsys.readouterr().out


def test_json_tells_the_whole_result(desk, capsys):
    assert rewrite("--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["outcome"], found["choice"]["rule"]) == ("rewritten", "plates of clips")
    assert {fact["key"]: fact["origin"] for fact in found["facts"]}["printer"] == "comment, line 1"


def test_a_refused_job_leaves_nothing_behind(desk, capsys):
    (desk / "clip.gcode").write_text("<html>not a job</html>\n")
    before = files(desk)
    assert rewrite() == 4
    captured = capsys.readouterr()
    assert captured.err.startswith("liftwright: clip.gcode: ")
    assert captured.out == ""
    assert files(desk) == before


def test_an_existing_file_is_replaced_only_when_told_to(desk, capsys):
    (desk / "out.gcode").write_text("precious\n")
    assert rewrite() == 2
    assert capsys.readouterr().err == "liftwright: out.gcode: exists; wanted a new name, or --force to replace it\n"
    assert (desk / "out.gcode").read_text() == "precious\n"
    assert rewrite("--force") == 0
    assert ";lw triangle" in (desk / "out.gcode").read_text()


def test_the_job_itself_is_never_written_to(desk, capsys):
    """Neither under its own name nor through a link."""
    os.symlink("clip.gcode", desk / "out.gcode")
    assert rewrite("--force") == 2
    assert "is the job itself" in capsys.readouterr().err
    assert (desk / "clip.gcode").read_text() == JOB


def test_a_full_disk_leaves_nothing_behind(desk):
    """No file may grow beyond 100 bytes: what a full disk looks like. (getrlimit(2))

    In a process of its own, since the limit would hold for the report of the tests too.
    """
    command = [sys.executable, "-m", "liftwright", "rewrite", "clip.gcode", "--to", "out.gcode", "--rules", "rules"]
    done = subprocess.run(command, cwd=desk, capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stderr) == (0, "")  # now all kernels are compiled, and none has to be stored
    (desk / "out.gcode").unlink()
    before = files(desk)
    limited = ["prlimit", "--fsize=100", *command]
    done = subprocess.run(limited, cwd=desk, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 6
    assert "File too large" in done.stderr
    assert files(desk) == before


def test_a_folder_that_is_not_there_is_a_sentence(desk, capsys):
    assert main(["rewrite", "clip.gcode", "--to", "away/out.gcode", "--rules", "rules"]) == 6
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["rewrite", "none.gcode", "--to", "o", "--rules", "rules"], "none.gcode: No such file or directory; wanted"),
        (["rewrite", "rules", "--to", "o", "--rules", "rules"], "rules: Is a directory; wanted"),
        (["rewrite", "clip.gcode", "--to", "o"], "no rules: "),
        (["rewrite", "clip.gcode", "--to", "o", "--rules", "none"], "none: No such file or directory; wanted"),
        (["rewrite", "clip.gcode", "--to", "rules", "--rules", "rules"], "rules: is a folder; wanted"),
        (["explain", "clip.gcode", "--rules", "rules", "--tag", "material"], "tag 'material'"),
        (["status"], "no settings: "),
    ],
)
def test_what_cannot_be_carried_out_as_written_ends_with_2(desk, capsys, words, said):
    before = files(desk)
    assert main(words) == 2
    assert capsys.readouterr().err.startswith(f"liftwright: {said}")
    assert files(desk) == before


@pytest.mark.parametrize("words", [[], ["lift"], ["rewrite"], ["rewrite", "a.gcode"], ["history", "--since", "soon"]])
def test_a_command_line_that_cannot_be_read_ends_with_2(words, capsys):
    with pytest.raises(SystemExit) as end:
        main(words)
    assert end.value.code == 2
    assert "usage: liftwright" in capsys.readouterr().err


def test_a_tag_outweighs_what_the_job_says(desk, capsys):
    assert rewrite("--tag", "model=gauge", "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["choice"]["rule"] == "nothing for gauges"
    assert {"key": "model", "value": "gauge", "origin": "command line"} in found["facts"]


def test_the_settings_say_where_rules_stand_and_what_names_mean(desk, capsys):
    settings = 'share: SHARE\nname_pattern: "{model}.gcode"\ncomment_keys: {machine room: printer}\n'
    (desk / "settings.yaml").write_text(settings.replace("SHARE", str(desk)))
    (desk / "gauge.gcode").write_text(JOB.replace("; printer: bench", "; machine room: bench"))
    (desk / "gauge.gcode.tags.yaml").write_text("batch: 7\n")
    assert main(["explain", "gauge.gcode", "--settings", "settings.yaml", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    facts = {fact["key"]: (fact["value"], fact["origin"]) for fact in found["facts"]}
    assert facts["model"] == ("gauge", "file name")
    assert facts["printer"] == ("bench", "comment, line 1")
    assert facts["batch"] == (7.0, "side file, line 1")
    assert found["choice"]["rule"] == "nothing for gauges"


def test_a_broken_promise_is_named(desk, capsys):
    assert rewrite() == 0
    text = (desk / "out.gcode").read_text()
    (desk / "out.gcode").write_text(text.replace("G1 X80 Y40 E2", "G1 X80 Y40 E2.5"))
    capsys.readouterr()
    assert main(["prove", "clip.gcode", "out.gcode", "--rules", "rules"]) == 5
    captured = capsys.readouterr()
    assert "1 beads: line 12" in captured.err
    assert captured.out == ""


def test_a_broken_promise_is_named_in_json_too(desk, capsys):
    assert main(["prove", "clip.gcode", "clip.gcode", "--rules", "rules", "--json"]) == 5
    found = json.loads(capsys.readouterr().out)
    assert found["holds"] is False
    assert found["bounds_judged"] is True
    assert found["violations"][0].startswith("7 stamp")


def test_explain_writes_no_file_and_says_which_rules_were_tried(desk, capsys):
    before = files(desk)
    assert main(["explain", "clip.gcode", "--rules", "rules", "--tag", "model=pot"]) == 0
    out = capsys.readouterr().out
    assert 'model is "pot" (command line); wanted *clip*' in out
    assert "unchanged: no rule fits the job" in out
    assert files(desk) == before


def test_explain_answers_for_a_job_that_would_be_held(desk, capsys):
    (desk / "clip.gcode").write_text("")
    assert main(["explain", "clip.gcode", "--rules", "rules"]) == 0
    assert "held: " in capsys.readouterr().out


def test_check_lists_every_fault_with_its_place(desk, capsys):
    (desk / "rules" / "all.yaml").write_text(RULES.replace("triangle", "triangel").replace("z_max_mm", "z_max"))
    assert main(["check", "rules"]) == 3
    err = capsys.readouterr().err
    assert "all.yaml:4" in err
    assert "all.yaml:11" in err
    assert "triangle" in err


def test_check_sums_up_rules_without_fault(desk, capsys):
    assert main(["check", "rules"]) == 0
    out = capsys.readouterr().out
    assert "printers        bench" in out
    assert "rules           plates of clips\n                nothing for gauges\n" in out


def test_check_prints_the_schema(desk, capsys):
    assert main(["check", "--schema"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == "liftwright rules"


def test_a_bug_of_ours_is_told_as_such_with_its_traceback(desk, capsys, monkeypatch):
    monkeypatch.setattr(command_check, "read_rules", lambda place: 1 / 0)
    assert main(["check", "rules"]) == 70
    err = capsys.readouterr().err
    assert "ZeroDivisionError" in err
    assert "please report it" in err


def test_an_interrupt_ends_quietly(desk, capsys, monkeypatch):
    def interrupt(place):
        raise KeyboardInterrupt

    monkeypatch.setattr(command_check, "read_rules", interrupt)
    assert main(["check", "rules"]) == 130
    assert capsys.readouterr().err == ""


def test_a_reader_that_has_seen_enough_is_no_error():
    """`liftwright check --schema | head`: no traceback, exit code 0."""
    process = subprocess.Popen(
        [sys.executable, "-m", "liftwright", "check", "--schema"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    with process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 0


def test_status_does_not_call_a_daemon_dead_that_it_may_not_see(desk, capsys, monkeypatch):
    (desk / "working").mkdir()
    (desk / "settings.yaml").write_text(f"share: {desk}\n")
    monkeypatch.setattr(os, "access", lambda place, mode: False)  # tests may run as root, who may see everything
    assert main(["status", "--settings", "settings.yaml"]) == 6
    assert "no permission" in capsys.readouterr().err


def test_the_share_commands_start_without_the_compiler():
    """numba takes longer to import than `liftwright history` to run; see the docstring of command.py."""
    code = "import sys, liftwright.command_share; print('numba' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "False\n"
