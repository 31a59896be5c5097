"""Work beside other work: its results, its order and its errors; the bytes of a rewrite don't depend on it."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable

import pytest

from liftwright.aside import at_once
from liftwright.rewrite import rewrite
from liftwright.threads import second_thread
from unit.small_jobs import BEFORE, GIVEN, rules


@pytest.fixture
def two_processors(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second thread is asked for whatever machine this is."""
    monkeypatch.setattr("os.sched_getaffinity", lambda pid: {0, 1})


def test_a_piece_of_work_is_done_once_and_its_result_kept() -> None:
    done: list[int] = []
    wait = at_once(lambda: done.append(1) or len(done))
    assert (wait(), wait(), done) == (1, 1, [1])


def test_pieces_run_in_a_thread_of_their_own_one_after_another(two_processors: None) -> None:
    order: list[tuple[int, int]] = []

    def piece(number: int) -> Callable[[], int]:
        return lambda: order.append((number, threading.get_ident())) or number

    with second_thread() as aside:
        waits = [aside(piece(number)) for number in range(50)]
        assert [wait() for wait in waits] == list(range(50))
    assert [number for number, _ in order] == list(range(50))
    assert {thread for _, thread in order} != {threading.get_ident()}
    assert len({thread for _, thread in order}) == 1


def test_waiting_raises_what_the_work_raised(two_processors: None) -> None:
    def fail() -> None:
        raise ValueError("no")

    with second_thread() as aside:
        wait = aside(fail)
        with pytest.raises(ValueError, match="no"):
            wait()


def test_one_processor_gets_no_second_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("os.sched_getaffinity", lambda pid: {0})
    with second_thread() as aside:
        assert aside(threading.get_ident)() == threading.get_ident()


def towers() -> bytes:
    """Two towers that lean apart, forty layers of them: terrain finds strikes from one to the other."""
    lines = list(BEFORE)
    for layer in range(1, 41):
        z = f"Z{0.2 * layer + 0.2:.2f}"
        for x, lean in ((40.0, -0.3), (60.0, 0.3)):
            at = x + lean * layer
            corners = [(at, 50.0), (at + 6, 50.0), (at + 6, 56.0), (at, 56.0), (at, 50.0)]
            lines += ["G1 E-1 F1800", f"G1 X{at:.3f} Y50 {z} F9000", "G1 E1 F1800"]
            lines += [f"G1 X{cx:.3f} Y{cy:.3f} E0.2 F1200" for cx, cy in corners[1:]]
    return "\n".join([*lines, "M104 S0", ""]).encode()


@pytest.mark.parametrize("shape", ["terrain", "trapezoid"])
def test_a_rewrite_with_a_second_thread_gives_the_same_bytes(shape: str, two_processors: None) -> None:
    """Cut into many windows, so that there is always one being planned and one being written."""
    job, ruleset = towers(), rules(shape=shape)
    alone, beside = io.BytesIO(), io.BytesIO()
    first = rewrite(io.BytesIO(job), alone, ruleset, GIVEN, chunk=1 << 10)
    with second_thread() as aside:
        second = rewrite(io.BytesIO(job), beside, ruleset, GIVEN, chunk=1 << 10, aside=aside)
    assert first.outcome == second.outcome == "rewritten"
    assert first.counts == second.counts
    assert alone.getvalue() == beside.getvalue()
