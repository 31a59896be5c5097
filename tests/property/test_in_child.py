"""The net beneath the long fuzz: a hang and a crash outside Python become words, and a failure keeps its example."""

import os
import re
import signal
import time

from hypothesis import given, settings
from hypothesis import strategies as st

from property.in_child import in_a_child


def test_what_spins_where_no_signal_handler_runs_is_ended() -> None:
    """An expression that takes 2^40 steps within one call."""
    assert "it hangs" in in_a_child(lambda: re.match("(a+)+$", "a" * 40 + "b"), 1)


def test_what_waits_for_ever_is_ended() -> None:
    assert "it hangs" in in_a_child(lambda: time.sleep(600), 60, by_clock_s=1)


def test_a_crash_is_told() -> None:
    assert "ended with -9" in in_a_child(lambda: os.kill(os.getpid(), signal.SIGKILL), 60)


def test_what_passes_says_nothing() -> None:
    assert in_a_child(lambda: None, 60) == ""


def test_a_failure_is_told_with_its_example() -> None:
    @settings(database=None)
    @given(st.integers(0, 10_000))
    def fails(k: int) -> None:
        assert k < 77

    words = in_a_child(fails, 60)
    assert "AssertionError" in words
    assert "k=77" in words
