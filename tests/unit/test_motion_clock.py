"""The clock of one sequence: standstills, windows, queues, laws of the profile."""

import io
import math
import random
import tracemalloc

import numpy as np
import pytest

from liftwright.job.moves import MoveReader
from liftwright.plan.lane import (
    N_QUEUE,
    N_STATE,
    Q_A,
    Q_D,
    Q_FROM,
    Q_SMOOTH_A,
    Q_SMOOTH_START,
    Q_START,
    Q_T,
    Q_TO,
    Q_V,
    push_move,
    settle,
    settle_smoothed,
)
from liftwright.plan.limits import AXIS_JERK, JUNCTION_DEVIATION, MODELS, SQUARE_CORNER, limits_from
from liftwright.plan.motion import Clock
from reference.drawn_moves import drawn_job
from reference.timing import moving_seconds, reference_limits, timed

START = "G90\nM83\n"


def square(side: float, feed: int = 6000) -> str:
    return f"G1 X{side} E1 F{feed}\nG1 Y{side} E1\nG1 X0 E1\nG1 Y0 E1\n"


@pytest.mark.parametrize("stop", ["G4 P0", "T1", "PAUSE", "G10", "G1 E-1 F6000", "G28"])
def test_the_head_stands_still_at(stop: str) -> None:
    """On a straight line the stop between two halves is all that can cost time; 100 mm/s, 3000 mm/s²: 1/30 s each."""
    halves = f"G1 X50 E1 F6000\n{stop}\nG1 X100 E1\n"
    moves = [each for each in timed((START + halves).encode(), reference_limits())[1] if each > 0.3]
    assert moves == [pytest.approx(0.5 + 1.0 / 30.0)] * 2


@pytest.mark.parametrize(
    "line", ["M104 S200", "M106 S255", "M73 P10", ";note", "G92 E0", "M83", "G1 F6000", "M117 rim"]
)
def test_the_head_does_not_stop_for(line: str) -> None:
    whole = moving_seconds(START + "G1 X50 E1 F6000\nG1 X100 E1\n", reference_limits())
    assert moving_seconds(START + f"G1 X50 E1 F6000\n{line}\nG1 X100 E1\n", reference_limits()) == whole


def test_a_dwell_lasts_as_long_as_it_says() -> None:
    assert moving_seconds(START + "G4 P500\nG4 S2\n", reference_limits()) == [0.5, 2.0]


def test_firmware_retraction_takes_the_time_of_its_length() -> None:
    """3 mm at 45 mm/s back and at 8 mm/s forth, 3000 mm/s² (Marlin, Configuration_adv.h, commit 25e9ab23)."""
    limits = limits_from({}, JUNCTION_DEVIATION)
    back, forth = moving_seconds(START + "G1 X1 E1 F600\nG10\nG11\n", limits)[1:]
    assert back == pytest.approx(3.0 / 45.0 + 45.0 / 3000.0)
    assert forth == pytest.approx(3.0 / 8.0 + 8.0 / 3000.0)


def test_a_job_without_a_feed_runs_at_25_millimetres_a_second() -> None:
    """From memory: what firmwares start with."""
    assert sum(moving_seconds(START + "G1 X100 E1\n", reference_limits(accel=1e9))) == pytest.approx(4.0, rel=1e-5)


def test_moves_of_no_length_change_nothing() -> None:
    limits = reference_limits()
    assert moving_seconds(START + "G1 X50 E1 F6000\nG1 X50\nG1 X100 E1\n", limits) == moving_seconds(
        START + "G1 X50 E1 F6000\nG1 X100 E1\n", limits
    )


def test_a_limit_command_holds_from_its_place_on() -> None:
    """A halved acceleration lengthens the second of two equal moves, not the first."""
    first, second = moving_seconds(START + "G1 X50 F6000\nG4 P0\nM204 S1500\nG1 X100\n", reference_limits())
    assert (first, second) == (pytest.approx(0.5 + 1.0 / 30.0), pytest.approx(0.5 + 2.0 / 30.0))


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("cruise", [0.0, 0.5])
def test_windows_and_queues_change_no_bit(model: str, cruise: float) -> None:
    """Cut after every few hundred bytes, and with a queue of 512 moves instead of 8192, every row keeps its seconds."""
    limits = limits_from({"minimum_cruise": cruise} if model == SQUARE_CORNER else {}, model)
    job = drawn_job(random.Random(5), 3000)
    _, whole, _ = timed(job, limits)
    for queue, chunk in ((8192, 700), (512, 1 << 20), (512, 5000)):
        assert np.array_equal(timed(job, limits, queue, chunk)[1], whole)


