"""The files for the service manager: accepted by its own tools, and kept as strict as they are."""

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from end_to_end.farm import Farm
from liftwright.service import STOP_S
from liftwright.settings import FOLDERS

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


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("ProtectSystem=strict", "ProtectSistem=strict"),
        ("Type=notify", "Type=notifi"),
        ("WatchdogSec=60", "WatchdogSec=soon"),
        ("ExecStart=", "ExecStart=/no/such/program "),
    ],
)
def test_a_fault_in_the_unit_would_be_told(tmp_path: Path, good: str, bad: str) -> None:
    """The tool answers most faults with words alone, and its exit code stays 0: so no word may be said of ours."""
    text = UNIT.read_text().replace("/opt/liftwright/bin/liftwright", "/bin/true")
    assert f"\n{good}" in text
    (tmp_path / UNIT.name).write_text(text.replace(f"\n{good}", f"\n{bad}"))
    result = run("systemd-analyze", "verify", str(tmp_path / UNIT.name))
    assert result.returncode or result.stderr


def test_a_unit_that_is_less_strict_would_fail(tmp_path: Path) -> None:
    """The threshold is one that a loosened unit misses."""
    loose = UNIT.read_text().replace("\nSystemCallFilter", "\n# SystemCallFilter").replace("\nPrivate", "\n# Private")
    (tmp_path / UNIT.name).write_text(loose)
    result = run("systemd-analyze", "security", "--offline=true", "--threshold=10", str(tmp_path / UNIT.name))
    assert result.returncode == 1, result.stdout[-400:]


def test_the_exposure_of_the_unit_stays_below_one() -> None:
    """The threshold is ten times the score; the score counts the manager's options alone and says nothing of us."""
    result = run("systemd-analyze", "security", "--offline=true", "--threshold=10", str(UNIT))
    assert result.returncode == 0, result.stdout[-400:]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give files to an account")
def test_the_account_and_the_folders_are_made_as_the_daemon_needs_them(tmp_path: Path) -> None:
    """Both tools do their work in a root of the test's own, twice: an upgrade runs them again."""
    (tmp_path / "etc").mkdir()
    for _ in range(2):
        users = run("systemd-sysusers", f"--root={tmp_path}", str(SYSTEMD / "liftwright.sysusers.conf"))
        assert users.returncode == 0, users.stderr
        made = run("systemd-tmpfiles", f"--root={tmp_path}", "--create", str(SYSTEMD / "liftwright.tmpfiles.conf"))
        assert (made.returncode, made.stderr) == (0, "")
    account = next(
        line for line in (tmp_path / "etc/passwd").read_text().splitlines() if line.startswith("liftwright:")
    )
    number, shell = int(account.split(":")[2]), account.split(":")[-1]
    assert shell.endswith("nologin")
    share = tmp_path / "srv/farm"
    for name in FOLDERS:
        info = (share / name).stat()
        assert info.st_uid == number, name
        assert info.st_mode & 0o007 == 0, f"{name} is open to everybody"
    assert share.stat().st_uid == 0
    assert (tmp_path / "etc/liftwright").is_dir()


def test_the_daemon_lives_with_what_the_unit_leaves_it(make_farm: Callable[..., Farm]) -> None:
    """As far as it can be done without the manager: no privileges, and of /proc only our own processes.

    proc(5): subset=pid and hidepid are what ProcSubset=pid and ProtectProc=invisible come to.
    """
    inside = 'mount -t proc -o subset=pid,hidepid=invisible proc /proc && exec "$@"'
    bare = ["setpriv", "--no-new-privs", "--bounding-set=-all", "--inh-caps=-all"]
    command = ["unshare", "--mount", "sh", "-c", inside, "sh", *bare]
    if os.geteuid() != 0 or subprocess.run([*command, "true"], capture_output=True).returncode:
        pytest.skip("no namespaces, or no privileges to drop")
    assert subprocess.run([*command, "cat", "/proc/meminfo"], capture_output=True).returncode
    farm = make_farm(job_memory_limit_mb=300)
    farm.make_folders()
    farm.start(under=command)
    farm.drop("clip.gcode")
    farm.drop("greedy.gcode", farm.job(b";stand-in eat\n"))
    farm.wait_for_records(2)
    assert "MB of memory" in farm.record_of("greedy.gcode")["reason"]
    farm.stop()
    farm.check()


def test_the_unit_and_the_folders_agree_with_the_daemon() -> None:
    """Every folder of the settings is made, and the limits of time fit together."""
    text, folders = UNIT.read_text(), (SYSTEMD / "liftwright.tmpfiles.conf").read_text()
    assert all(f"/srv/farm/{name} " in folders for name in FOLDERS)
    options = dict(line.split("=", 1) for line in text.splitlines() if "=" in line and not line.startswith("#"))
    assert float(options["TimeoutStopSec"]) > STOP_S
    assert options["ReadWritePaths"] == "/srv/farm"
    assert "NUMBA_CACHE_DIR=/var/cache/liftwright" in options["Environment"]
