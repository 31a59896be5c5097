"""The slow, obvious twin of liftwright.proof: whole files in memory, exact decimals, alignment by trying everything.

`prove_slowly` returns the promises that are broken, gap by gap. Lines are matched by a search over all ways to tell
kept, edited and own lines apart, where the kernels take the first that fits.
"""

import hashlib
import math
import re
from decimal import Decimal, localcontext
from functools import cache
from itertools import pairwise

from liftwright.proof import Limits
from reference.slow_proof_reader import ZERO, Line, Machine, Reader

TOLERANCE = 0.002
OWN_COMMENT = re.compile(rb";lw [a-z]+ \+[0-9]+\.[0-9]{2}")
STAMP = re.compile(rb"(?:\A|(?<=[\r\n]));liftwright stamp 1 sha256=([0-9a-f]{64})(?:\r\n|\n|\r)\Z")


def prove_slowly(original: bytes, rewritten: bytes, limits: Limits) -> set[int]:
    """The numbers of the promises that `rewritten` breaks."""
    with localcontext() as context:
        context.prec = 80
        return _prove(original, rewritten, limits)


def _prove(original: bytes, rewritten: bytes, limits: Limits) -> set[int]:
    broken: set[int] = set()
    stamp = STAMP.search(rewritten)
    body = rewritten[: stamp.start()] if stamp else rewritten
    if not stamp or stamp[1] != hashlib.sha256(body).hexdigest().encode():
        broken.add(7)
    ours = Reader(limits.g90_sets_extrusion, limits.neutral).read(original)
    theirs = Reader(limits.g90_sets_extrusion, limits.neutral).read(body)
    _lend_line_end(ours, theirs)
    gaps_a, gaps_b = gaps_of(ours), gaps_of(theirs)
    begin = print_begins(gaps_a)
    for k in range(max(len(gaps_a), len(gaps_b))):
        a = gaps_a[k] if k < len(gaps_a) else []
        b = gaps_b[k] if k < len(gaps_b) else []
        broken |= _gap(a, b, k, begin, limits)
    if ours and theirs and ours[-1].after != theirs[-1].after:
        broken.add(6)
    return broken


def _lend_line_end(ours: list[Line], theirs: list[Line]) -> None:
    """The job's last line may have had no line end; the one it was given isn't compared."""
    if ours and not ours[-1].end and theirs and theirs[-1].text == ours[-1].text:
        theirs[-1].end = b""


def gaps_of(lines: list[Line]) -> list[list[Line]]:
    """Lines up to and with each bead; the last gap has none."""
    gaps: list[list[Line]] = [[]]
    for line in lines:
        gaps[-1].append(line)
        if line.kind == "bead":
            gaps.append([])
    return gaps


def print_begins(gaps: list[list[Line]]) -> int:
    """Number of the gap before the first bead after which nothing unknown follows within its layer."""
    beads = [gap[-1].after.at["Z"] for gap in gaps if gap and gap[-1].kind == "bead"]
    for k, z in enumerate(beads):
        layer = k + 1
        while layer < len(beads) and beads[layer] == z:
            layer += 1
        if not any(line.unknown for gap in gaps[k + 1 : layer] for line in gap):
            return k
    return len(beads)


def _gap(a: list[Line], b: list[Line], k: int, begin: int, limits: Limits) -> set[int]:
    broken: set[int] = set()
    bead_a = a[-1] if a and a[-1].kind == "bead" else None
    bead_b = b[-1] if b and b[-1].kind == "bead" else None
    if (bead_a is None) != (bead_b is None):
        broken.add(1)
    elif bead_a and bead_b:
        if _bead(bead_a) != _bead(bead_b):
            broken.add(1)
        elif bead_a.whole != bead_b.whole:
            broken.add(3)
    rows_a, rows_b = a[:-1] if bead_a else a, b[:-1] if bead_b else b
    if [line.whole for line in rows_a] == [line.whole for line in rows_b]:
        return broken
    broken |= _lines(rows_a, rows_b)
    start = a[0].before if a else Machine()
    if bead_a is None or k <= begin or untouchable(rows_a, bead_a, start, limits):
        broken.add(3)
    if bead_a is not None:
        first_a, first_b = active(rows_a), active(rows_b)
        same, fast = _way(rows_a[first_a], rows_b[first_b], start_of(a, first_a))
        if not same:
            broken.add(5)
        percent = max(start.percent, bead_a.after.percent)
        if fast or _beyond(rows_a[first_a], rows_b[first_b], start_of(a, first_a), percent, limits):
            broken.add(4)
    return broken


