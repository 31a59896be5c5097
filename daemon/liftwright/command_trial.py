"""`liftwright trial`: one job as several that differ in their travels alone, with a sheet, a record and a page.

Everything is made in a hidden folder beside FOLDER, which takes FOLDER's place at the end: all of it is there, or
nothing. Refuses a FOLDER that holds anything, and what no trial can be made of.
"""

import argparse
import contextlib
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, cast

from liftwright.command_inputs import Inputs, open_job, read_inputs
from liftwright.command_picture import drawn, put_script
from liftwright.command_progress import Progress
from liftwright.command_tables import pairs, plain
from liftwright.errors import JobError, UsageError
from liftwright.evidence.page import page
from liftwright.evidence.script import Script, script
from liftwright.evidence.sheet import sheet
from liftwright.evidence.trial import Arms, MadeTrial, stem_and_suffix
from liftwright.evidence.trial_folder import fill_folder, sync_files
from liftwright.evidence.trial_record import ENDING, to_bytes
from liftwright.rules.schema import Shape
from liftwright.spool.durable import sync_folder


def trial(arguments: argparse.Namespace) -> int:
    """Make the trial of JOB in FOLDER, and say what lies there without saying which is which."""
    job, folder = Path(arguments.job), Path(arguments.to)
    arms = Arms(cast(tuple[Shape, ...], _words(arguments.shapes)), _heights(arguments.heights))
    drawing = _script_if_there()
    with open_job(job) as source:
        _check_folder(folder)
        inputs = read_inputs(arguments, job)
        with _made_whole(folder) as making:
            made = _make(source, job, inputs, arms, making)
            page_name = _add_texts(source, job, inputs, made, making, drawing)
    found, (stem, _) = made.trial, stem_and_suffix(plain(job.name))
    rows = [("trial", found.trial), ("job", found.job_name), ("printer", found.printer)]
    rows += [("arms", ", ".join(arm.file for arm in found.arms)), ("sheet", f"{stem}.sheet.md")]
    rows += [("page", page_name or "none: plotly is not installed")]
    rows += [("key", f"{stem}{ENDING}: don't open it before the last print is judged")]
    print(pairs([*rows, ("written to", folder)]))
    return 0


def _make(source: BinaryIO, job: Path, inputs: Inputs, arms: Arms, making: Path) -> MadeTrial:
    progress = Progress()
    try:
        known = (inputs.rules, inputs.given, inputs.comment_keys)
        return fill_folder(source, job.name, *known, arms, making, progress)
    except JobError as error:
        raise type(error)(error.code, f"{plain(job)}: {error}", error.line) from None
    finally:
        progress.close()


def _add_texts(
    source: BinaryIO, job: Path, inputs: Inputs, made: MadeTrial, making: Path, drawing: Script | None
) -> str | None:
    """Record, sheet and page; returns the page's name, None where nothing can be drawn."""
    stem, _ = stem_and_suffix(plain(job.name))
    page_name = f"{stem}.page.html" if drawing else None
    if drawing and page_name:
        put_script(making, drawing)
        picture = drawn(source, job, inputs, before_only=True)
        title = f"{plain(job.name)}, trial {made.trial.trial}"
        (making / page_name).write_bytes(page(picture, title, drawing.name, blind=True))
    record = f"{stem}{ENDING}"
    (making / record).write_bytes(to_bytes(made.trial))
    (making / f"{stem}.sheet.md").write_text(sheet(made.trial, record, page_name, made.worst), encoding="utf-8")
    return page_name


def _script_if_there() -> Script | None:
    try:
        return script()
    except UsageError:
        return None


def _words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())


def _heights(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(word) for word in _words(text))
    except ValueError:
        raise UsageError(f"heights {text!r}; wanted numbers of mm with commas between, such as 0.4,0.6") from None


def _check_folder(folder: Path) -> None:
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder}: is there already; wanted a new or an empty folder")
    if not folder.absolute().parent.is_dir():
        raise UsageError(f"{folder.parent}: is no folder; wanted one in which to make {folder.name}")


@contextmanager
def _made_whole(folder: Path) -> Iterator[Path]:
    """A folder that takes the place of `folder` when the block ends well, and is gone when it doesn't."""
    parent = folder.absolute().parent
    making = parent / f".liftwright-{secrets.token_hex(8)}"
    making.mkdir()
    try:
        yield making
        sync_files(making)
        making.rename(folder)
        sync_folder(parent)
    finally:
        with contextlib.suppress(FileNotFoundError):
            shutil.rmtree(making)
