"""What is known of a job: facts with their origins, merged strongest first.

In go the texts that may name a material, a printer or a model: given on the command line, tags in the file's name, the
inbox subfolder, comments of the job. Out come `Fact`s. Refused: nothing that stands in a job (a comment that makes no
sense is no fact); a wrong tag on the command line is a UsageError. Side files are read in `rules.side_file`.

1. `gather` takes groups of facts, the strongest first; the first group that knows a key decides it.
2. Within the comments, the plainer word wins (the order of the comment map), then the earlier line.
3. A fact that is measured from the job itself can't be set from outside.
"""

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from liftwright.errors import Problem, RulesError, UsageError

MEASURED: Mapping[str, str] = MappingProxyType(
    {
        "overhang_share": "share of the beads' length that overhangs, 0 to 1",
        "slenderness": "tallest height divided by the width of the footprint",
        "islands": "largest number of separate regions in a layer",
        "layers": "number of layers",
        "nozzle_temperature": "highest nozzle temperature asked for, in °C",
        "height_mm": "height of the highest bead, in mm",
    }
)
"""Facts measured from the job itself, and what they say; rules may use them, nobody may set them."""

NUMERIC = frozenset({"nozzle_diameter", "layer_height", *MEASURED})
"""Facts that are numbers (mm where they are lengths); every other fact is a text."""

COMMENT_KEYS: Mapping[str, str] = MappingProxyType(
    {
        "material": "material",
        "filament type": "material",
        "filament": "material",
        "printer": "printer",
        "machine": "printer",
        "model": "model",
        "part": "model",
        "nozzle diameter": "nozzle_diameter",
        "layer height": "layer_height",
    }
)
"""The trade's plain words in comments → our key, the preferred word first. Installations add their own."""

MAX_VALUE = 200  # characters; longer is no name, and it bounds what a glob has to look at
TAG_KEY = r"[a-z][a-z0-9_]{0,39}"
_KEY = re.compile(TAG_KEY)
_NUMBER = re.compile(r"\d{1,6}(\.\d{0,9})?|\.\d{1,9}")


@dataclass(frozen=True, slots=True)
class Fact:
    """One thing known of a job; `origin` says in words where it came from. Numbers are in mm, °C or plain counts."""

    key: str
    value: str | float
    origin: str

    @property
    def text(self) -> str:
        """The value as a glob sees it: numbers without superfluous zeros."""
        return self.value if isinstance(self.value, str) else f"{self.value:.9g}"


def gather(*groups: Iterable[Fact]) -> dict[str, Fact]:
    """Merge facts by key; of two with the same key the one that comes first is kept, whatever the later says."""
    facts: dict[str, Fact] = {}
    for group in groups:
        for fact in group:
            facts.setdefault(fact.key, fact)
    return facts


def tag_fact(text: str) -> Fact:
    """`KEY=VALUE` of the command line → a fact; UsageError says what is wrong with it."""
    key_text, equals, value_text = text.partition("=")
    key = canonical_key(key_text)
    if not equals or key is None:
        raise UsageError(f"tag {text[:80]!r}: found no usable key; wanted KEY=VALUE, KEY of letters, digits and '_'")
    if key in MEASURED:
        raise UsageError(f"tag {text[:80]!r}: {key} is measured from the job; it can't be given")
    value = fact_value(key, value_text)
    if value is None:
        wanted = "a number above 0" if key in NUMERIC else f"a text of 1 to {MAX_VALUE} characters"
        raise UsageError(f"tag {text[:80]!r}: found no usable value; wanted {wanted}")
    return Fact(key, value, "command line")


def comment_map(extra: Mapping[str, str]) -> dict[str, str]:
    """The installation's own words in comments → keys, before the shipped ones, so that they win where both stand.

    RulesError lists the words and keys that can't be used.
    """
    problems = [Problem("settings", f"comment_keys.{word}", found, wanted) for word, found, wanted in _unusable(extra)]
    if problems:
        raise RulesError(problems)
    own = {plain_key(word): canonical_key(key) or "" for word, key in extra.items()}
    return own | {word: key for word, key in COMMENT_KEYS.items() if plain_key(word) not in own}


def comment_key_hashes(keys: Iterable[str]) -> npt.NDArray[np.int64]:
    """Sorted hashes of comment keys for the reader's kernel: FNV-1a, 64 bit, over `plain_key`, wrapped to int64."""
    plain = {plain_key(key) for key in keys} - {""}
    return np.sort(np.array([_fnv1a(key.encode("ascii")) for key in plain], dtype=np.uint64).view(np.int64))


