"""Strikes of the moves that leave, whatever shape made them: a wall by hand, and the terrain's own account."""

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bench.bench_rules import rule_set
from liftwright.job.facts import Fact
from liftwright.job.moves import MoveReader
from liftwright.plan.motion import NO_EDITS
from liftwright.plan.strikes import Strikes
from liftwright.plan.terrain import Curl, Ground
from liftwright.plan.travels import TravelFinder
from liftwright.plan.walk import Edits
from liftwright.rewrite import Job
from liftwright.write import Plan, write

SHARED = Path(__file__).parents[3] / "shared" / "jobs"

# A wall along Y at X 50, five layers of 0.2 mm; then a bead at Z 0.8 on either side of it, and a travel across.
WALL = ["M83", "G28", "G1 X50 Y0 Z0.2 F6000"] + [
    line for k in range(1, 6) for line in (f"G1 Z{0.2 * k:.1f}", f"G1 Y{20 * (k % 2)} E0.7 F1800")
]
ACROSS = ["G1 X10 Y10 Z0.8 F6000", "G1 X20 Y10 E0.4 F1800", "G1 X80 Y10 F9000", "G1 X90 Y10 E0.4 F1800"]


def judged(*moves: tuple[float, float, float], chunk: int = 1 << 19) -> tuple[int, int]:
    """Strikes before and after of the travel across the wall, with these moves in its place, if any."""
    ground = Ground((10.0, 90.0, 0.0, 20.0), curl=Curl(), caution=0.0)
    strikes, finder = Strikes(ground), TravelFinder(0)
    text = "\n".join([*WALL, *ACROSS, ""]).encode()
    for window in MoveReader(io.BytesIO(text), chunk=chunk).windows():
        travels = finder.find(window.moves)
        edits = NO_EDITS
        row = np.flatnonzero((window.moves.x == 80.0) & (window.moves.de == 0.0))
        if moves and len(row):
            x, y, z = np.array(moves).T
            edits = Edits(row[:1], np.array([0, len(x)]), x, y, z, 0 * x, np.full(len(x), -1, np.int32))
        strikes.add(window.moves, travels, edits)
    return strikes.before, strikes.after


def test_a_travel_through_a_wall_strikes_it():
    """The wall stands 1.0 mm, the travel goes at 0.8."""
    assert judged() == (1, 1)


@pytest.mark.parametrize("chunk", [1 << 19, 200])
@pytest.mark.parametrize(
    ("moves", "strikes"),
    [
        ([(20, 10, 1.2), (80, 10, 1.2), (80, 10, 0.8)], 0),  # square
        ([(50, 10, 1.2), (80, 10, 0.8)], 0),  # triangle
        ([(80, 10, 1.2), (80, 10, 0.8)], 0),  # sawtooth: 1.0 in the middle, where the wall stands
        ([(80, 10, 1.1), (80, 10, 0.8)], 1),  # 0.95 there
        ([(50, 10, 0.9), (80, 10, 0.8)], 1),
        ([(20, 15, 0.8), (20, 10, 0.8), (80, 10, 0.8)], 1),
        ([(50, 30, 0.8), (80, 10, 0.8)], 0),  # round the end of the wall: the judge knows nothing of promises
    ],
)
def test_what_takes_its_place_is_judged_where_it_goes(moves, strikes, chunk):
    assert judged(*moves, chunk=chunk) == (1, strikes)


class _Nowhere(io.BytesIO):
    def write(self, text: object) -> int:
        return 0


@pytest.mark.parametrize("name", ["abs-e-vertical-lift", "rel-e-lift-and-wipe", "three-tools-rel-e", "continuous-rise"])
def test_the_terrains_own_lifts_are_judged_as_the_terrain_says(name: str) -> None:
    """The strings with their rounding and splicing, against what was found while they were planned."""
    path = SHARED / f"{name}.gcode"
    if not path.exists():
        pytest.skip("the collection of real jobs is not here")
    source, given = io.BytesIO(path.read_bytes()), [Fact("printer", "bench", "the test")]
    plan = Job(source, _Nowhere(), rule_set({"shape": "terrain"}), given, {}, lambda *a: None, 1 << 19).decide()
    assert isinstance(plan, Plan)
    own, judged = (
        write(source, _Nowhere(), each, 1 << 19, lambda done: None).counts
        for each in (plan, replace(plan, judged=True))
    )
    assert own["strikes_before"] > 5
    assert {key: own[key] for key in own if key.startswith("strikes")} == {
        key: judged[key] for key in own if key.startswith("strikes")
    }
