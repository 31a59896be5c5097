"""A farm for each end-to-end test; its daemon is ended with the test, by its own process id."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from end_to_end.farm import Farm


@pytest.fixture
def make_farm(tmp_path: Path) -> Iterator[Callable[..., Farm]]:
    farms: list[Farm] = []

    def make(**settings: object) -> Farm:
        farms.append(Farm(tmp_path / f"farm-{len(farms)}", **settings))
        return farms[-1]

    yield make
    for farm in farms:
        farm.kill()


@pytest.fixture
def farm(make_farm: Callable[..., Farm]) -> Farm:
    return make_farm()
