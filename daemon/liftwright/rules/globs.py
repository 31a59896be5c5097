"""Globs: `*` any text, `?` one character, `[abc]` one of a set; compared without case, against the whole text.

Globs are no regular expressions: their work is bounded by the lengths of glob and text, so no rule can hang a job.
"""

import re
from collections.abc import Iterable
from fnmatch import fnmatchcase

_WILD = re.compile(r"[*?\[]")


def fits(glob: str, text: str) -> bool:
    """Whether the glob takes in the whole text."""
    return fnmatchcase(text.casefold(), glob.casefold())


def first_fit(globs: Iterable[str], texts: Iterable[str]) -> str | None:
    """The first glob that takes in one of the texts, or None."""
    texts = tuple(texts)
    return next((glob for glob in globs if any(fits(glob, text) for text in texts)), None)


def is_literal(glob: str) -> bool:
    """Whether it holds no wildcard and so means one text alone."""
    return not _WILD.search(glob)
