"""A finished trial in a folder of its own: `python examples/trial/make_trial.py FOLDER`, then ask for its standings.

The nursery's hose bracket, made in three ways by `liftwright trial`, and the verdicts that stand beside this file,
taken in as the daemon does it. The verdicts are INVENTED: nobody printed these brackets, and nothing follows from them.
"""

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from liftwright.evidence.verdict_box import RECORDED, VerdictBox
from liftwright.settings import FOLDERS, load_settings

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
JOB = "cabinet-180/hose-bracket.gcode"
SHAPES = "square,sawtooth,terrain"


def main(folder: Path) -> None:
    """Make the share, the trial in its outbox, and the verdicts in its ledger."""
    share = folder.resolve() / "share"
    for name in FOLDERS:
        (share / name).mkdir(parents=True)
    (folder / "settings.yaml").write_text(f"share: {share}\n")
    for path in (ROOT / "rules").glob("*.yaml"):
        shutil.copy(path, share / "rules")
    jobs = folder / "jobs"
    subprocess.run((sys.executable, ROOT / "examples" / "make_jobs.py", jobs), check=True)
    trial = (jobs / JOB, "--shapes", SHAPES, "--to", share / "outbox" / "hose-bracket", "--rules", share / "rules")
    subprocess.run((sys.executable, "-m", "liftwright", "trial", *trial), check=True)
    taken = take_verdicts(folder / "settings.yaml")
    print(f"{taken} verdicts recorded; now: liftwright standings --settings {folder / 'settings.yaml'}")


def take_verdicts(settings_file: Path) -> int:
    """Drop the invented verdicts into the share and take them in; how many were recorded."""
    settings = load_settings(settings_file)
    place = settings.folder("verdicts")
    for path in (HERE / "verdicts").glob("*.yaml"):
        shutil.copy(path, place)
    box = VerdictBox(settings, Silence())
    # A file is read once it looked the same twice.
    box.look()
    box.look()
    return len(list((place / RECORDED).iterdir()))


class Silence:
    """A log that nobody reads."""

    def info(self, event: str, **values: Any) -> None:
        """Nothing."""

    warning = info


if __name__ == "__main__":
    main(Path(sys.argv[1]))
