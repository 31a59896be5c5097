"""`liftwright picture`: one job as a page that any browser opens, with the drawing library's script beside it.

Refuses what a rewrite would refuse, a page that is there already unless told to replace it, and to begin where plotly
is not installed. Nothing half-written stays.
"""

import argparse
import tempfile
from pathlib import Path
from typing import BinaryIO

from liftwright.command_inputs import Inputs, check_target, open_job, read_inputs
from liftwright.command_outcome import summary
from liftwright.command_progress import Progress
from liftwright.command_tables import plain
from liftwright.errors import DeliveryError, JobError, UsageError
from liftwright.evidence.page import page
from liftwright.evidence.picture import Picture, draw
from liftwright.evidence.script import Script, script
from liftwright.spool.durable import replace_file


def picture(arguments: argparse.Namespace) -> int:
    """Draw JOB onto PAGE and say what would be done to it."""
    job, target = Path(arguments.job), Path(arguments.to)
    drawing = script()
    with open_job(job) as source:
        check_page(job, target, force=arguments.force)
        found = drawn(source, job, read_inputs(arguments, job))
    put_script(target.parent, drawing)
    replace_file(target, page(found, plain(job.name), drawing.name))
    print(summary(found.result))
    layers = found.tally.counts.shape[1]
    print(f"{len(found.layers)} of {layers} layers drawn on {plain(target)}; the script beside it goes where it goes")
    return 0


def drawn(source: BinaryIO, job: Path, inputs: Inputs, *, before_only: bool = False) -> Picture:
    """The picture of a job, with a progress bar where a person watches."""
    progress = Progress()
    try:
        with tempfile.TemporaryFile() as scratch:
            return draw(
                source, scratch, inputs.rules, inputs.given, inputs.comment_keys, progress, before_only=before_only
            )
    except JobError as error:
        raise type(error)(error.code, f"{plain(job)}: {error}", error.line) from None
    finally:
        progress.close()


def check_page(job: Path, target: Path, *, force: bool) -> None:
    """Refuse a page that can't or mustn't be written, before any work is done."""
    check_target(job, target, force=force, what="page")
    if not target.parent.is_dir():
        raise UsageError(f"{target.parent}: is no folder; wanted one for the page")


def put_script(folder: Path, drawing: Script) -> None:
    """The drawing library's script, once in a folder: its name says what is in it."""
    place = folder / drawing.name
    try:
        if not place.exists() or place.stat().st_size != len(drawing.data):
            replace_file(place, drawing.data)
    except OSError as error:
        raise DeliveryError(f"{place}: {error.strerror}; wanted to write the script that the page needs") from None