def start_of(gap: list[Line], part: slice) -> Machine:
    """The machine before the active part."""
    if part.start < len(gap):
        return gap[part.start].before
    return gap[-1].after if gap else Machine()


def _bead(line: Line) -> tuple[object, ...]:
    code = line.code if line.code is not None and line.code > 1 else 1
    arc = tuple(line.words.get(k, ZERO) for k in "IJRP") if code != 1 else ()
    before = tuple(line.before.at[k] for k in "XYZ")
    after = tuple(line.after.at[k] for k in "XYZE")
    return code, arc, before, after, line.pushed, line.after.feed, line.after.tool


def active(rows: list[Line]) -> slice:
    """After the last E backward, up to the first E forward behind it; all before the first change of the tool."""
    rows = rows[: change_of(rows)]
    first = max((k + 1 for k, line in enumerate(rows) if line.kind == "back"), default=0)
    last = next((k for k in range(first, len(rows)) if rows[k].kind == "forward"), len(rows))
    return slice(first, last)


def change_of(rows: list[Line]) -> int:
    """The first line that changes the tool."""
    return next((k for k, line in enumerate(rows) if line.changes), len(rows))


def untouchable(rows: list[Line], bead: Line, start: Machine, limits: Limits) -> bool:
    change = change_of(rows)
    for line in rows[:change] if change < len(rows) else [*rows, bead]:
        if line.kind in ("wall", "dwell") or line.numbered or line.unsure:
            return True
    if not frozenset("XYZM") <= start.known or start.frame:
        return True
    latched = start.latched or any(line.code == 10 and line.kind == "back" for line in rows[:change])
    if start.firmware_lift and latched:
        return True
    part = active(rows)
    moves = rows[part]
    if not any(_moves_xy(line) for line in moves):
        return True
    heights = [start_of([*rows, bead], part).at["Z"], *(line.after.at["Z"] for line in moves)]
    low, high = min(heights[0], heights[-1]), max(heights[0], heights[-1])
    if min(heights) < low:
        return True
    if limits.own_lift_max_mm is not None and max(heights) - high > Decimal(str(limits.own_lift_max_mm)):
        return True
    steps = [b > a for a, b in pairwise(heights) if a != b]
    turns = [up for k, up in enumerate(steps) if k == 0 or steps[k - 1] != up]
    return sum(1 for up in turns[1:] if not up) > 1


def _moves_xy(line: Line) -> bool:
    if line.kind != "move":
        return False
    arc = line.code is not None and line.code >= 2
    unknown = any(axis in line.words and axis not in line.before.known for axis in "XY")
    return arc or unknown or any(line.before.at[axis] != line.after.at[axis] for axis in "XY")


# Lines


def _lines(rows_a: list[Line], rows_b: list[Line]) -> set[int]:
    """Promises 2 and 3 for the lines of one gap: the E lines by themselves, and all lines by search."""
    broken: set[int] = set()
    e_a = [line for line in rows_a if line.kind in ("back", "forward")]
    e_b = [line for line in rows_b if line.kind in ("back", "forward")]
    if [_e_line(line) for line in e_a] != [_e_line(line) for line in e_b]:
        broken.add(2)
    if not _aligned(rows_a, rows_b):
        broken.add(3)
    return broken


def _e_line(line: Line) -> tuple[object, ...]:
    before, after = (tuple(machine.at[k] for k in "XYZE") for machine in (line.before, line.after))
    return line.whole, before, after, line.pushed, line.after.feed, line.after.tool


