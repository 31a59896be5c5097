"""The demo: a share in a temporary folder, the real daemon on it, the nursery's example jobs, and what came out.

Ends by itself with the daemon stopped and the folder gone; exit code 0 only if every job has its record, and the torn
upload is held and nothing else.
"""

import json
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from liftwright.command_tables import table

ROOT = Path(__file__).parents[1]
LIFTWRIGHT = (sys.executable, "-m", "liftwright")
# The first start on a machine compiles the kernels.
PATIENCE_S = 600.0
LOOK_S = 0.3
HEADS = ("job", "outcome", "rule", "travels", "rewritten", "strikes before", "after", "bytes in", "out")
HELD = "cabinet-180/torn-upload.gcode"


def main() -> int:
    """Run the demo and return its exit code."""
    with tempfile.TemporaryDirectory(prefix="liftwright-demo-") as folder:
        share = Path(folder) / "share"
        settings = _prepare(share, Path(folder) / "settings.yaml")
        jobs = Path(folder) / "jobs"
        subprocess.run((sys.executable, ROOT / "examples" / "make_jobs.py", jobs), check=True)
        with (Path(folder) / "daemon.log").open("w+") as log:
            daemon = subprocess.Popen((*LIFTWRIGHT, "serve", "--settings", settings), stderr=log)
            try:
                return _show(daemon, settings, share, jobs)
            except BaseException:
                log.seek(0)
                sys.stderr.write(log.read())
                raise
            finally:
                _stop(daemon)
                print(f"daemon stopped, exit code {daemon.returncode}")


def _prepare(share: Path, settings: Path) -> Path:
    """A share with the rules we ship, and settings that wait less long than those of a farm."""
    share.mkdir()
    shutil.copytree(ROOT / "rules", share / "rules")
    settings.write_text(f"share: {share}\nquiet_s: 0.5\nfolder_pattern: '{{printer}}'\nfree_space_floor_mb: 50\n")
    return settings


def _show(daemon: subprocess.Popen[bytes], settings: Path, share: Path, jobs: Path) -> int:
    print("daemon started; the first start on a machine compiles its kernels, which takes a minute")
    dropped = _drop(jobs, share / "inbox", daemon)
    records = _wait(daemon, settings, len(dropped))
    print()
    print(table(HEADS, [_row(record) for record in records]))
    held = [record["delivered"]["name"] for record in records if record["outcome"] == "held"]
    for name in held:
        why = share / "held" / f"{name}.why.txt"
        print(f"\n{why.relative_to(share)} says:\n\n{why.read_text()}")
    return 0 if held == [HELD] else 1


def _drop(jobs: Path, inbox: Path, daemon: subprocess.Popen[bytes]) -> list[Path]:
    """Copy the jobs into the inbox, subfolders and all, as an operator would."""
    _until(inbox.is_dir, daemon)
    shutil.copytree(jobs, inbox, dirs_exist_ok=True)
    dropped = sorted(path for path in jobs.rglob("*.gcode"))
    for path in dropped:
        print(f"dropped {path.relative_to(jobs)}")
    return dropped


def _wait(daemon: subprocess.Popen[bytes], settings: Path, count: int) -> list[Mapping[str, Any]]:
    """The records of the jobs, once every job has one; asked for with the command that operators use."""
    records: list[Mapping[str, Any]] = []

    def is_done() -> bool:
        asked = subprocess.run(
            (*LIFTWRIGHT, "history", "--settings", settings), check=True, capture_output=True, text=True
        )
        records[:] = [json.loads(line) for line in asked.stdout.splitlines()]
        return len(records) == count

    _until(is_done, daemon)
    return sorted(records, key=lambda record: record["name"])


def _row(record: Mapping[str, Any]) -> tuple[object, ...]:
    counts = record["counts"]
    return (
        record["name"],
        record["outcome"],
        record["choice"]["rule"] or "-",
        counts.get("travels", "-"),
        counts.get("rewritten", "-"),
        counts.get("strikes_before", "-"),
        counts.get("strikes_after", "-"),
        record["size_in"],
        record["size_out"],
    )


def _until(is_so: Callable[[], bool], daemon: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not is_so():
        if daemon.poll() is not None:
            raise SystemExit(f"the daemon ended by itself, exit code {daemon.returncode}")
        if time.monotonic() > end:
            raise SystemExit(f"not done after {PATIENCE_S:.0f} s")
        time.sleep(LOOK_S)


def _stop(daemon: subprocess.Popen[bytes]) -> None:
    daemon.send_signal(signal.SIGTERM)
    daemon.wait(90)


if __name__ == "__main__":
    sys.exit(main())
