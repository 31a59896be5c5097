"""Both sides of a rewrite in one pass: equal to two separate clocks, and what is counted besides seconds."""

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from liftwright.plan.cost import MOST_LAYERS, Cost, CostClock
from liftwright.plan.limits import MODELS, limits_from
from liftwright.plan.motion import NO_EDITS
from reference.drawn_moves import drawn_job
from reference.timing import reference_limits, timed
from reference.triangles import lift_all

SHARED = Path(__file__).parents[3] / "shared" / "jobs"
REAL = ["abs-e-vertical-lift", "rel-e-lift-and-wipe", "arcs-object-exclusion-crlf", "two-programs-joined"]

POT = """G90
M83
G1 X10 Y10 Z0.2 F6000
G1 X30 E1 F1800
G1 E-0.8 F2400
G1 X60 F9000
G1 E0.8 F2400
G1 X80 E1 F1800
G1 X60 Y20 F9000
G1 Z0.4 F600
G1 X40 E1 F1800
"""


def cost_of(job: str) -> Cost:
    return lift_all(job.encode(), reference_limits()).clock.cost()


@pytest.mark.parametrize("name", REAL)
def test_one_pass_equals_two_clocks_on_a_real_job(name: str) -> None:
    path = SHARED / f"{name}.gcode"
    if not path.exists():
        pytest.skip("the collection of real jobs is not here")
    job = path.read_bytes()[:400_000]
    assert_one_pass_equals_two_clocks(job[: job.rindex(b"\n") + 1], "square_corner")


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", range(6))
def test_one_pass_equals_two_clocks_on_drawn_paths(seed: int, model: str) -> None:
    assert_one_pass_equals_two_clocks(drawn_job(random.Random(seed), 1500), model)


def assert_one_pass_equals_two_clocks(job: bytes, model: str) -> None:
    """Before and after: the seconds of the job and of the rewritten text, each timed alone.

    The last digits of the text's numbers turn reversals by 1e-16, whose speed is the root of that: 1e-7 s a move.
    """
    limits = limits_from({}, model)
    lifted = lift_all(job, limits)
    cost = lifted.clock.cost()
    assert cost.before.seconds == timed(job, limits)[0].seconds
    assert cost.after.seconds == pytest.approx(timed(lifted.job, limits)[0].seconds, rel=1e-7)
    assert lifted.job != job


def test_windows_and_queues_change_no_bit_of_the_cost() -> None:
    """Summaries, travels and layers, with windows of a few hundred bytes and a short queue."""
    job = drawn_job(random.Random(9), 3000)
    whole = lift_all(job, reference_limits())
    for queue, chunk in ((8192, 700), (512, 1 << 20), (512, 5000)):
        again = lift_all(job, reference_limits(), queue, chunk)
        for side in ("before", "after"):
            # Whether a travel is retracted is found elsewhere; here it is only summed.
            ours, theirs = (replace(getattr(each.clock.cost(), side), unretracted_s=0.0) for each in (again, whole))
            assert ours == theirs
        assert np.array_equal(again.travels, whole.travels)
        for name in ("z", "before", "after"):
            assert np.array_equal(getattr(again.clock.layers(), name), getattr(whole.clock.layers(), name))


def test_the_parts_add_up_to_the_whole() -> None:
    """Travels add up to the travelling time, layers to the job but for what stands before the first bead."""
    lifted = lift_all(drawn_job(random.Random(3), 2000), reference_limits())
    cost, layers = lifted.clock.cost(), lifted.clock.layers()
    assert lifted.travels[0].sum() == pytest.approx(cost.before.travel_s)
    assert lifted.travels[1].sum() == pytest.approx(cost.after.travel_s)
    assert 0.9 * cost.before.seconds < layers.before.sum() <= cost.before.seconds + 1e-6
    assert layers.after.sum() - layers.before.sum() == pytest.approx(cost.added_s, abs=1e-6)


def test_nothing_replaced_costs_nothing() -> None:
    cost = cost_of("G90\nM83\nG1 X10 E1 F1800\nG1 X30 E1\n")
    assert cost.before == cost.after
    assert (cost.added_s, cost.added_percent, cost.added_z_reversals) == (0.0, 0.0, 0)
    assert NO_EDITS.row.size == 0


def test_z_stroke_starts_and_reversals_of_triangles() -> None:
    """Before: up to the first layer and to the second. After: the first travel up and down; the second the same, and
    its step of 0.2 mm as 0.6 mm up and 0.4 mm down. Z turns round at each peak and wherever up follows down; between
    the halves of the second travel it doesn't stop, so three starts."""
    cost = cost_of(POT)
    before, after = cost.before, cost.after
    assert (before.z_stroke_mm, before.z_starts, before.z_reversals) == (pytest.approx(0.4), 2, 0)
    assert after.z_stroke_mm == pytest.approx(0.2 + 0.8 + 0.8 + 1.0)
    assert (after.z_starts, after.z_reversals) == (3, 5)
    assert cost.added_z_reversals == 5


