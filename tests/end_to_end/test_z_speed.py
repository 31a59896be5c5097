"""No move that we put in asks Z for more speed than the printer's limit: read back from the text of every real job.

The reader below is all that stands between the text and the verdict; it shares nothing with the package. Speed along a
straight move is F, in mm/min along X, Y and Z together (NIST RS274/NGC 2.1.2.5), times M220's percentage; Z's share of
it is its share of the way. Arcs count with their chord, so their Z speed is never read too low.
"""

import io
import math
import re
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from bench.bench_rules import rule_set
from liftwright.job.facts import Fact
from liftwright.plan.shapes import SHAPES
from liftwright.result import REWRITTEN, UNCHANGED
from liftwright.rewrite import rewrite

JOBS = sorted((Path(__file__).parents[3] / "shared" / "jobs").glob("*.gcode"))
LIMIT = 5.0  # mm/s, below what the jobs' own lifts ask for
COMMAND = re.compile(rb"\s*([GM])0*(\d+)(?![\d.])")
WORD = re.compile(rb"([XYZEFS])\s*([-+]?\d*\.?\d+)")

Place = tuple[float | None, float | None, float | None]


def fast_moves(text: bytes) -> Counter[tuple[bytes, Place, Place]]:
    """Moves that ask Z for more than the limit: (words, from, to), places rounded to a nanometre."""
    at: dict[bytes, float | None] = {b"X": None, b"Y": None, b"Z": None}
    feed, percent, absolute, unit = 0.0, 100.0, True, 1.0
    found: Counter[tuple[bytes, Place, Place]] = Counter()
    for line in text.splitlines():
        match = COMMAND.match(line)
        if not match:
            continue
        name = match[1] + match[2]
        code = line[match.end() :].partition(b";")[0].partition(b"(")[0]
        if name in (b"G0", b"G1", b"G2", b"G3"):
            words = {letter: float(number) for letter, number in WORD.findall(code.upper())}
            feed = words.get(b"F", feed / unit) * unit
            before = tuple(at.values())
            for axis, number in words.items():
                if axis in at:
                    here = at[axis]
                    at[axis] = number * unit if absolute else None if here is None else here + number * unit
            after = tuple(at.values())
            if None in before or before[2] == after[2]:
                continue
            climb = abs(after[2] - before[2])
            asked = feed / 60 * percent / 100 * climb / math.dist(before, after)
            if asked > LIMIT * (1 + 1e-6):
                found[code.strip(), _rounded(before), _rounded(after)] += 1
        elif name in (b"G90", b"G91"):
            absolute = name == b"G90"
        elif name in (b"G20", b"G21"):
            unit = 25.4 if name == b"G20" else 1.0
        elif name == b"G28":
            at = dict.fromkeys(at)
        elif name == b"G92":
            at |= {axis: float(number) * unit for axis, number in WORD.findall(code.upper()) if axis in at}
        elif name == b"M220":
            percent = next((float(number) for letter, number in WORD.findall(code) if letter == b"S"), percent)
    return found


def _rounded(place: tuple[float | None, ...]) -> Place:
    x, y, z = (None if value is None else round(value, 6) for value in place)
    return x, y, z


@cache
def original(path: Path, factor: int) -> tuple[bytes, Counter[tuple[bytes, Place, Place]]]:
    """The job, sped up by M220 from its first line on, and its own fast moves."""
    text = path.read_bytes()
    text = text if factor == 100 else b"M220 S%d\n" % factor + text
    return text, fast_moves(text)


def test_the_reader_knows_a_fast_move_when_it_sees_one() -> None:
    """4 mm aside and 0.4 up at 60 mm/s: Z goes at 5.97 mm/s. At half the speed it doesn't, at M220 S200 it does again;
    ten times as flat it does not."""
    start = b"G90\nG1 X0 Y0 Z0 F600\n"
    for moves, fast in (
        (b"G1 X4 Z0.4 F3600", 1),
        (b"G1 X4 Z0.4 F1800", 0),
        (b"M220 S200\nG1 X4 Z0.4 F1800", 1),
        (b"G91\nG1 X40 Z0.4 F3600", 0),
        (b"G1 Z1 F300", 0),
        (b"G1 Z1 F301", 1),
        (b"G20\nG1 Z1 F12", 1),
    ):
        assert fast_moves(start + moves).total() == fast, moves


@pytest.mark.parametrize("factor", [100, 150])
@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("path", JOBS or [None], ids=[path.stem for path in JOBS] or None)
def test_no_move_put_in_asks_too_much_of_z(path: Path | None, shape: str, factor: int) -> None:
    """Whatever is too fast in the output stood so in the job, in the same place."""
    if path is None:
        pytest.skip("the collection of real jobs is not here")
    text, own = original(path, factor)
    out = io.BytesIO()
    rules = rule_set({"shape": shape, "height_mm": 0.6, "unretracted": "lift"}, printer={"z_speed_mm_s": LIMIT})
    result = rewrite(io.BytesIO(text), out, rules, [Fact("printer", "bench", "the test")])
    if result.outcome != REWRITTEN:
        assert result.outcome == UNCHANGED or result.refused
        return
    assert fast_moves(out.getvalue()) - own == Counter()


def test_the_limit_would_be_broken_without_care() -> None:
    """The same rewrite for a printer whose Z may do more holds moves that are too fast for this one."""
    if not JOBS:
        pytest.skip("the collection of real jobs is not here")
    text, own = original(next(path for path in JOBS if path.stem == "rel-e-lift-and-wipe"), 100)
    out = io.BytesIO()
    rules = rule_set({"shape": "square"}, printer={"z_speed_mm_s": 12.0})
    assert rewrite(io.BytesIO(text), out, rules, [Fact("printer", "bench", "the test")]).outcome == REWRITTEN
    assert (fast_moves(out.getvalue()) - own).total() > 100
