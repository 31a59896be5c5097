"""What a bare word of a YAML file means: a text, a number, true or false, or a trap.

Readers of YAML 1.1 and 1.2 disagree about many bare words: `no` is false to one and a text to the other, `017` is 15 or
17, `1:30` is 90 or a text, `1e3` is a text or 1000. A rule set must not depend on that, so every word that is read in
two ways is refused, and so is what is a number to neither but looks like one to people.

Numbers are plain decimals: an optional sign, digits without a leading zero, at most one point. `true` and `false` may
be written True or TRUE, as YAML 1.2's core schema has it.
"""

import re
from dataclasses import dataclass

_INTEGER = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_DECIMAL = re.compile(r"[-+]?(0|[1-9][0-9]*)\.[0-9]*|\.[0-9]+")
_TRUE, _FALSE, _EMPTY = ({"true", "True", "TRUE"}, {"false", "False", "FALSE"}, {"", "~", "null", "Null", "NULL"})
MAX_DIGITS = 20
MAX_WORD = 200  # longer is a text in any case, and some patterns take time by its square

_QUOTES = 'quotes around it if it is a text ("{word}")'
_TRAPS = (
    (r"(?i)y|yes|n|no|on|off", "a word that some YAML readers take for true or false", f"true or false, or {_QUOTES}"),
    (r"[-+]?[0-9][0-9_]*(:[0-5]?[0-9])+(\.[0-9_]*)?", "a number to base 60 for some YAML readers", _QUOTES),
    (r"[-+]?0[0-9][0-9_]*", "a number with a leading zero, octal for some YAML readers", f"17 for 017, or {_QUOTES}"),
    (r"[-+]?0[xXoObB][0-9a-fA-F_]+", "a number that isn't decimal", f"a decimal number, or {_QUOTES}"),
    (
        r"[-+]?[0-9.][0-9._]*_[0-9._]*([eE][-+]?[0-9]*)?",
        "a number with underscores",
        f"digits alone (1000), or {_QUOTES}",
    ),
    (
        r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)[eE][-+]?[0-9]+",
        "a number with an exponent, a text for some YAML readers",
        f"all digits written out (1000, 0.001), or {_QUOTES}",
    ),
    (r"(?i)[-+]?\.?(inf|infinity)|\.?nan", "no finite number", f"a number, or {_QUOTES}"),
    (r"[-+]?0[0-9]+\.[0-9]*|[-+]\.[0-9]+", "a number in a form that YAML readers disagree about", "one such as 0.5"),
    (r"[-+]?[0-9]+,[0-9]+", "a number with a comma, a text for YAML", f"a point (1.5), or {_QUOTES}"),
    (r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt ].*)?", "a date for some YAML readers", _QUOTES),
    (r"=|<<", "a word with a special meaning in YAML", _QUOTES),
)
_TRAP_PATTERNS = tuple((re.compile(pattern), found, wanted) for pattern, found, wanted in _TRAPS)


@dataclass(frozen=True, slots=True)
class Trap:
    """A bare word that is refused: what it is, and what to write in its place."""

    found: str
    wanted: str


def bare_word(word: str) -> str | int | float | bool | Trap | None:
    """The value of a plain (unquoted) scalar; None for an empty one. Texts are not checked any further here."""
    if len(word) > MAX_WORD:
        return word
    if word in _EMPTY:
        return None
    if word in _TRUE or word in _FALSE:
        return word in _TRUE
    is_integer = _INTEGER.fullmatch(word) is not None
    if is_integer or _DECIMAL.fullmatch(word):
        if len(word) > MAX_DIGITS:
            return Trap(f"a number of {len(word)} characters", f"at most {MAX_DIGITS} characters, or quotes around it")
        return int(word) if is_integer else float(word)
    for pattern, found, wanted in _TRAP_PATTERNS:
        if pattern.fullmatch(word):
            return Trap(f"{word}, {found}", wanted.format(word=word))
    return word
