"""The arms of a trial as files in one folder, and the names of what lies there.

In: a job and an empty folder. Out: `STEM.A.gcode`, `STEM.B.gcode` … in it, synced, and what is known of the trial. The
caller throws the folder away when this raises.
"""

import os
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

from liftwright.evidence.trial import Arms, MadeTrial, make_trial, stem_and_suffix
from liftwright.job.facts import Fact
from liftwright.rewrite import Tick
from liftwright.rules.schema import RuleSet
from liftwright.spool.durable import sync_folder
from liftwright.spool.names import printable


def fill_folder(
    source: BinaryIO, name: str, rules: RuleSet, given: Sequence[Fact], comment_keys: Mapping[str, str],
    arms: Arms | None, folder: Path, tick: Tick,
) -> MadeTrial:  # fmt: skip
    """Make the arms of the job called `name`; arguments and errors as those of `make_trial`."""
    shown = printable(name)[0]
    stem, suffix = stem_and_suffix(shown)
    with ExitStack() as stack:

        def open_arm(letter: str) -> BinaryIO:
            return stack.enter_context(open(folder / f"{stem}.{letter}{suffix}", "x+b", opener=_private))

        return make_trial(source, shown, rules, given, comment_keys, arms, open_arm, tick)


def sync_files(folder: Path) -> None:
    """Make every file of the folder, and their names, durable."""
    for place in folder.iterdir():
        with place.open("rb") as file:
            os.fsync(file.fileno())
    sync_folder(folder)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
