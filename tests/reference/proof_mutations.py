"""Corruptions of a rewritten job, operator × place, each with the promises one of which must be named for it.

An operator gets the rewritten job's lines (without the stamp) and the number of a line that it applies to, and returns
the corrupted lines; `places` lists the lines it applies to. Operators with `harmless` make jobs that keep every promise
(the reason stands beside them): they must survive, which shows that the proof doesn't forbid what is allowed.
"""

import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from liftwright.proof import Limits
from reference.proof_pairs import stamped
from reference.slow_proof import active, gaps_of
from reference.slow_proof_reader import Line, Reader

OWN = re.compile(rb";lw [a-z]+ \+[0-9.]+")


@dataclass
class Place:
    """A line of the rewritten job in its surroundings."""

    line: Line
    role: str  # bead back forward own kept note fixed head tail
    gap: int
    following: "Place | None" = None
    edited_gap: bool = False
    last_own: bool = False  # the last line of ours in this gap that moves


Change = Callable[[Place, random.Random], bytes | None]


@dataclass(frozen=True)
class Operator:
    name: str
    roles: frozenset[str]
    promises: frozenset[int]
    change: Change
    harmless: str = ""


@dataclass(frozen=True)
class Mutant:
    operator: Operator
    text: bytes  # with a stamp
    line: int  # 1-based, in the uncorrupted rewritten job
    gap: int


def places_of(original: bytes, rewritten: bytes, limits: Limits) -> list[Place]:
    """Every line of the rewritten job with its role."""
    known = {line.whole for line in Reader(limits.g90_sets_extrusion, limits.neutral).read(original)}
    gaps = gaps_of(Reader(limits.g90_sets_extrusion, limits.neutral).read(rewritten))
    places = []
    for k, gap in enumerate(gaps):
        rows = gap[:-1] if gap and gap[-1].kind == "bead" else gap
        part = active(rows)
        owns = [
            n for n, line in enumerate(rows)
            if part.start <= n < part.stop and line.kind == "move" and line.whole not in known
        ]  # fmt: skip
        last = max((n for n in owns if {"X", "Y", "Z"} & set(rows[n].words)), default=-1)
        for n, line in enumerate(gap):
            role = "own" if n in owns else {"bead": "bead", "back": "back", "forward": "forward", "note": "note"}.get(
                line.kind, "fixed")  # fmt: skip
            if line.kind == "move" and role != "own":
                role = "kept"
            if k == 0 and role != "bead":
                role = "head"
            if k == len(gaps) - 1:
                role = "tail"
            places.append(Place(line, role, k, None, bool(owns), n == last))
    for one, two in pairwise(places):
        one.following = two
    return places


def mutants(original: bytes, rewritten: bytes, limits: Limits, seed: int, each: int) -> Iterator[Mutant]:
    """Up to `each` mutants of every operator, at places drawn with this seed."""
    places = places_of(original, rewritten, limits)
    for operator in OPERATORS:
        draw = random.Random(f"{seed} {operator.name}")
        usable = [n for n, place in enumerate(places) if place.role in operator.roles]
        draw.shuffle(usable)
        made = 0
        for n in usable:
            new = operator.change(places[n], draw)
            if new is None:
                continue
            span = 2 if operator.name.startswith("swap") or "behind" in operator.name else 1
            lines = [place.line.whole for place in places]
            lines[n : n + span] = [new]
            yield Mutant(operator, stamped(b"".join(lines)), n + 1, places[n].gap)
            made += 1
            if made == each:
                break


def stamp_mutants(rewritten: bytes) -> Iterator[tuple[str, bytes]]:
    """Corruptions of the stamp itself and of what it covers: promise 7."""
    whole = stamped(rewritten)
    digest = whole.rindex(b"sha256=") + 7
    yield "stamp lost", rewritten
    yield "stamp digit", whole[:digest] + (b"0" if whole[digest : digest + 1] != b"0" else b"1") + whole[digest + 1 :]
    yield "stamp not last", whole + b"; afterwards\n"
    yield "stamp version", whole.replace(b"stamp 1 sha256", b"stamp 9 sha256")
    yield "byte flipped before the stamp", bytes([whole[0] ^ 1]) + whole[1:]
    yield "stamp cut short", whole[:-5]


# Words of a line


def _word(text: bytes, letter: bytes) -> re.Match[bytes] | None:
    code = text.split(b";")[0]
    return re.search(rb"(?i)(?<![A-Z_])" + letter + rb"[ \t]*([+-]?[0-9]*\.?[0-9]+\.?)", code)


