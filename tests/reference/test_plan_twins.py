"""Travels, shapes and splices against their slow twins, on generated jobs and on real ones."""

import io
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.job.moves import MoveReader
from liftwright.plan.lane import N_QUEUE, N_STATE
from liftwright.plan.lifts import FixedShapes, LiftTerms, admit
from liftwright.plan.limits import limits_from
from liftwright.plan.shapes import SHAPES
from liftwright.plan.slopes import SCRATCH, least_slope
from liftwright.plan.travels import FREE, REASONS, TravelFinder
from liftwright.splice import Splicer, SpliceTerms
from property.jobs import Spelling, Step, jobs, spell, spellings
from reference.slow_shapes import Profile, flattened, profile_of
from reference.slow_splice import spliced
from reference.slow_travels import Travel, rows_of, travels_of

JOBS = Path(__file__).resolve().parents[3] / "shared" / "jobs"
REAL = sorted(path.stem for path in JOBS.glob("*.gcode") if path.stem not in ("milling-program",))
FIXED = st.sampled_from(SHAPES[:5])
COLUMNS = ("reason", "retracted", "to_tool", "layer", "label", "length", "z0", "z1", "top", "speed")


def product_travels(text: bytes, begin_line: int, chunk: int = 1 << 19) -> list[tuple[object, ...]]:
    finder, found = TravelFinder(begin_line), []
    for window in MoveReader(io.BytesIO(text), chunk=chunk).windows():
        travels = finder.find(window.moves)
        columns = [[REASONS[k] for k in travels.reason], travels.retracted.astype(bool).tolist()]
        columns += [travels.to_tool.astype(bool).tolist()]
        columns += [getattr(travels, name).tolist() for name in COLUMNS[3:]]
        lines = [tuple(window.moves.line[a:b].tolist()) for a, b in zip(travels.first, travels.last, strict=True)]
        found += list(zip(*columns, lines, strict=True))
    return found


def twin_travels(text: bytes, begin_line: int) -> list[tuple[object, ...]]:
    found = travels_of(rows_of(MoveReader(io.BytesIO(text))), begin_line)
    lines = [tuple(row.line for row in travel.rows[travel.first : travel.last]) for travel in found]
    return [(*(getattr(travel, name) for name in COLUMNS), own) for travel, own in zip(found, lines, strict=True)]


def differences(one: list[tuple[object, ...]], two: list[tuple[object, ...]]) -> list[tuple[object, object]]:
    assert len(one) == len(two)
    return [(a, b) for a, b in zip(one, two, strict=True) if not all(map(alike, a, b))][:3]


def alike(a: object, b: object) -> bool:
    return a == pytest.approx(b, rel=1e-12, abs=1e-9) if isinstance(a, float) else a == b


@given(jobs(), spellings(), st.integers(0, 40), st.integers(60, 4000))
def test_travels_of_generated_jobs_are_those_of_the_twin(
    job: list[Step], how: Spelling, begin_line: int, chunk: int
) -> None:
    """Every column of every gap, wherever the job is cut into windows."""
    text = spell(job, how)
    assert differences(product_travels(text, begin_line, chunk), twin_travels(text, begin_line)) == []


STEPS = [-50, -6, -31, -3, -2, 0, 0, 1, 2, 3, 20, 20, 20, 21, 30, 60]  # hundredths of a mm from bead to bead
PULLS = ["", "", "G1 E-0.05", "G1 E-0.1", "G1 E-0.11", "G1 E-0.8", "G1 E0.1", "G1 E0.8", "G10", "G11"]
BEGINNINGS = ["G1 X10 Y10 Z0.2", "G1 X10 Y10", "G1 X10 Y10 Z0"]


@given(
    st.lists(st.tuples(st.sampled_from(STEPS), st.integers(0, 3), st.sampled_from(PULLS)), max_size=30),
    st.sampled_from(BEGINNINGS),
    st.sampled_from([40, 64, 500]),
)
def test_layers_of_any_stack_are_those_of_the_twin(
    beads: list[tuple[int, int, str]], beginning: str, chunk: int
) -> None:
    """Beads up and down, one in four at an unknown place behind a wall: the layers, and where one isn't fully known.

    What is retracted and primed between them runs on over many beads and windows.
    """
    z, lines = 20, ["M83", "G28", "G1 F6000", beginning, "G1 X20 E0.5"]
    for k, (step, fate, pull) in enumerate(beads):
        z = max(0, z + step)
        x = 30 + k % 7
        lines += ["M600", f"G1 Z{z / 100}"] if fate == 0 else [pull, f"G1 X{x} Y60 Z{z / 100}"]
        lines += [f"G1 X{x + 20} E0.5", *([f"G1 X{x} Y60 Z{z / 100}"] if fate == 0 else [])]
    text = "\n".join([*lines, ""]).encode()
    assert differences(product_travels(text, 0, chunk), twin_travels(text, 0)) == []


