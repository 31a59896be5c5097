"""Work that may run beside the caller's: the core says what, whoever calls the core says how.

An `Aside` takes a piece of work and gives back a function that waits for its result. Pieces handed to one of them run
one after another, in order. `at_once` is the plain way: the work is done before anything else is.
"""

from collections.abc import Callable
from typing import Protocol, TypeVar

T = TypeVar("T")


class Aside(Protocol):
    """How work is done beside the caller's."""

    def __call__(self, work: Callable[[], T], /) -> Callable[[], T]:
        """Begin the work, or let it wait for its turn; the answer waits for the result, and raises what it raised."""
        ...


def at_once(work: Callable[[], T], /) -> Callable[[], T]:
    """Do it now."""
    result = work()
    return lambda: result