def test_the_sum_does_not_depend_on_the_windows() -> None:
    job = drawn_job(random.Random(6), 2000)
    assert len({timed(job, reference_limits(), chunk=chunk)[0].seconds for chunk in (600, 4000, 1 << 20)}) == 1


def test_an_arc_of_any_size_is_done_at_once() -> None:
    """A circle of 10^12 mm radius: some thousand chords, not as many as it has millimetres."""
    job = START + "G1 X0 Y0 Z1 F6000\nG2 X0 Y0 I1000000000000 E1\n"
    seconds = timed(job.encode(), reference_limits())[0].seconds
    assert seconds == pytest.approx(math.tau * 1e12 / 100.0, rel=1e-3)


def test_an_endless_acceleration_stops_where_the_queue_is_full() -> None:
    """1000 moves that only accelerate with room for 64: nothing is ever final, so the head is taken to stand still."""
    job = START + "".join(f"G1 X{k / 100} F18000\n" for k in range(1, 1001))
    limits = reference_limits(accel=100.0)
    whole, short = (timed(job.encode(), limits, queue)[0].seconds for queue in (8192, 64))
    assert whole == pytest.approx(2.0 * math.sqrt(10.0 / 100.0))
    assert short > whole


def test_memory_does_not_grow_with_the_job() -> None:
    """With room for 256 moves, a job without one stop keeps after 200 windows what it kept after 100, but for the few
    hundred bytes by which the waiting moves vary."""
    clock = Clock(reference_limits(), queue=256)
    kept = []
    tracemalloc.start()
    for _ in range(200):
        for window in MoveReader(io.BytesIO((START + square(20.0) * 100).encode())).windows():
            clock.add(window.moves, window.buf)
        kept.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert max(kept[100:]) <= max(kept[:100]) + 4096


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", range(5))
def test_settled_speeds_keep_every_limit(seed: int, model: str) -> None:
    """From rest to rest, never above a corner's limit or a move's speed, never v² changing by more than 2·a·d."""
    queue, n = drawn_queue(seed, model)
    settle_smoothed(queue, n, True)
    start2, end2 = queue[Q_FROM, :n], queue[Q_TO, :n]
    assert start2[0] == end2[-1] == 0.0
    assert np.array_equal(start2[1:], end2[:-1])
    assert (start2 <= queue[Q_START, :n]).all()
    assert (start2 <= queue[Q_V, :n] ** 2 * (1 + 1e-12)).all()
    gain = 2.0 * queue[Q_A, :n] * queue[Q_D, :n]
    assert (np.abs(end2 - start2) <= gain * (1 + 1e-12) + 1e-9).all()


@pytest.mark.parametrize("seed", range(5))
def test_without_a_cruise_ratio_both_ways_of_settling_agree(seed: int) -> None:
    queue, n = drawn_queue(seed, AXIS_JERK)
    queue[Q_SMOOTH_A], queue[Q_SMOOTH_START] = queue[Q_A], queue[Q_START]
    settle(queue, n, True)
    plain = queue[Q_T, :n].copy()
    settle_smoothed(queue, n, True)
    np.testing.assert_allclose(queue[Q_T, :n], plain, rtol=1e-12)


def drawn_queue(seed: int, model: str) -> tuple[np.ndarray, int]:
    drawn = random.Random(seed)
    limits = limits_from({"minimum_cruise": 0.5} if model == SQUARE_CORNER else {}, model)
    queue, state, n = np.zeros((N_QUEUE, 300)), np.zeros(N_STATE), 300
    for k in range(n):
        step = [10.0 ** drawn.uniform(-2, 1.5) * drawn.uniform(-1, 1) for _ in range(2)]
        dz = drawn.choice([0.0, 0.0, drawn.uniform(-0.3, 0.3)])
        d = math.hypot(*step, dz)
        push_move(queue, k, state, limits.vector(), *step, dz, d, drawn.choice([0.0, 0.04 * d]), drawn.uniform(5, 300))
    return queue, n
