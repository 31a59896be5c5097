"""Soak on real jobs: written in other ways that mean the same, they get the same plan in every shape.

The jobs are strangers' and stand beside the repository; without them these tests are skipped. The short form takes
the small ones and one shape of each kind; `--long` takes all of them, in all shapes and spellings.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from property.rewriting import SHAPES, press

JOBS = sorted((Path(__file__).parents[3] / "shared" / "jobs").glob("*.gcode"), key=lambda path: path.stat().st_size)
SMALL = 250_000
# A plain motion line: the command, its words, what is left of the line.
MOTION = re.compile(rb"(?m)^(G[0-3])((?:[ ]+[XYZEFIJR][-+]?(?:\d+\.?\d*|\.\d+))+)([ ]*(?:;[^\r\n]*)?)(?=\r?$)")
WORD = re.compile(rb"([XYZEFIJR])([-+]?)(\d+\.?\d*|\.\d+)")

pytestmark = pytest.mark.skipif(not JOBS, reason="the collection of real jobs is not beside the repository")


def words(job: bytes, change: Callable[[re.Match[bytes]], bytes]) -> bytes:
    """Every plain motion line rewritten by `change`."""
    return MOTION.sub(change, job)


def other_line_ends(job: bytes) -> bytes:
    return job.replace(b"\r\n", b"\n") if b"\r\n" in job else job.replace(b"\n", b"\r\n")


def lower(job: bytes) -> bytes:
    return words(job, lambda m: m[1].lower() + m[2].lower() + m[3])


def tight(job: bytes) -> bytes:
    return words(job, lambda m: m[1] + m[2].replace(b" ", b"") + m[3])


def wide(job: bytes) -> bytes:
    return words(job, lambda m: b"  " + m[1] + m[2].replace(b" ", b"\t ") + b" " + m[3])


def signs_and_zeros(job: bytes) -> bytes:
    """+ before what has no sign, a zero before each number."""
    return words(job, lambda m: m[1] + WORD.sub(lambda w: w[1] + (w[2] or b"+") + b"0" + w[3], m[2]) + m[3])


def commented(job: bytes) -> bytes:
    return words(job, lambda m: m[1] + m[2] + (m[3] if b";" in m[3] else b" ; G1 X5 E9"))


def marked(job: bytes) -> bytes:
    return b"\xef\xbb\xbf" + job


SPELLINGS = [other_line_ends, lower, tight, wide, signs_and_zeros, commented, marked]


def plan(job: bytes, shape: str) -> tuple[object, ...]:
    """What was decided: outcome, travels by reason, layers and beads, seconds and Z stroke."""
    result = press(job, shape).result
    assert result.reason_code != "proof_failed", result.violations
    counts = {key: value for key, value in result.counts.items() if key in ("beads", "layers", "travels")}
    measures = {key: round(float(value), 2) for key, value in result.measures.items()}
    return result.outcome, result.reason_code, result.travels, counts, measures


@pytest.mark.parametrize("name", [path.stem for path in JOBS])
def test_a_real_job_in_another_spelling_gets_the_same_plan(name: str, long: bool) -> None:
    path = next(path for path in JOBS if path.stem == name)
    if not long and path.stat().st_size > SMALL:
        pytest.skip("a large job: run with --long")
    job = path.read_bytes()
    for shape in SHAPES if long else ("trapezoid", "terrain"):
        expected = plan(job, shape)
        for spelling in SPELLINGS if long else SPELLINGS[:2] + SPELLINGS[4:5]:
            assert plan(spelling(job), shape) == expected, (shape, spelling.__name__)