def _aligned(rows_a: list[Line], rows_b: list[Line]) -> bool:
    """Whether some way of telling own, kept and fixed lines apart explains the rewritten rows."""
    part_a, part_b = active(rows_a), active(rows_b)
    ends = {line.end for line in rows_a if line.kind == "move"}

    def edited(k: int) -> bool:
        return part_a.start <= k < part_a.stop and rows_a[k].kind == "move"

    @cache
    def fits(i: int, piece: int, j: int) -> bool:
        """Original rows from `i` on, `piece` comments of row `i` taken, explain rewritten rows from `j` on."""
        if i == len(rows_a) and j == len(rows_b):
            return True
        if i < len(rows_a) and edited(i) and _may_end(rows_a[i].comments[piece:]) and fits(i + 1, 0, j):
            return True
        if j == len(rows_b):
            return False
        b = rows_b[j]
        movable = part_b.start <= j < part_b.stop and b.kind == "move"
        same = i < len(rows_a) and piece == 0 and b.whole == rows_a[i].whole and edited(i) == movable
        if same and (movable or _same_place(rows_a[i], b)) and fits(i + 1, 0, j + 1):
            return True
        if movable and _own_form(b) and b.end in ends and fits(i, piece, j + 1):
            return True
        if i < len(rows_a) and edited(i) and b.kind == "note" and b.end in ends:
            return any(fits(*to, j + 1) for to in _taken(rows_a, i, piece, b.text, edited))
        return False

    first = 0  # what stands before the first move leaves no choice; taking it here keeps the search shallow
    for a, b in zip(rows_a, rows_b, strict=False):
        if a.kind == "move" or a.whole != b.whole:
            break
        if not _same_place(a, b):
            return False
        first += 1
    return fits(first, 0, first)


def _may_end(comments: list[bytes]) -> bool:
    return all(OWN_COMMENT.fullmatch(comment) for comment in comments)


def _taken(rows: list[Line], i: int, piece: int, text: bytes, edited: object) -> list[tuple[int, int]]:
    """Where the comments may have been taken up to, if `text` is made of comments of edited rows from here on."""
    found: list[tuple[int, int]] = []

    def go(row: int, taken: int, rest: bytes) -> None:
        if not rest:
            found.append((row, taken))
            return
        if row >= len(rows) or not edited(row):  # type: ignore[operator]
            return
        comments = rows[row].comments
        if taken < len(comments):
            if rest.startswith(comments[taken]):
                go(row, taken + 1, rest[len(comments[taken]) :].lstrip(b" \t"))
            if OWN_COMMENT.fullmatch(comments[taken]):
                go(row, taken + 1, rest)
        else:
            go(row + 1, 0, rest)

    if text[:1] in (b";", b"("):
        go(i, piece, text)
    return found


def _own_form(line: Line) -> bool:
    code, words = line.code, set(line.words)
    if not _may_end(line.comments) or line.numbered or line.unsure or (b"(" in line.text):
        return False
    if code is not None and code >= 2:
        return "Z" in words and "E" not in words
    if "F" in words and line.after.feed <= 0:
        return False
    if words == {"F"}:
        return True
    if words - set("XYZF"):
        return False
    return set("XYZ") <= words or (not line.before.absolute and bool(set("XYZ") & words))


def _same_place(a: Line, b: Line) -> bool:
    axes = "XYZE" if a.kind in ("back", "forward", "move", "wall") else "XY"
    for one, two in ((a.before, b.before), (a.after, b.after)):
        if any(one.at[k] != two.at[k] for k in axes):
            return False
    return len(axes) == 2 or a.after.feed == b.after.feed


# Way and bounds


