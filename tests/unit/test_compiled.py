"""Kernels on disk: a change to an imported file is noticed, in every way of keeping them; what is unchanged is kept."""

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

from liftwright import compiled
from liftwright.compiled import digest_of
from liftwright.leftovers import FOLDER, sweep

PACKAGE = Path(__file__).parents[2] / "daemon" / "liftwright"
INNER = "from liftwright.{decorators} import kernel\nSTEP = {step}\n@kernel\ndef inner(x):\n    return x + {more}\n"
OUTER = (
    "from liftwright.{decorators} import kernel\nfrom liftwright.inner import (\n    STEP,\n    inner,\n)\n"
    "@kernel\ndef outer(x):\n    return STEP * inner(x)\n"
)
ASK = "from liftwright.outer import outer; print(outer(1), sum(outer.stats.cache_hits.values()))"


def write(folder: Path, decorators: str, step: int = 1, more: int = 1) -> None:
    """A package with the real decorators and two kernels; the outer uses a number and a kernel of the inner."""
    package = folder / "liftwright"
    package.mkdir(exist_ok=True)
    (package / "__init__.py").touch()
    for name in ("compiled", decorators):
        (package / f"{name}.py").write_bytes((PACKAGE / f"{name}.py").read_bytes())
    (package / "inner.py").write_text(INNER.format(decorators=decorators, step=step, more=more))
    (package / "outer.py").write_text(OUTER.format(decorators=decorators))


def run(folder: Path, cache: Path | None) -> tuple[int, int]:
    """What the outer kernel answers in a process of its own, and how often it came from the disk."""
    room = {"NUMBA_CACHE_DIR": str(cache)} if cache else {}
    known = {name: value for name, value in os.environ.items() if name not in ("NUMBA_CACHE_DIR", "PYTHONPATH")}
    done = subprocess.run(
        [sys.executable, "-c", ASK], env={**known, **room, "PYTHONPATH": str(folder)}, check=True, capture_output=True,
        text=True,
    )  # fmt: skip
    answer, hits = (int(word) for word in done.stdout.split())
    return answer, hits


@pytest.mark.parametrize(("decorators", "apart"), [("kernels", False), ("proof_words", True)])
def test_a_change_to_an_imported_kernel_or_number_is_obeyed(tmp_path: Path, decorators: str, apart: bool) -> None:
    """Kept beside the source, as a plain install does, and in a folder of its own, as the service does."""
    cache = tmp_path / "cache" if apart else None
    write(tmp_path, decorators)
    assert run(tmp_path, cache) == (2, 0)
    assert run(tmp_path, cache) == (2, 1)
    write(tmp_path, decorators, more=5)
    assert run(tmp_path, cache) == (6, 0)
    write(tmp_path, decorators, step=10, more=5)
    assert run(tmp_path, cache) == (60, 0)
    assert run(tmp_path, cache) == (60, 1)


def test_every_module_of_kernels_goes_by_all_that_it_imports() -> None:
    """The walk through the imports finds what Python's own parser finds."""
    for path in PACKAGE.rglob("*.py"):
        name = ".".join(("liftwright", *path.relative_to(PACKAGE).with_suffix("").parts))
        wanted = set()
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("liftwright"):
                inside = {f"{node.module}.{alias.name}" for alias in node.names}
                wanted |= {node.module} | {one for one in inside if compiled._source(one) is not None}
            elif isinstance(node, ast.Import):
                wanted |= {alias.name for alias in node.names if alias.name.startswith("liftwright")}
        assert wanted <= set(compiled._imports(name)), name


def test_a_module_of_somebody_else_has_no_digest() -> None:
    assert digest_of("numpy.linalg") == digest_of("unit.test_compiled") == ""
    assert len(digest_of("liftwright.plan.walk")) == 64


def test_what_an_older_version_left_goes_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    package, room = tmp_path / "liftwright", tmp_path / "cache" / "plan_1"
    package.mkdir()
    room.mkdir(parents=True)
    (package / "walk.py").touch()
    old, new, other = (room / name for name in ("walk-1.nbi", "walk-2.nbc", "walk.txt"))
    for path in (old, new, other):
        path.touch()
    for path in (old, other):
        os.utime(path, (1e9, 1e9))
    os.utime(new, (4e9, 4e9))
    monkeypatch.delenv(FOLDER, raising=False)
    assert sweep(package) == 0
    monkeypatch.setenv(FOLDER, str(tmp_path / "cache"))
    assert sweep(package) == 1
    assert sorted(room.iterdir()) == [new, other]
