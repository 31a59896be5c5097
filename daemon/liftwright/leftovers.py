"""What an older version left among the compiled kernels is removed: nothing would ever use or overwrite it.

In: the folder that the service manager keeps for the service alone, and where the package is installed. A kernel that
was compiled before the newest of the package's files was put there goes; what is still of use is compiled again.
"""

import os
from pathlib import Path

# systemd.exec(5), CacheDirectory=: the full path of the service's folder for what can be made again.
FOLDER = "CACHE_DIRECTORY"


def sweep(package: Path = Path(__file__).parent) -> int:
    """Remove the leftovers; returns how many files. Nothing is touched where no service manager named a folder."""
    folder = os.environ.get(FOLDER)
    if not folder:
        return 0
    installed = max(path.stat().st_ctime for path in package.rglob("*.py"))
    swept = 0
    for path in Path(folder).rglob("*.nb[ic]"):
        try:
            if path.stat().st_mtime < installed:
                path.unlink()
                swept += 1
        except FileNotFoundError:  # another worker was quicker
            continue
    return swept
