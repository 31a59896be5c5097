"""Twenty minutes of mixed load with random kills, on the real core; with --long only."""

from pathlib import Path

import pytest

from bench.soak import Soak


@pytest.mark.long
def test_a_soak_with_random_kills_loses_nothing_and_memory_stays_flat(tmp_path: Path) -> None:
    """The soak ends with the invariant; the daemon grows less than 1 MB in ten minutes after warm-up."""
    found = Soak(tmp_path, seed=1, real=True).run(20.0)
    assert found.kills > 10
    assert found.outcomes["rewritten (rewritten)"] > 1000
    assert found.grown_mb < 1.0, found.by_minute_mb
