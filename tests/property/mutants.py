"""Mutation of the planner: small changes to one module at a time, and which of them the tests don't notice.

    python tests/property/mutants.py plan/lifts.py 40 tests/unit/test_lifts.py tests/reference/test_plan_twins.py

prints every survivor of 40 mutants drawn with a fixed seed. The kernels of the module run as plain Python, so that a
mutant needs no compiling, and so do those of the modules that call them from kernels of their own (CALLERS). Each
mutant lives in a forked child that imports the changed module and runs the tests up to the first failure.
"""

import ast
import importlib.abc
import importlib.util
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import hypothesis.strategies  # noqa: F401  (loaded once, before the children)
import numpy  # noqa: F401
import pydantic  # noqa: F401
import pytest
import scipy  # noqa: F401
import shapely  # noqa: F401
from hypothesis import Phase, settings

from liftwright import kernels

ROOT = Path(__file__).resolve().parents[2]
CALLERS = {"plan/shapes.py": ("plan/lifts.py",), "job/motions.py": ("job/reading.py",)}
SEED = 7
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd, ast.And: ast.Or, ast.Or: ast.And,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum"}
QUIET = ("-W", "ignore::RuntimeWarning", "-W", "ignore::pytest.PytestAssertRewriteWarning")


def places(tree: ast.AST) -> list[ast.AST]:
    """The nodes within functions that can be changed."""
    return [node for function in tree.body if not isinstance(function, ast.Import | ast.ImportFrom)
            for node in walk(function) if change(node, dry=True)]  # type: ignore[attr-defined] # fmt: skip


def walk(node: ast.AST) -> Iterator[ast.AST]:
    """Like ast.walk, but without annotations and decorators."""
    yield node
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from walk(child)


def change(node: ast.AST, dry: bool = False) -> bool:
    """Change the node in place; False where nothing can be changed. `dry` only asks."""
    if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        node.ops[0] = node.ops[0] if dry else SWAPS[type(node.ops[0])]()  # type: ignore[call-overload]
    elif isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp) and type(node.op) in SWAPS:
        node.op = node.op if dry else SWAPS[type(node.op)]()  # type: ignore[assignment]
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float, bool):
        changed = not node.value if node.value is True or node.value is False else bigger(node.value)
        node.value = node.value if dry else changed
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in NAMES:
        node.func.id = node.func.id if dry else NAMES[node.func.id]
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in NAMES:
        node.func.attr = node.func.attr if dry else NAMES[node.func.attr]
    elif isinstance(node, ast.If | ast.IfExp):
        node.test = node.test if dry else ast.UnaryOp(ast.Not(), node.test)
    else:
        return False
    return True


def bigger(value: float) -> float:
    return value + 1 if isinstance(value, int) else value * 2 or 1.0


class Unshrunk:
    """That a mutant is noticed is all that is asked; the smallest example of it would take minutes."""

    def pytest_sessionstart(self) -> None:
        settings.register_profile("unshrunk", phases=(Phase.explicit, Phase.generate))
        settings.load_profile("unshrunk")


class Mutated(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives `tree` to whoever imports the module."""

    def __init__(self, path: Path, name: str) -> None:
        self.path, self.name, self.tree = path, name, ast.parse(path.read_text())

    def find_spec(self, name: str, path: object = None, target: object = None):  # type: ignore[no-untyped-def]
        return importlib.util.spec_from_loader(name, self, origin=str(self.path)) if name == self.name else None

    def create_module(self, spec: object) -> None:
        """The usual one."""

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = str(self.path)
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


def passes(tests: list[str], limit: float) -> bool:
    """Whether the tests pass in a child of this process within so many seconds."""
    child = os.fork()
    if child == 0:
        os.setpgrp()
        with tempfile.TemporaryFile() as said:
            os.dup2(said.fileno(), 1)
            os.dup2(said.fileno(), 2)
            os._exit(int(pytest.main(["-q", "-x", *QUIET, *tests], plugins=[Unshrunk()])))
    end = time.monotonic() + limit
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status == 0
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return False


def main(file: str, count: int, tests: list[str]) -> None:
    os.chdir(ROOT)
    plain = {"liftwright." + name.removesuffix(".py").replace("/", ".") for name in (file, *CALLERS.get(file, ()))}
    for name in ("kernel", "inlined"):
        real = getattr(kernels, name)
        setattr(kernels, name, lambda f, real=real: f if f.__module__ in plain else real(f))
    path = ROOT / "daemon" / "liftwright" / file
    finder = Mutated(path, "liftwright." + file.removesuffix(".py").replace("/", "."))
    sys.meta_path.insert(0, finder)
    begin = time.monotonic()
    if not passes(tests, 3600):
        raise SystemExit("the tests fail without any change")
    limit = 30 + 4 * (time.monotonic() - begin)
    total = len(places(finder.tree))
    drawn = sorted(random.Random(SEED).sample(range(total), min(count, total)))
    survivors = 0
    for k in drawn:
        finder.tree = ast.parse(path.read_text())
        node = places(finder.tree)[k]
        before = ast.unparse(node).splitlines()[0]
        change(node)
        ast.fix_missing_locations(finder.tree)
        if passes(tests, limit):
            survivors += 1
            after = ast.unparse(node).splitlines()[0]
            print(f"{file}:{node.lineno}: survived: {before} -> {after}", flush=True)  # type: ignore[attr-defined]
    print(f"{file}: {len(drawn) - survivors} of {len(drawn)} mutants noticed, of {total} that can be made")


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), sys.argv[3:])