def _with(place: Place, letter: bytes, new: Callable[[Decimal], Decimal | bytes | None]) -> bytes | None:
    """The line with one number changed, or the word dropped where `new` gives None."""
    text = place.line.text
    match = _word(text, letter)
    if match is None:
        return None
    value = new(Decimal(match[1].decode()))
    if value is None:
        return text[: match.start()] + text[match.end() :] + place.line.end
    put = value if isinstance(value, bytes) else f"{value:f}".encode()
    return text[: match.start(1)] + put + text[match.end(1) :] + place.line.end


def _add(letter: bytes, step: str) -> Change:
    return lambda place, _: _with(place, letter, lambda value: value + Decimal(step))


def _times(letter: bytes, factor: str) -> Change:
    return lambda place, _: _with(place, letter, lambda value: value * Decimal(factor) if value else None)


def _drop(letter: bytes) -> Change:
    return lambda place, _: _with(place, letter, lambda value: None)


def _lose(place: Place, _: random.Random) -> bytes | None:
    return b""


def _twice(place: Place, _: random.Random) -> bytes | None:
    return place.line.whole * 2


def _swap(place: Place, _: random.Random) -> bytes | None:
    other = place.following
    if other is None or other.line.whole == place.line.whole or not other.line.end:
        return None
    return other.line.whole + place.line.whole


def _swap_roles(*pairs: tuple[str, str]) -> Change:
    def change(place: Place, draw: random.Random) -> bytes | None:
        other = place.following
        if other is None or (place.role, other.role) not in pairs:
            return None
        return _swap(place, draw)

    return change


def _insert(text: bytes) -> Change:
    return lambda place, _: text + (place.line.end or b"\n") + place.line.whole


def _in_edited(change: Change) -> Change:
    return lambda place, draw: change(place, draw) if place.edited_gap else None


def _in_unedited(change: Change) -> Change:
    return lambda place, draw: None if place.edited_gap else change(place, draw)


def _flip_comment(place: Place, draw: random.Random) -> bytes | None:
    at = place.line.text.find(b";") + 1
    if at <= 0 or at >= len(place.line.text):
        return None
    text = bytearray(place.line.text)
    k = draw.randrange(at, len(text))
    text[k] = text[k] ^ 1 if text[k] ^ 1 not in (10, 13) else text[k] ^ 2
    return bytes(text) + place.line.end


def _respell(place: Place, _: random.Random) -> bytes | None:
    return b" " + place.line.whole


def _other_end(place: Place, _: random.Random) -> bytes | None:
    return place.line.text + (b"\r\n" if place.line.end == b"\n" else b"\n") if place.line.end else None


def _own_z(new: Callable[[Decimal, Place], Decimal]) -> Change:
    def change(place: Place, _: random.Random) -> bytes | None:
        return _with(place, b"Z", lambda value: new(value, place)) if place.line.before.absolute else None

    return change


def _steep(place: Place, _: random.Random) -> bytes | None:
    """A climb at far too high a feed: the line's own way with a Z that is 40 mm higher at the same feed."""
    before, after = place.line.before.at, place.line.after.at
    if not place.line.before.absolute or before["Z"] == after["Z"] or place.last_own:
        return None
    return _with(place, b"Z", lambda value: value + 40)


def _aside(place: Place, _: random.Random) -> bytes | None:
    """A vertex of ours 0.01 mm beside the way."""
    before, after = place.line.before.at, place.line.after.at
    dx, dy = after["X"] - before["X"], after["Y"] - before["Y"]
    if not place.line.before.absolute or (not dx and not dy):
        return None
    letter = b"X" if abs(dy) > abs(dx) else b"Y"
    return _with(place, letter, lambda value: value + Decimal("0.01"))


def _dip(place: Place, _: random.Random) -> bytes | None:
    """Straight down by two hundredths and up again in the middle of a travel of ours."""
    if not place.line.before.absolute:
        return None
    text = b"G1 X%s Y%s Z%s" % tuple(f"{place.line.after.at[k]:f}".encode() for k in "XYZ")
    low = place.line.after.at["Z"] - 1
    dip = b"G1 X%s Y%s Z%s F60" % tuple(
        f"{v:f}".encode() for v in (place.line.after.at["X"], place.line.after.at["Y"], low)
    )
    feed = b" F%s" % f"{place.line.after.feed:f}".encode()
    return place.line.whole + dip + place.line.end + text + b" F60" + place.line.end + b"G1" + feed + place.line.end


