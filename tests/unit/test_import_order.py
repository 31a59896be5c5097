"""Imports point one way: the rank of every module, read from the source with `ast`.

A module may import only modules of lower rank, or of its own room as long as no circle comes of it. The core knows no
disk, clock, log, environment or random source, and never the shell around it.
"""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2] / "daemon"
PACKAGE = "liftwright"

# Rank of a room or module (without the package's name); a module that isn't named has the rank of its room.
RANKS = {
    "errors": 0,
    "compiled": 0,
    "states": 0,
    "aside": 0,
    "kernels": 1,
    "digits": 2,
    "proof": 1,  # and proof_*: the proof stands alone, it imports nothing but errors, compiled and its own parts
    "job": 2,
    "rules": 3,
    "plan": 3,
    "plan.lifts": 4,  # where rules and geometry first meet
    "stamp": 4,
    "splice": 5,
    "terms": 6,
    "labels": 6,
    "ahead": 8,
    "geometry": 7,
    "write": 7,
    "result": 7,
    "rewrite": 9,
    "comparison": 10,
}
FORBIDDEN_IN_CORE = frozenset({
    *("os", "pathlib", "time", "datetime", "random", "secrets", "logging", "structlog", "watchdog", "threading"),
    *("multiprocessing", "subprocess", "socket", "tempfile", "shutil", "asyncio", "sqlite3", "sys", "signal"),
})  # fmt: skip


def modules() -> dict[str, Path]:
    """Every module's name without the package, e.g. `job.words`."""
    paths = sorted((ROOT / PACKAGE).rglob("*.py"))
    return {".".join(path.relative_to(ROOT / PACKAGE).with_suffix("").parts): path for path in paths}


MODULES = modules()


def imports(path: Path, *, running: bool = False) -> set[str]:
    """Full dotted names of what the module imports, wherever in the file the import stands.

    running: leave out what stands under `if TYPE_CHECKING`, which no interpreter ever runs.
    """
    tree = ast.parse(path.read_text())
    if running:
        tree.body = [
            node for node in tree.body if not (isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test))
        ]
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides where it goes"
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def own_imports(path: Path, *, running: bool = False) -> set[str]:
    """The package's own modules among the imports, without the package's name."""
    found = set()
    for name in imports(path, running=running):
        if name.split(".")[0] == PACKAGE:
            parts = name.split(".")[1:]
            while parts and ".".join(parts) not in MODULES and ".".join([*parts, "__init__"]) not in MODULES:
                parts.pop()  # the last part named a thing inside the module
            found.add(".".join(parts) if ".".join(parts) in MODULES else ".".join([*parts, "__init__"]))
    return found


def rank_of(name: str) -> int | None:
    """None for the shell, which may import everything below it."""
    room = "proof" if name.startswith("proof") else name.split(".")[0]
    return RANKS.get(name, RANKS.get(room))


CORE_MODULES = sorted(name for name in MODULES if rank_of(name) is not None and not name.endswith("__init__"))


def test_the_core_is_there() -> None:
    """The table names modules that exist; a renamed one would slip through the checks below."""
    rooms = {name.split(".")[0] for name in MODULES} | set(MODULES)
    assert [name for name in RANKS if name not in rooms] == []


@pytest.mark.parametrize("name", CORE_MODULES)
def test_a_core_module_imports_only_its_own_room_or_lower_ranks(name: str) -> None:
    rank = rank_of(name)
    assert rank is not None
    for other in own_imports(MODULES[name]):
        below = rank_of(other)
        assert below is not None, f"{name} is core and imports {other} of the shell"
        assert below < rank or room_of(other) == room_of(name), f"{name} (rank {rank}) imports {other} (rank {below})"


def room_of(name: str) -> str:
    return "proof" if name.startswith("proof") else name.split(".")[0]


@pytest.mark.parametrize("name", CORE_MODULES)
def test_a_core_module_knows_no_disk_clock_log_thread_or_random_source(name: str) -> None:
    used = {module.split(".")[0] for module in imports(MODULES[name])}
    assert used & FORBIDDEN_IN_CORE == set()


def test_the_proof_shares_nothing_with_what_it_judges() -> None:
    """Its parts import each other, the names of errors and how kernels are kept, and no other module of the package."""
    parts = [name for name in MODULES if name.startswith("proof")]
    assert parts
    for name in parts:
        others = {other for other in own_imports(MODULES[name]) if not other.startswith("proof")}
        assert others <= {"errors", "compiled"}


def test_terrain_knows_no_rules_and_rules_know_no_geometry() -> None:
    """They first meet in plan.lifts."""
    for name in MODULES:
        others = {other.split(".")[0] for other in own_imports(MODULES[name])}
        if name.startswith("plan.") and name != "plan.lifts":
            assert "rules" not in others, f"{name} imports rules"
        if name.startswith("rules."):
            assert "plan" not in others, f"{name} imports plan"


def test_no_module_imports_in_a_circle() -> None:
    """A circle would make the order of import matter."""
    graph = {name: own_imports(path, running=True) for name, path in MODULES.items()}
    done: set[str] = set()

    def visit(name: str, way: list[str]) -> None:
        assert name not in way, " → ".join([*way[way.index(name) :], name])
        if name not in done:
            for other in sorted(graph[name]):
                visit(other, [*way, name])
            done.add(name)

    for name in graph:
        visit(name, [])


def test_nobody_imports_the_package_root() -> None:
    """`import liftwright` or a name out of it would tie all modules together; the root is a docstring."""
    for name, path in MODULES.items():
        assert "__init__" not in own_imports(path), f"{name} imports the package root"
    tree = ast.parse(MODULES["__init__"].read_text())
    assert all(isinstance(node, ast.Expr) for node in tree.body)