def _way(a: list[Line], b: list[Line], start: Machine) -> tuple[bool, bool]:
    """(Whether the XY way is the same, whether some rewritten move is faster than the job was on its piece of it)."""
    left = [line for line in b if _moves_xy(line)]
    at, fast = start.at, False
    for line in a:
        if line.kind != "move":
            continue
        to = line.after.at
        here, there = (at["X"], at["Y"]), (to["X"], to["Y"])
        if line.code is not None and line.code >= 2:
            if left and _arc(left[0]) == _arc(line):
                fast = fast or left.pop(0).after.feed > line.after.feed
            elif here != there or at["Z"] == to["Z"]:
                return False, fast
        elif here != there:
            so_far = 0.0
            while True:
                if not left or (left[0].code or 0) >= 2:
                    return False, fast
                fast = fast or left[0].after.feed > line.after.feed
                via = (left[0].after.at["X"], left[0].after.at["Y"])
                left.pop(0)
                if via == there:
                    break
                along, off, length = _along(here, there, via)
                if off > TOLERANCE or not so_far - TOLERANCE <= along <= length + TOLERANCE or along < -TOLERANCE:
                    return False, fast
                so_far = max(so_far, along)
        at = to
    return not left, fast


def _arc(line: Line) -> tuple[object, ...]:
    at = line.after.at
    return line.code, at["X"], at["Y"], *(line.words.get(k, ZERO) for k in "IJRP")


Point = tuple[Decimal, Decimal]


def _along(here: Point, there: Point, via: Point) -> tuple[float, float, float]:
    """How far `via` lies along the line and off it, and the line's length."""
    dx, dy = float(there[0] - here[0]), float(there[1] - here[1])
    ex, ey = float(via[0] - here[0]), float(via[1] - here[1])
    length = math.hypot(dx, dy)
    return (ex * dx + ey * dy) / length, abs(ex * dy - ey * dx) / length, length


def _beyond(a: list[Line], b: list[Line], start: Machine, percent: Decimal, limits: Limits) -> bool:
    """Whether one of the rewritten moves leaves what is allowed."""
    points = [start, *(line.after for line in a)]
    z0, z1 = points[0].at["Z"], points[-1].at["Z"]
    box = {k: (min(p.at[k] for p in points), max(p.at[k] for p in points)) for k in "XY"}
    for line in b:
        if line.kind != "move":
            continue
        at = line.after.at
        if at["Z"] < min(z0, z1) or (limits.z_max_mm is not None and at["Z"] > Decimal(str(limits.z_max_mm))):
            return True
        boxed = all(box[k][0] - Decimal("0.002") <= at[k] <= box[k][1] + Decimal("0.002") for k in "XY")
        if not boxed and not _on_bed(float(at["X"]), float(at["Y"]), limits):
            return True
        if _z_too_fast(line, percent, limits):
            return True
    return False


def _on_bed(x: float, y: float, limits: Limits) -> bool:
    bed = limits.bed
    if bed is None:
        return True
    if isinstance(bed, tuple):
        return bed[0] - TOLERANCE <= x <= bed[1] + TOLERANCE and bed[2] - TOLERANCE <= y <= bed[3] + TOLERANCE
    return math.hypot(x, y) <= bed + TOLERANCE


def _z_too_fast(line: Line, percent: Decimal, limits: Limits) -> bool:
    rise = abs(float(line.after.at["Z"] - line.before.at["Z"]))
    speed = float(line.after.feed) / 60 * float(percent) / 100
    if limits.z_speed_mm_s is None or not rise:
        return False
    return speed * rise / math.hypot(rise, _length(line)) > limits.z_speed_mm_s * (1 + 1e-6)


def _length(line: Line) -> float:
    """XY length; of an arc at most one turn, found by walking it in small steps of angle."""
    dx, dy = (float(line.after.at[k] - line.before.at[k]) for k in "XY")
    chord = math.hypot(dx, dy)
    if line.code is None or line.code < 2:
        return chord
    radius = float(line.words.get("R", 0))
    if radius:
        half = math.asin(min(1.0, chord / 2 / abs(radius)))
        return 2 * abs(radius) * (half if radius > 0 else math.pi - half)
    ci, cj = float(line.words.get("I", 0)), float(line.words.get("J", 0))
    turn = complex(dx - ci, dy - cj) / complex(-ci, -cj)
    sweep = math.atan2(turn.imag, turn.real) * (-1 if line.code == 2 else 1)
    if sweep <= 1e-9:
        sweep += 2 * math.pi
    return math.hypot(ci, cj) * sweep