def comment_facts(
    comments: Iterable[tuple[str | bytes, str | bytes, int]], keys: Mapping[str, str] = COMMENT_KEYS
) -> list[Fact]:
    """(key text, value text, 1-based line) of comments → facts; unknown keys and senseless values are passed over.

    At most one fact a key: the plainest word of `keys`, then the earliest line. A value for several extruders counts
    as its first entry, and the origin says so where the entries differ.
    """
    rank: dict[str, tuple[int, str]] = {}
    for order, (word, key) in enumerate(keys.items()):
        rank.setdefault(plain_key(word), (order, key))
    found: dict[str, tuple[tuple[int, int], Fact]] = {}
    for key_text, value_text, line in comments:
        order_key = rank.get(plain_key(_decoded(key_text)))
        if order_key is None or order_key[1] in MEASURED:
            continue
        fact = _comment_fact(order_key[1], _decoded(value_text), line)
        place = (order_key[0], line)
        if fact is not None and (fact.key not in found or place < found[fact.key][0]):
            found[fact.key] = (place, fact)
    return [fact for _, fact in found.values()]


def canonical_key(text: str) -> str | None:
    """A key as a person writes it → our spelling (`Nozzle-Diameter` → nozzle_diameter), or None if it can't be one."""
    known = _KNOWN.get(plain_key(text))
    if known is not None:
        return known
    key = re.sub(r"[\s-]+", "_", text.strip().lower())
    return key if _KEY.fullmatch(key) else None


def plain_key(text: str) -> str:
    """Lower-case ASCII letters and digits alone: keys are compared without case, blanks, '_' or '-'."""
    return "".join(c for c in text.lower() if c.isascii() and c.isalnum())


def fact_value(key: str, text: str) -> str | float | None:
    """A text → the value of that key: a cleaned text, a number above 0 for numeric keys, None if it is neither."""
    if len(text) > 4 * MAX_VALUE:  # don't even clean it: comments may be as long as the job
        return None
    if key in NUMERIC:
        return _number(text)
    value = clean(text)
    return value if value and len(value) <= MAX_VALUE else None


def clean(text: str) -> str:
    """One line of visible text: composed accents, no control, format or stray surrogate characters, single blanks."""
    spaced = "".join(" " if c.isspace() else c for c in unicodedata.normalize("NFC", text))
    return " ".join("".join(c for c in spaced if unicodedata.category(c)[0] != "C").split())


def _unusable(extra: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    for word, key_text in extra.items():
        key = canonical_key(key_text)
        if not plain_key(word):
            yield word, "no ASCII letter or digit in the comment's word", "at least one"
        if key is None:
            yield word, f'"{key_text[:60]}"', "a key of lower-case letters, digits and '_', such as material"
        elif key in MEASURED:
            yield word, key, "another key: this one is measured from the job itself"


def _fnv1a(data: bytes) -> int:
    """Fowler–Noll–Vo hash 1a, 64 bit (offset basis and prime of draft-eastlake-fnv)."""
    value = 0xCBF29CE484222325
    for byte in data:
        value = (value ^ byte) * 0x100000001B3 & 0xFFFFFFFFFFFFFFFF
    return value


def _comment_fact(key: str, text: str, line: int) -> Fact | None:
    # A brace is a template that nobody filled in; such a value says nothing.
    if len(text) > 4 * MAX_VALUE or "{" in text or "}" in text:
        return None
    values = [fact_value(key, _unquoted(part)) for part in _parts(key, clean(text))]
    first = values[0]
    if first is None or (key == "material" and str(first)[0].isdigit()):
        return None  # "filament: 2.31 m" is a length, not a material
    note = "" if len(set(values)) == 1 else f", first of several that differ ({clean(text)[:60]})"
    return Fact(key, first, f"comment, line {line}{note}")


def _parts(key: str, text: str) -> list[str]:
    """The entries of a value that names one thing per extruder: `PLA;PLA`, `0.4,0.4`."""
    if key == "material":
        return [part for part in re.split("[;,]", _unquoted(text)) if part.strip()] or [""]
    if key not in NUMERIC:
        return [text]
    parts = re.split("[;,]", _unquoted(text))
    # `1,2` may be two nozzles or a decimal comma: a guess could be wrong by a factor, so it is no fact.
    doubtful = "," in text and not all("." in part for part in parts)
    return [""] if doubtful else parts


def _unquoted(text: str) -> str:
    text = text.strip()
    quoted = len(text) > 1 and text[0] == text[-1] and text[0] in "\"'" and text[0] not in text[1:-1]
    return text[1:-1].strip() if quoted else text


def _number(text: str) -> float | None:
    bare = text.strip().removesuffix("mm").strip()
    value = float(bare) if _NUMBER.fullmatch(bare) else 0.0
    return value if value > 0 else None


def _decoded(text: str | bytes) -> str:
    # Comments come in any encoding; what isn't UTF-8 is read as Latin-1, which can't fail.
    if isinstance(text, str):
        return text
    try:
        return text.decode("utf-8")
    except UnicodeDecodeError:
        return text.decode("latin-1")


_KNOWN = {plain_key(word): key for word, key in COMMENT_KEYS.items()} | {
    plain_key(key): key for key in ("material", "printer", "model", *NUMERIC)
}
