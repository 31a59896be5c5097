"""The demo does what the README says of it, and leaves nothing behind."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the demo prints; it runs in a temporary folder of its own, which must be empty afterwards."""
    folder = tmp_path_factory.mktemp("demo")
    run = subprocess.run(
        (sys.executable, ROOT / "examples" / "demo.py"),
        env={"PATH": "/usr/bin:/bin", "HOME": str(Path.home()), "TMPDIR": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    assert list(folder.iterdir()) == []
    return run.stdout


def test_at_least_five_jobs_come_out_and_one_is_left_alone(said: str) -> None:
    outcomes = [line.split()[1] for line in said.splitlines() if line.count(".gcode") == 1 and "  " in line]
    assert sorted(outcomes) == ["held", "rewritten", "rewritten", "rewritten", "rewritten", "unchanged"]


def test_the_torn_upload_is_held_and_says_why(said: str) -> None:
    assert "held/cabinet-180/torn-upload.gcode.why.txt says:" in said
    assert "suspected cut" in said


def test_the_daemon_is_stopped_in_good_order(said: str) -> None:
    assert said.rstrip().endswith("daemon stopped, exit code 0")