@pytest.mark.skipif(not REAL, reason="the collection of real jobs is not beside the repository")
@pytest.mark.parametrize("name", REAL)
def test_travels_of_real_jobs_are_those_of_the_twin(name: str) -> None:
    """The first 300 kB of each; the twin takes its time."""
    text = (JOBS / f"{name}.gcode").read_bytes()
    text = text[: text.rfind(b"\n", 0, 300_000) + 1]
    assert differences(product_travels(text, 0, 5000), twin_travels(text, 0)) == []


def terms(shape: str, height: float, z_speed: float, max_slope: float) -> LiftTerms:
    return LiftTerms(
        shape=SHAPES.index(shape), height=height, min_travel=1.0, lift_unretracted=True, first_layer=True,
        replace_own=True, own_lift_max=2.0, max_slope=max_slope, between=(-1e9, 1e9), layers=(0, 1 << 60), z_max=1e3,
        limits=limits_from({"speed_z": z_speed, "accel_z": 100.0, "travel_accel": 1500.0}),
    )  # fmt: skip


def twin_profile(travel: Travel, shape: str, rule: LiftTerms) -> Profile:
    top = min(max(travel.z0, travel.z1) + rule.height, rule.z_max)
    if shape == "flat":
        return flattened([(row.x, row.y, row.z) for row in travel.rows[travel.first - 1 : travel.last]])
    # The slope has a test of its own (unit/test_slopes.py).
    slope = least_slope(
        travel.length, top - travel.z0, top - travel.z1, travel.speed, rule.max_slope, rule.limits.vector(),
        np.zeros((N_QUEUE, SCRATCH)), np.zeros(N_STATE),
    ) if travel.speed else rule.max_slope  # fmt: skip
    return profile_of(shape, travel.length, travel.z0, travel.z1, top, slope, rule.max_slope)


@given(
    jobs(max_layers=2), spellings(), FIXED, st.sampled_from([0.1, 0.4, 1.5]), st.sampled_from([0.3, 4.0, 50.0]),
    st.sampled_from([0.01, 0.5, 3.0]), st.booleans(),
)  # fmt: skip
def test_profiles_and_bytes_of_generated_jobs_are_those_of_the_twins(
    job: list[Step], how: Spelling, shape: str, height: float, z_speed: float, max_slope: float, noted: bool
) -> None:
    """The same vertices to a nanometre; the same lines, inserted numbers to one step of their last place."""
    text = spell(job, how)
    rule = terms(shape, height, z_speed, max_slope)
    places = 4 if how.inch else 3
    finder, shapes = TravelFinder(0), FixedShapes(rule)
    splicer = Splicer(SpliceTerms(places, z_speed, shape.encode() if noted else b""))
    twins = travels_of(rows_of(MoveReader(io.BytesIO(text))), 0)
    out, number, lifted = b"", 0, []
    for window in MoveReader(io.BytesIO(text)).windows():
        travels = finder.find(window.moves)
        lifts = shapes.plan(window.moves, travels, admit(travels, rule, None))
        for k in range(len(travels)):
            a, b = int(lifts.at[k]), int(lifts.at[k + 1])
            if lifts.reason[k] == FREE and b > a:
                profile = list(zip(lifts.s[a:b].tolist(), lifts.z[a:b].tolist(), strict=True))
                twin = twin_profile(twins[number], shape, rule)
                assert len(profile) == len(twin)
                for mine, its in zip(profile, twin, strict=True):
                    assert mine == pytest.approx(its, abs=1e-6)
                lifted.append((twins[number], profile))
            number += 1
        out += bytes(splicer.apply(window, travels, lifts).text)
    lines = text.decode("latin-1").split(how.eol.decode())
    wanted = spliced(lines, lifted, places, z_speed, shape if noted else "")
    assert unlike(out.decode("latin-1").split(how.eol.decode()), wanted) == []


NUMBER = re.compile(r"(?<=[XYZF+])-?\d+\.?\d*")


def unlike(product: list[str], twin: list[str]) -> list[tuple[str, str]]:
    """Lines that differ by more than the last place of a number in it."""
    if len(product) != len(twin):
        return [("\n".join(product), "\n".join(twin))]
    return [(a, b) for a, b in zip(product, twin, strict=True) if a != b and not nearly(a, b)][:3]


def nearly(a: str, b: str) -> bool:
    if NUMBER.sub("#", a) != NUMBER.sub("#", b):
        return False
    pairs = zip(NUMBER.findall(a), NUMBER.findall(b), strict=True)
    return all(abs(float(p) - float(q)) <= 1.0001 * 10.0 ** -len(p.partition(".")[2]) for p, q in pairs)
