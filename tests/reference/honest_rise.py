"""A small honest rewriter for tests of the proof: each travel that may be edited rises to its middle and falls again.

It knows the slow reader alone, nothing of the product's planner and splicer, and writes what the promises allow.
"""

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal

from liftwright.proof import Limits
from reference.slow_proof import active, gaps_of, print_begins, start_of, untouchable
from reference.slow_proof_reader import Line, Machine, Reader

HEIGHT = Decimal("0.4")
MILLI = Decimal("0.001")
SHORTEST = 0.5  # mm


def rise(job: bytes, limits: Limits, every: int = 1) -> bytes:
    """The job with every `every`-th travel raised; no stamp."""
    gaps = gaps_of(Reader(limits.g90_sets_extrusion, limits.neutral).read(job))
    begin = print_begins(gaps)
    out, seen = [], 0
    for k, gap in enumerate(gaps):
        rows = gap[:-1]
        free = k > begin and gap and gap[-1].kind == "bead" and rows
        if free and not untouchable(rows, gap[-1], rows[0].before, limits) and _plain(rows, gap):
            seen += 1
            if seen % every == 0:
                out += [_raised(gap, limits), gap[-1].whole]
                continue
        out += [line.whole for line in gap]
    return b"".join(out)


def _plain(rows: list[Line], gap: list[Line]) -> bool:
    """Millimetres, no modes inside, no arcs, comments only at the ends of lines, and not short."""
    part = rows[active(rows)]
    start = start_of(gap, active(rows))
    modes = any(_mode(line.before) != _mode(line.after) for line in rows)
    arcs = any(line.kind == "move" and (line.code or 0) >= 2 for line in part)
    bracket = any(b"(" in line.text for line in part)
    if modes or arcs or bracket or start.inch or not part:
        return False
    dx, dy = (float(part[-1].after.at[k] - start.at[k]) for k in "XY")
    return math.hypot(dx, dy) > SHORTEST


def _mode(machine: Machine) -> tuple[object, ...]:
    return machine.absolute, *(machine.shift[k] for k in "XYZ")


def _raised(gap: list[Line], limits: Limits) -> bytes:
    """The rows of the gap with the moves of its travel written anew."""
    rows = gap[:-1]
    part = active(rows)
    at = start_of(gap, part)
    moves = [k for k in range(part.start, part.stop) if _goes(rows[k])]
    z0, z1 = at.at["Z"], rows[part.stop - 1].after.at["Z"]
    top = max(z0, z1) + HEIGHT
    out, here, feed = [], dict(at.at), at.feed
    for k, line in enumerate(rows):
        if not part.start <= k < part.stop or line.kind != "move":
            out.append(line.whole)
            continue
        out += [comment + line.end for comment in line.comments]
        if k in moves:
            ends = _ends(line, k == moves[0], k == moves[-1], top, z1)
            text, here, feed = _lines(here, ends, line, limits, k == moves[0])
            out.append(text)
    last = rows[part.stop - 1].after.feed
    if feed != last:
        place = max(k for k in range(len(out)))
        out.insert(_after_last_move(rows, part, out, place), b"G1 F%s" % _text(last) + rows[moves[-1]].end)
    return b"".join(out)


def _after_last_move(rows: list[Line], part: slice, out: list[bytes], place: int) -> int:
    """Index in `out` behind the travel: what follows it are as many lines as follow it in the job."""
    return place + 1 - (len(rows) - part.stop)


def _goes(line: Line) -> bool:
    return line.kind == "move" and any(line.before.at[k] != line.after.at[k] for k in "XY")


def _ends(line: Line, first: bool, last: bool, top: Decimal, z1: Decimal) -> list[tuple[Decimal, Decimal, Decimal]]:
    """Vertices of one move: a middle one if it is the only move of its travel."""
    a, b = line.before.at, line.after.at
    end = (b["X"], b["Y"], z1 if last else top)
    if not (first and last):
        return [end]
    middle = tuple(((a[k] + b[k]) / 2).quantize(MILLI) for k in "XY")
    return [(middle[0], middle[1], top.quantize(MILLI, ROUND_CEILING)), end]


def _lines(
    here: dict[str, Decimal], ends: list[tuple[Decimal, Decimal, Decimal]], line: Line, limits: Limits, first: bool
) -> tuple[bytes, dict[str, Decimal], Decimal]:
    """The lines from `here` to these vertices, slow enough for Z; the place reached, and the feed."""
    text = b""
    feed = line.after.feed
    for end in ends:
        there = here | dict(zip("XYZ", end, strict=True))
        feed = min(line.after.feed, _slowest(here, there, limits, line.after.percent))
        words = there if line.before.absolute else {k: there[k] - here[k] for k in "XYZ"}
        text += b"G1 X%s Y%s Z%s F%s" % (*(_text(words[k]) for k in "XYZ"), _text(feed))
        if first:
            text += b" ;lw triangle +0.40"
            first = False
        text += line.end
        here = there
    return text, here, feed


def _slowest(here: dict[str, Decimal], there: dict[str, Decimal], limits: Limits, percent: Decimal) -> Decimal:
    run = math.hypot(*(float(there[k] - here[k]) for k in "XY"))
    climb = abs(float(there["Z"] - here["Z"]))
    if limits.z_speed_mm_s is None or not climb:
        return Decimal(10**6)
    speed = limits.z_speed_mm_s * 60 * math.hypot(run, climb) / climb * 0.99 * 100 / float(percent)
    return Decimal(speed).quantize(Decimal(1), ROUND_FLOOR)


def _text(value: Decimal) -> bytes:
    return f"{value.normalize():f}".encode()
