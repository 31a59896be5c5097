"""The files for the service manager: accepted by its own tools, and kept as strict as they are."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[2] / "systemd"
UNIT = SYSTEMD / "liftwright.service"

pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None and not os.environ.get("CI"), reason="systemd-analyze is not installed"
)


def run(*command: str) -> "subprocess.CompletedProcess[str]":
    return subprocess.run(command, capture_output=True, text=True)


def test_the_unit_is_verified_without_a_word(tmp_path: Path) -> None:
    """The program of an installation is not here: another stands in its place, all else is as shipped."""
    text = UNIT.read_text().replace("/opt/liftwright/bin/liftwright", "/bin/true")
    (tmp_path / UNIT.name).write_text(text)
    result = run("systemd-analyze", "verify", str(tmp_path / UNIT.name))
    assert (result.returncode, result.stderr.strip(), result.stdout.strip()) == (0, "", "")


def test_the_exposure_of_the_unit_stays_below_one() -> None:
    """The threshold is ten times the score; the score counts the manager's options alone and says nothing of us."""
    result = run("systemd-analyze", "security", "--offline=true", "--threshold=10", str(UNIT))
    assert result.returncode == 0, result.stdout[-400:]


def test_the_account_and_the_folders_are_accepted(tmp_path: Path) -> None:
    """Both tools name the faults of a line on stderr."""
    users = run("systemd-sysusers", "--dry-run", f"--root={tmp_path}", str(SYSTEMD / "liftwright.sysusers.conf"))
    assert (users.returncode, users.stderr) == (0, "") or "liftwright" in users.stdout + users.stderr
    lines = (SYSTEMD / "liftwright.tmpfiles.conf").read_text().splitlines()
    folders = [line.split() for line in lines if line and not line.startswith("#")]
    assert all(len(fields) == 6 and fields[0] == "d" for fields in folders)


def test_the_unit_and_the_folders_agree_with_the_daemon() -> None:
    """Every folder of the settings is made, and the limits of time fit together."""
    from liftwright.service import STOP_S
    from liftwright.settings import FOLDERS

    text, folders = UNIT.read_text(), (SYSTEMD / "liftwright.tmpfiles.conf").read_text()
    assert all(f"/srv/farm/{name} " in folders for name in FOLDERS)
    options = dict(line.split("=", 1) for line in text.splitlines() if "=" in line and not line.startswith("#"))
    assert float(options["TimeoutStopSec"]) > STOP_S
    assert options["ReadWritePaths"] == "/srv/farm"
    assert "NUMBA_CACHE_DIR=/var/cache/liftwright" in options["Environment"]
