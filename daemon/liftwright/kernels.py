"""The two decorators of all kernels, and how to index without a sign check.

`kernel`: compiled once, kept on disk (compiled.py), runs without Python's lock, and counts no references to its arrays:
with the counting, handing arrays from one kernel to the next cost more than reading a line (190 ns against 45 ns a
line). A kernel therefore allocates no arrays: it fills those it is given. `inlined`: the same, merged into its caller:
an array is handed on as seven words, and twenty of them cost as much as laying a cell of a bead.

numba lets an index be negative and checks every one; an index that can't be is cast with `np.uint64` in the loops that
run for every byte.
"""

from collections.abc import Callable
from typing import Any, TypeVar

from numba import njit

from liftwright.compiled import bind_to_sources

F = TypeVar("F", bound=Callable[..., Any])
# `_nrt` switches numba's reference counting off; its stubs don't know the option.
OPTIONS: dict[str, Any] = {"nogil": True, "_nrt": False}


def kernel(function: F) -> F:
    """Compile `function`; plain arrays and numbers in, nothing allocated inside."""
    return _compiled(function, OPTIONS)


def inlined(function: F) -> F:
    """A small kernel whose body is merged into the kernel that calls it."""
    return _compiled(function, {**OPTIONS, "inline": "always"})


def _compiled(function: F, options: dict[str, Any]) -> F:
    compiled: F = njit(cache=True, **options)(function)
    if not bind_to_sources(compiled, function.__module__):
        compiled = njit(**options)(function)
    return compiled