def test_time_in_the_air_and_unretracted() -> None:
    """Of two travels the first is retracted; before the rewrite neither rises above its ends, after it both do."""
    lifted = lift_all(POT.encode(), reference_limits())
    cost = lifted.clock.cost()
    assert cost.before.air_s == 0.0
    assert cost.after.air_s == pytest.approx(lifted.travels[1, 1:].sum())  # the way to the first bead is left alone
    assert 0.0 < cost.before.unretracted_s < cost.before.travel_s
    assert 0.0 < cost.after.unretracted_s < cost.after.travel_s


def test_a_gap_belongs_to_the_layer_below_and_a_bead_to_its_own() -> None:
    """0.2 mm: from the first bead to the one at 0.4 mm; of the last bead the time alone (20 mm at 30 mm/s)."""
    layers = lift_all(POT.encode(), reference_limits()).clock.layers()
    assert layers.z.tolist() == [0.2, 0.4]
    assert layers.before[1] == pytest.approx(20.0 / 30.0, abs=0.02)


def test_a_print_that_starts_anew_opens_a_layer_of_the_same_height() -> None:
    job = POT + "G1 Z0.6\nG1 X30 E1\nG1 X10 Z0.2\nG1 X50 E1\n"
    layers = lift_all(job.encode(), reference_limits()).clock.layers()
    assert layers.z.tolist() == [0.2, 0.4, 0.6, 0.2]


def test_layers_beyond_the_most_count_with_the_last() -> None:
    """Every bead is a new layer; time goes on being counted when no more of them are kept apart."""
    turns = "".join(f"G1 X{10 + k % 2} Z{0.05 * k + 0.2:.2f} E1\n" for k in range(MOST_LAYERS + 1000))
    clock = lift_all(b"G90\nM83\nG4 P0\nG1 X0 Y0 Z0\n" + turns.encode(), reference_limits()).clock
    layers = clock.layers()
    assert len(layers.z) == MOST_LAYERS
    assert layers.before.sum() == pytest.approx(clock.cost().before.seconds, rel=1e-4)
    assert layers.before[-1] > 100 * layers.before[10]


def test_rows_before_the_print_begins_belong_to_no_layer() -> None:
    """The print begins with the bead of line 8: what came before is in the sum, in no layer."""
    clock = lift_all(POT.encode(), reference_limits(), begin_line=8).clock
    assert clock.layers().z.tolist() == [0.2, 0.4]
    assert clock.layers().before.sum() < lift_all(POT.encode(), reference_limits()).clock.layers().before.sum()


def test_the_cost_says_which_limits_were_assumed_and_which_the_job_set() -> None:
    clock = lift_all(b"M204 S900\n" + POT.encode(), limits_from({"speed_z": 5.0, "accel_z": 100.0})).clock
    cost = clock.cost()
    assert cost.model == "square_corner"
    assert {"cornering", "speed", "square_corner"} <= set(cost.assumed)
    assert not {"speed_z", "accel_z", "accel"} & set(cost.assumed)
    assert cost.set_by_job == ("accel", "travel_accel")


def test_measures_name_both_sides() -> None:
    measures = cost_of(POT).measures()
    assert measures["added_s"] == pytest.approx(measures["seconds_after"] - measures["seconds_before"], abs=2e-6)
    assert {name for name in measures if not name.startswith("added")} == {
        f"{what}_{when}"
        for what in ("seconds", "travel_s", "air_s", "unretracted_s", "z_stroke_mm", "z_starts", "z_reversals")
        for when in ("before", "after")
    }


def test_a_gentle_slope_costs_nothing_where_a_steep_one_does() -> None:
    """A 60 mm travel at 100 mm/s, 3000 mm/s² with Z at 5 mm/s, 100 mm/s²: 0.4 mm over 30 mm is below the free slope of
    1 in 30, and its bends are too flat to slow it; over 5 mm is not (common practice has it so; worked from the
    limits of a ramp, motion/README.md)."""
    flat, gentle, steep = (
        timed(f"G90\nM83\nG1 X60 F6000\nG4 P0\n{up}\nG1 X0 Z0\n".encode(), reference_limits())[0].seconds
        for up in ("G1 X0", "G1 X30 Z0.4", "G1 X55 Z0.4")
    )
    assert gentle == pytest.approx(flat, abs=2e-3)
    assert steep > flat + 0.03


def test_an_empty_job_costs_nothing() -> None:
    clock = CostClock(reference_limits())
    assert clock.finish().seconds.shape == (2, 0)
    assert clock.cost().added_percent == 0.0
