"""`liftwright compare`, run in this process: its table, its sentence, its JSON, how it ends."""

import json
from pathlib import Path

import pytest

from liftwright.command import main
from liftwright.plan.shapes import SHAPES

RULES = """\
printers:
  - name: bench
    bed_mm: {x: [0, 200], y: [0, 200]}
    z_max_mm: 200
    z_speed_mm_s: 5
    z_accel_mm_s2: 100
    travel_accel_mm_s2: 3000
rules:
  - name: nothing for gauges
    when: {model: gauge}
    leave: true
  - name: clips
    when: {}
    lift: {shape: square, height_mm: 0.4, unretracted: lift, max_added_s: 0.5, otherwise: [trapezoid]}
when_unmatched: unchanged
when_refused: held
"""

JOB = """\
; printer: bench
M82
G28
G1 Z0.2 F600
G1 X10 Y10 F9000
G1 X30 Y10 E1 F1500
G1 X120 Y40 F9000
G1 X140 Y40 E2 F1500
G1 X40 Y42 F9000
G1 X60 Y42 E3 F1500
G1 X150 Y12 F9000
G1 X160 Y12 E4 F1500
M104 S0
"""


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with rules and a job, and no installation's settings."""
    (tmp_path / "rules.yaml").write_text(RULES)
    (tmp_path / "clip.gcode").write_text(JOB)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("liftwright.command_settings.SETTINGS_FILE", str(tmp_path / "none.yaml"))
    monkeypatch.setattr("liftwright.command_inputs.SETTINGS_FILE", str(tmp_path / "none.yaml"))
    return tmp_path


def compare(*more: str) -> int:
    return main(["compare", "clip.gcode", "--rules", "rules.yaml", *more])


def test_a_table_over_every_shape_then_the_sentence(desk, capsys):
    assert compare() == 0
    out = capsys.readouterr().out
    lines = out.splitlines()
    assert lines[0] == "clip.gcode: every shape tried, no file was written"
    head = next(k for k, line in enumerate(lines) if line.startswith("shape "))
    assert [line.split("  ")[0] for line in lines[head + 1 : head + 8]] == ["as it came", *SHAPES]
    assert lines[-1].startswith("the rule takes trapezoid, which keeps its budgets (square adds 0.7 s, max_added_s is")
    assert "lifts of fixed height are 0.4 mm; strikes are foretold, not observed" in lines


def test_no_file_is_written(desk, capsys):
    before = sorted(path.name for path in desk.iterdir())
    assert compare() == compare("--json") == 0
    assert sorted(path.name for path in desk.iterdir()) == before
    assert (desk / "clip.gcode").read_text() == JOB


def test_json_has_the_same_numbers_unrounded(desk, capsys):
    compare("--json")
    found = json.loads(capsys.readouterr().out)
    assert (found["takes"], found["height_mm"], found["choice"]["rule"]) == ("trapezoid", 0.4, "clips")
    rows = {row["shape"]: row for row in found["rows"]}
    assert list(rows) == ["as it came", *SHAPES]
    assert rows["square"]["added_s"] > 0.5 > rows["trapezoid"]["added_s"] > 0.0
    assert rows["square"]["over"].startswith("adds 0.7 s")
    assert rows["as it came"]["lifted"] == 0
    assert rows["square"]["lifted"] == rows["trapezoid"]["lifted"] == 3
    assert {"key": "printer", "value": "bench", "origin": "comment, line 1"} in found["facts"]


def test_a_tag_changes_the_rule(desk, capsys):
    assert compare("--tag", "model=gauge") == 0
    out = capsys.readouterr().out
    assert out.endswith('the job stays as it is: rule "nothing for gauges" leaves every travel as it is\n')
    assert compare("--tag", "model=gauge", "--json") == 0
    assert json.loads(capsys.readouterr().out)["rows"] == []


def test_a_job_that_would_be_held_is_refused(desk, capsys):
    (desk / "clip.gcode").write_text("hello, this is a letter\n")
    assert compare() == 4
    assert "clip.gcode: " in capsys.readouterr().err


def test_a_job_that_is_not_there_is_a_usage_error(desk, capsys):
    (desk / "clip.gcode").unlink()
    assert compare() == 2
