"""Compiled kernels on disk, bound to every source they were made from.

numba keeps compiled code by the text of the kernel's own file, and merges what the kernel imports into it: after an
upgrade of an imported file alone, the old code would go on running. Here a kernel's code also goes by the package's
modules that its file imports, directly or through others; where one of them has changed, it is compiled afresh.

In: the kernel as numba made it. Out: the same, and whether it can be kept; with a numba that keeps its code in another
way than we know, it can't.
"""

import hashlib
import pkgutil
import re
from functools import cache
from typing import Any

PACKAGE = "liftwright"
_IMPORT = re.compile(rb"^\s*(?:from\s+([\w.]+)\s+import\s+(\([^)]*\)|[^\n]*)|import\s+([\w.]+))", re.MULTILINE)


def bind_to_sources(compiled: Any, module: str) -> bool:
    """Let the code of a kernel of `module` hold for the present sources alone; False where that can't be done."""
    file = getattr(getattr(compiled, "_cache", None), "_cache_file", None)
    if not hasattr(file, "_source_stamp"):
        return False
    file._source_stamp = (file._source_stamp, digest_of(module))  # type: ignore[union-attr]
    return True


@cache
def digest_of(module: str) -> str:
    """SHA-256 in hex of the module's source and of all of the package's that it imports; "" for a foreign module."""
    found: set[str] = set()
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name not in found and _source(name) is not None:
            found.add(name)
            waiting += _imports(name)
    digest = hashlib.sha256()
    for name in sorted(found):
        digest.update(name.encode() + b"\0" + hashlib.sha256(_source(name) or b"").digest())
    return digest.hexdigest() if found else ""


@cache
def _source(name: str) -> bytes | None:
    """The text of a module of the package; None for anything else."""
    if not name.startswith(PACKAGE + "."):
        return None
    try:
        return pkgutil.get_data(PACKAGE, name.removeprefix(PACKAGE + ".").replace(".", "/") + ".py")
    except OSError:
        return None


@cache
def _imports(name: str) -> tuple[str, ...]:
    """Names that may be modules: what is imported from, and what is imported from a folder of modules."""
    found = []
    for module, names, plain in _IMPORT.findall(_source(name) or b""):
        origin = (module or plain).decode()
        found.append(origin)
        if _source(origin) is None:
            found += [f"{origin}.{word.decode()}" for word in re.findall(rb"\w+", names)]
    return tuple(found)