def _detour(place: Place, _: random.Random) -> bytes | None:
    at = place.line.after.at
    if not place.line.before.absolute:
        return None
    out = b"G1 X%s Y%s Z%s" % tuple(f"{v:f}".encode() for v in (at["X"] + 1, at["Y"] + 1, at["Z"]))
    back = b"G1 X%s Y%s Z%s" % tuple(f"{at[k]:f}".encode() for k in "XYZ")
    return place.line.whole + out + place.line.end + back + place.line.end


def _exponent(place: Place, _: random.Random) -> bytes | None:
    return _with(place, b"Z", lambda value: f"{value * 10:f}e-1".encode())


def _tool(place: Place, _: random.Random) -> bytes | None:
    return b"T%d" % (int(place.line.after.tool) + 1) + (place.line.end or b"\n") + place.line.whole


def _roles(text: str) -> frozenset[str]:
    return frozenset(text.split())


def _op(name: str, roles: str, promises: str, change: Change, harmless: str = "") -> Operator:
    return Operator(name, _roles(roles), frozenset(int(digit) for digit in promises), change, harmless)


OPERATORS = [
    _op("bead 0.01 mm to the right", "bead", "1", _add(b"X", "0.01")),
    _op("bead 0.01 mm to the front", "bead", "1", _add(b"Y", "-0.01")),
    _op("bead with a hundred-thousandth more filament", "bead", "1", _add(b"E", "0.00001")),
    _op("bead with less filament", "bead", "1", _add(b"E", "-0.00001")),
    _op("bead without filament", "bead", "1", _drop(b"E")),
    _op("bead pulled instead of pushed", "bead", "1", _times(b"E", "-1")),
    _op("bead's feed lost", "bead", "13", _drop(b"F")),
    _op("bead's feed changed", "bead", "1", _times(b"F", "1.001")),
    _op("bead lost", "bead", "1", _lose),
    _op("bead twice", "bead", "13", _twice),
    _op("swap two beads", "bead", "1", _swap_roles(("bead", "bead"))),
    _op(
        "bead raised", "bead", "13", lambda place, _: place.line.text.split(b";")[0].rstrip() + b" Z77" + place.line.end
    ),
    _op("bead written otherwise", "bead", "3", _respell),
    _op(
        "bead's arc the other way round",
        "bead",
        "1",
        lambda place, _: (
            re.sub(rb"^G([23])", lambda m: b"G" + bytes([m[1][0] ^ 1]), place.line.whole)
            if place.line.text[:2] in (b"G2", b"G3")
            else None
        ),
    ),
    _op("retraction changed", "back", "2", _add(b"E", "-0.001")),
    _op("retraction lost", "back", "12", _lose),
    _op("retraction twice", "back", "123", _twice),
    _op("prime changed", "forward", "12", _add(b"E", "0.001")),
    _op("prime lost", "forward", "2", _lose),
    _op("prime twice", "forward", "123", _twice),
    _op("prime's feed changed", "forward back", "2", _times(b"F", "1.01")),
    _op(
        "swap a travel and the prime behind it", "own kept", "123", _swap_roles(("own", "forward"), ("kept", "forward"))
    ),
    _op("swap a retraction and the travel behind it", "back", "123", _swap_roles(("back", "own"), ("back", "kept"))),
    _op("command lost", "fixed", "123", _lose),
    _op("command twice", "fixed", "123", _twice),
    _op("command indented", "fixed back forward", "23", _respell),
    _op(
        "command's number changed",
        "fixed",
        "123",
        lambda place, _: (
            re.sub(rb"[0-9](?=[^0-9]*$)", lambda m: b"%d" % ((int(m[0]) + 1) % 10), place.line.text, count=1)
            + place.line.end
            if re.search(rb"[0-9]", place.line.text.split(b";")[0])
            else None
        ),
    ),
    _op(
        "swap a command and what stands behind it",
        "fixed",
        "123",
        _swap_roles(("fixed", "bead"), ("fixed", "forward"), ("fixed", "note"), ("fixed", "back")),
    ),
    _op("comment lost", "note", "3", _lose),
    _op("comment changed", "note", "3", _flip_comment),
    _op("comment twice", "note", "3", _twice),
    _op("comment of a bead changed", "bead back forward", "123", _flip_comment),
    _op("line end changed", "bead back forward fixed note own", "23", _other_end),
    _op("unknown command added", "bead own forward", "3", _insert(b"PARK_HEAD")),
    _op("pause added", "bead own forward", "3", _insert(b"M600")),
    _op("fan command added", "bead own note", "3", _insert(b"M106 S1")),
    _op("comment added", "bead", "3", _insert(b"; added")),
    _op("blank line added", "bead own fixed", "3", _insert(b"")),
    _op("relative positions before our line", "own", "123", _insert(b"G91")),
    _op("inches before our line", "own", "12345", _insert(b"G20")),
    _op("tool change added", "bead own", "13", _tool),
    _op("filament zeroed", "bead", "13", _insert(b"G92 E0")),
    _op("height set", "bead own", "1234", _insert(b"G92 Z0.11")),
    _op("move added before the print", "head", "3", _insert(b"G1 X5 Y5 Z3 F600")),
    _op("line of the head lost", "head", "1234", _lose),
    _op("line of the tail lost", "tail", "36", _lose),
    _op("line of the tail twice", "tail", "236", _twice),
    _op("move added after the print", "tail", "3", _insert(b"G1 X5 Y5 Z50 F600")),
    _op(
        "comment of ours misspelled",
        "own",
        "3",
        lambda place, _: OWN.sub(b";lift", place.line.whole) if OWN.search(place.line.text) else None,
    ),
    _op(
        "comment of ours elsewhere",
        "bead",
        "3",
        lambda place, _: place.line.text + b" ;lw triangle +0.40" + place.line.end,
    ),
    _op("vertex beside the way", "own", "5", _aside),
    _op("detour", "own", "5", _detour),
    _op("dip below both ends", "own", "4", _dip),
    _op("height beyond the machine", "own", "4", _own_z(lambda value, place: Decimal(900))),
    _op("climb too fast for Z", "own", "4", _steep),
    _op(
        "travel faster than the job's",
        "own",
        "4",
        lambda place, draw: (
            _times(b"F", "30")(place, draw)
            if any(place.line.before.at[k] != place.line.after.at[k] for k in "XY")
            else None
        ),
    ),
    _op(
        "end of a travel too high",
        "own",
        "123",
        lambda place, draw: _with(place, b"Z", lambda value: value + Decimal("0.001")) if place.last_own else None,
    ),
    _op(
        "end of a travel lost",
        "own",
        "125",
        lambda place, _: b"" if place.last_own and _word(place.line.text, b"X") else None,
    ),
    _op("axis of ours lost", "own", "123", _drop(b"Y")),
    _op("feed of ours zero", "own", "3", lambda place, _: _with(place, b"F", lambda value: Decimal(0))),
    _op("exponent in a number of ours", "own", "123", _exponent),
    _op(
        "filament in a line of ours",
        "own",
        "123",
        lambda place, _: place.line.text.split(b";")[0].rstrip() + b" E1" + place.line.end,
    ),
    _op(
        "arc instead of our line",
        "own",
        "3",
        lambda place, _: (
            place.line.text.replace(b"G1", b"G2", 1) + place.line.end if place.line.text.startswith(b"G1") else None
        ),
    ),
    _op(
        "checksum on our line",
        "own",
        "3",
        lambda place, _: place.line.text.split(b";")[0].rstrip() + b"*71" + place.line.end,
    ),
    _op(
        "restoring feed lost",
        "own",
        "12",
        lambda place, _: (
            b""
            if re.fullmatch(rb"G1 F[0-9.]+", place.line.text)
            and place.following is not None
            and not _word(place.following.line.text, b"F")
            else None
        ),
    ),
    _op("rest of the job lost", "bead", "1236", lambda place, _: None),  # made by `cut_mutants`
    _op(
        "line of ours twice",
        "own",
        "",
        lambda place, _: place.line.whole * 2 if place.line.before.absolute and b";" not in place.line.text else None,
        "the second line goes nowhere: same place, same feed",
    ),
    _op(
        "feed of ours lower",
        "own",
        "",
        lambda place, _: (
            _with(place, b"F", lambda value: value - 1) if not place.last_own and _word(place.line.text, b"X") else None
        ),
        "no promise forbids a slower travel; the job's own feed is restored behind it",
    ),
    _op(
        "height of ours lower",
        "own",
        "",
        _own_z(lambda value, place: value if place.last_own else value - Decimal("0.01")),
        "a lower lift above both ends keeps promises 1 to 7; whether it clears the terrain is promise 8",
    ),
]


def cut_mutants(original: bytes, rewritten: bytes, limits: Limits, seed: int, each: int) -> Iterator[Mutant]:
    """The rewritten job cut off behind a bead, with a right stamp."""
    places = places_of(original, rewritten, limits)
    draw = random.Random(seed)
    beads = [n for n, place in enumerate(places) if place.role == "bead"][:-1]
    operator = next(op for op in OPERATORS if op.name == "rest of the job lost")
    for n in draw.sample(beads, min(each, len(beads))):
        yield Mutant(
            operator, stamped(b"".join(place.line.whole for place in places[: n + 1])), n + 2, places[n].gap + 1
        )
