"""What holds for every test: short counts unless --long is given, and nothing that a test started may outlive it."""

import inspect
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from property.in_child import in_a_child

MOST_FUZZ_S = 3600  # a thousand examples of a hostile test take minutes

settings.register_profile(
    "fast", derandomize=True, max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("full", max_examples=1000, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="full counts: hours, not minutes")


def pytest_configure(config: pytest.Config) -> None:
    settings.load_profile("full" if config.getoption("--long") else "fast")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--long"):
        return
    skip = pytest.mark.skip(reason="full counts: run with --long")
    for item in items:
        if "long" in item.keywords:
            item.add_marker(skip)


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """Under --long a hostile test runs in a child: a hang is a failure, not the end of the run."""
    if not pyfuncitem.config.getoption("--long") or pyfuncitem.get_closest_marker("hostile") is None:
        return None
    arguments = {name: pyfuncitem.funcargs[name] for name in inspect.signature(pyfuncitem.obj).parameters}
    words = in_a_child(lambda: pyfuncitem.obj(**arguments), MOST_FUZZ_S)
    if words:
        pytest.fail(words, pytrace=False)
    return True


@pytest.fixture(scope="session")
def long(request: pytest.FixtureRequest) -> bool:
    """Whether full counts were asked for."""
    return bool(request.config.getoption("--long"))


@pytest.fixture(autouse=True)
def _no_leaks() -> Iterator[None]:
    """A test leaves no thread and no child process behind."""
    threads, children = set(threading.enumerate()), _children()
    yield
    left = [thread.name for thread in threading.enumerate() if thread not in threads and not thread.daemon]
    assert not left, f"threads left behind: {left}"
    assert not _children() - children, f"child processes left behind: {_children() - children}"


def _children() -> set[int]:
    """Processes of this one, the ended ones that nobody waited for included; None has two names at once."""
    found: set[int] = set()
    for task in Path(f"/proc/{os.getpid()}/task").iterdir():
        found.update(int(pid) for pid in (task / "children").read_text().split())
    return found
