"""The product's reader equals its slow twin on every real job, in both dialects and cut at other beads."""

from pathlib import Path

import pytest

from reference.readers import SLOW, read_product
from reference.twins import differences

JOBS = Path(__file__).resolve().parents[3] / "shared" / "jobs"
NAMES = sorted(path.name for path in JOBS.glob("*.gcode"))


@pytest.mark.skipif(not NAMES, reason="the collection of real jobs is not beside the repository")
@pytest.mark.parametrize("g90_sets_extrusion", [True, False])
@pytest.mark.parametrize("name", NAMES)
def test_the_kernel_reads_a_real_job_as_its_twin_does(name: str, g90_sets_extrusion: bool) -> None:
    """Kinds, lines, places, filament, feeds, arcs, tools and what is certain: equal in every row."""
    job = (JOBS / name).read_bytes()
    if not g90_sets_extrusion:
        job = job[: job.rfind(b"\n", 0, 400_000) + 1]  # the twin reads a megabyte a second: once in full is enough
    assert differences(SLOW(job, g90_sets_extrusion), read_product(job, g90_sets_extrusion)) == []


@pytest.mark.skipif(not NAMES, reason="the collection of real jobs is not beside the repository")
@pytest.mark.parametrize("chunk", [4096, 70_001])
@pytest.mark.parametrize("name", NAMES)
def test_cutting_a_real_job_at_other_beads_gives_the_same_rows(name: str, chunk: int) -> None:
    """Windows are an implementation detail: the rows behind the cuts are those of one pass, bit for bit."""
    job = (JOBS / name).read_bytes()
    assert read_product(job, chunk=chunk) == read_product(job)
