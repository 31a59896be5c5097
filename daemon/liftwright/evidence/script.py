"""The drawing library's script, which lies beside the pages. Refuses (UsageError) where the library isn't installed."""

import hashlib
from dataclasses import dataclass

from liftwright.errors import UsageError

WITHOUT = "drawing needs plotly, which is not installed here; wanted the extra `pictures`: pip install '.[pictures]'"


@dataclass(frozen=True, slots=True)
class Script:
    """The drawing library's script: a name that says version and content, and its bytes."""

    name: str
    data: bytes


def script() -> Script:
    """The script as the installed library has it; UsageError where there is none."""
    try:
        from plotly.offline import get_plotlyjs, get_plotlyjs_version  # an extra: the package must import without
    except ImportError:
        raise UsageError(WITHOUT) from None
    data = get_plotlyjs().encode("utf-8")
    return Script(f"plotly-{get_plotlyjs_version()}-{hashlib.sha256(data).hexdigest()[:12]}.js", data)
