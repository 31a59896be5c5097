"""`status`, `history` and `release`, run as an operator runs them, on the share of a real daemon."""

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

from end_to_end.farm import Farm

HELD = b";stand-in refuse\n"


def run(farm: Farm, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "liftwright", *words, "--settings", str(farm.settings_file)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def lines(farm: Farm, *words: str) -> list[dict]:
    done = run(farm, "history", *words)
    assert (done.returncode, done.stderr) == (0, "")
    return [json.loads(line) for line in done.stdout.splitlines()]


@pytest.fixture
def served(farm: Farm) -> Farm:
    """A daemon that has handed on one job and holds another."""
    farm.start()
    farm.drop("clip.gcode")
    farm.drop("bent.gcode", farm.job(HELD))
    farm.wait_for_records(2)
    return farm


def test_status_tells_of_a_running_and_of_a_stopped_daemon(served: Farm) -> None:
    served.wait_for(lambda: served.status()["held"] == 1, "the status to be written")
    said = run(served, "status")
    assert said.returncode == 0
    assert "runs since" in said.stdout
    assert json.loads(run(served, "status", "--json").stdout)["held"] == 1
    served.stop()
    assert "does not run" in run(served, "status").stdout


def test_status_before_the_first_start_is_no_error(farm: Farm) -> None:
    said = run(farm, "status")
    assert (said.returncode, said.stderr) == (0, "")
    assert "does not run" in said.stdout


def test_history_in_a_pipe_is_one_json_document_a_line(served: Farm) -> None:
    assert {job["name"]: job["outcome"] for job in lines(served)} == {"clip.gcode": "rewritten", "bent.gcode": "held"}
    assert [job["name"] for job in lines(served, "--outcome", "held")] == ["bent.gcode"]
    assert lines(served, "--printer", "no such printer") == []
    assert lines(served, "--since", "2999-01-01") == []
    assert len(lines(served, "--until", "2999-01-01")) == 2


def test_history_on_a_terminal_is_a_table(served: Farm) -> None:
    """A pseudo-terminal stands in for the person's; see pty(7)."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "liftwright", "history", "--settings", str(served.settings_file)]
    with subprocess.Popen(command, stdout=theirs, env={**os.environ, "COLUMNS": "100"}) as process:
        os.close(theirs)
        said = b""
        try:
            while piece := os.read(ours, 1 << 16):
                said += piece
        except OSError:
            pass  # what Linux answers when the last writer has gone
        os.close(ours)
    shown = said.decode().splitlines()
    assert process.returncode == 0
    assert shown[0].split() == ["ended", "job", "outcome", "printer", "rule", "lifts", "why"]
    assert {line.split()[2] for line in shown[1:]} == {"clip.gcode", "bent.gcode"}
    assert all(len(line) <= 100 for line in shown)


def test_verify_finds_a_changed_record(served: Farm) -> None:
    served.stop()
    assert run(served, "history", "--verify").returncode == 0
    record = next(Path(served.folder("records")).glob("*/*.json"))
    record.write_bytes(record.read_bytes().replace(b"clip", b"clap").replace(b"bent", b"bunt"))
    found = run(served, "history", "--verify")
    assert found.returncode == 6
    assert f"{record.name}: the record was changed" in found.stderr


def test_a_held_job_is_released_by_its_name_and_history_tells(served: Farm) -> None:
    bent = (served.folder("held") / "bent.gcode").read_bytes()
    said = run(served, "release", "bent.gcode")
    assert (said.returncode, said.stdout) == (0, f"moved to {served.folder('outbox') / 'bent.gcode'}\n")
    assert served.outbox()["bent.gcode"] == bent
    (job,) = lines(served, "--outcome", "held")
    assert job["released"]["folder"] == "outbox"
    assert run(served, "release", "bent.gcode").returncode == 2


def test_a_held_job_is_queued_again_by_its_number(served: Farm) -> None:
    (job,) = lines(served, "--outcome", "held")
    assert run(served, "release", "--again", job["id"]).returncode == 0
    served.wait_for_records(3)
    assert len(lines(served, "--outcome", "held")) == 2
