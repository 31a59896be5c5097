"""The example jobs are what the demo and the README say they are."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from evaluator.ground import layer_heights, widths
from evaluator.numbers import Numbers
from evaluator.reader import BEAD, WIPE, read

SCRIPT = Path(__file__).parents[2] / "examples" / "make_jobs.py"


@pytest.fixture(scope="module")
def jobs(tmp_path_factory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("jobs")
    subprocess.run((sys.executable, SCRIPT, folder), check=True)
    return {path.stem: path.read_bytes() for path in folder.rglob("*.gcode")}


def test_there_are_six_and_they_are_of_a_size_to_try(jobs):
    names = "gauge-block hose-bracket lattice-pot seed-tray-clips tall-stakes torn-upload"
    assert sorted(jobs) == names.split()
    assert all(50_000 < len(job) < 2_000_000 for job in jobs.values())


@pytest.mark.parametrize(
    ("name", "width"), [("lattice-pot", 0.45), ("hose-bracket", 0.45), ("seed-tray-clips", 0.45), ("tall-stakes", 0.48)]
)
def test_beads_push_the_volume_of_their_width(jobs, name, width):
    """Width from volume, A = filament area × E / length, w = A/h + h(1 − π/4): nine beads in ten within 0.01 mm."""
    pieces = read(jobs[name])
    is_bead = pieces.kind == BEAD
    ends = pieces.ends[is_bead]
    found = widths(ends, pieces.pushed[is_bead], layer_heights(ends), Numbers())
    assert np.mean(np.abs(found - width) < 0.01) > 0.9


def test_the_styles_differ(jobs):
    """Absolute and relative E, wipes, firmware retraction, own lifts: one job each at least."""
    assert b"\nM82\n" in jobs["lattice-pot"]
    assert b"\nM83\n" in jobs["hose-bracket"]
    assert (read(jobs["hose-bracket"]).kind == WIPE).any()
    assert b"\nG10\n" in jobs["seed-tray-clips"]
    assert len(re.findall(rb"\nG1 Z[0-9.]+( F600)?\nG0 X[^Z]+\nG1 Z", jobs["tall-stakes"])) > 500


def test_the_torn_upload_ends_inside_a_number_of_a_motion_line(jobs):
    """One decimal where the job writes three or more, and no line end."""
    last = jobs["torn-upload"].splitlines()[-1]
    assert re.search(rb"^G[01] .*[XYZE]-?\d+\.\d$", last)
    assert jobs["hose-bracket"].startswith(jobs["torn-upload"])


def test_every_job_warns_who_opens_it(jobs):
    assert all(job.startswith(b"; CAUTION") for job in jobs.values())
