"""Lines of a job, its rows and the profiles of its travels → the new lines, with lists and decimals: the slow twin.

It knows one grain for inserted numbers and compares nothing by bits: numbers are text of exact decimals, rounded where
the product says so (Z up, X and Y to the nearest). Lines are text without their ends.
"""

import math
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from itertools import pairwise

from liftwright.job.columns import BEAD, FEED, FW_PRIME, FW_RETRACT, PRIME, RETRACT, TRAVEL, W_F, W_TURN, WIPE
from reference.slow_travels import Row, Travel

BILLIONTH = Decimal(1).scaleb(-9)
NEAR = 1e-6


@dataclass
class Pen:
    """Where the emitted job stands: numbers of the job's own coordinates times their unit, and mm/min."""

    at: list[float]
    feed: float


def spliced(lines: list[str], lifted: list[tuple[Travel, list[tuple[float, float]]]], places: int, z_speed: float,
            note: str) -> list[str]:  # fmt: skip
    """The whole job; `lifted` pairs each travel to change with its profile."""
    new = {}
    for travel, profile in lifted:
        new |= edited(lines, travel, profile, places, z_speed, note)
    return [text for number, line in enumerate(lines, 1) for text in new.get(number, [line])]


def edited(
    lines: list[str], travel: Travel, profile: list[tuple[float, float]], places: int, z_speed: float, note: str
) -> dict[int, list[str]]:
    """Line number → the lines that take its place, for every motion line of one travel."""
    rows = travel.rows
    moving = [k for k in range(travel.first, travel.last) if rows[k].kind == TRAVEL]
    across = [k for k in moving if distance(rows, k) > 0 and not rows[k].words & W_TURN]
    before = rows[travel.first - 1]
    pen = Pen([before.x, before.y, before.z], before.f * before.frame[3])
    high = max(z for _, z in profile) - max(travel.z0, travel.z1)
    remark = f" ;lw {note} +{math.ceil(round(max(high, 0) * 1e9) / 1e7) / 100:.2f}" if note else ""
    new, left, s = {}, profile[1:], 0.0
    for k in range(travel.first, travel.last):
        row = rows[k]
        if row.kind == FEED:
            pen.feed = row.f * row.frame[3]
        if row.kind != TRAVEL:
            continue
        texts = comment_of(lines[row.line - 1])
        if k in across:
            end = s + distance(rows, k)
            mine = [v for v in left if v[0] <= end + NEAR or k == across[-1]]
            left = left[len(mine) :]
            if left and (not mine or mine[-1][0] < end - NEAR):
                mine = [*mine, (end, height_at(profile, end))]
            for at, z in mine:
                share = min(max((at - s) / (end - s), 0.0), 1.0)
                share = 0.0 if at <= s + NEAR else 1.0 if at >= end - NEAR else share
                ends = z in (travel.z0, travel.z1)
                texts.append(piece(row, rows[k - 1], share, z, ends, places, z_speed, pen) + remark)
                remark = ""
            s = end
        if k == moving[-1] and abs(pen.feed - row.f * row.frame[3]) > 1e-7 and not brings_feed(rows[k + 1 :]):
            texts.append(f"G1 F{plain(Decimal(repr(row.f)), 0)}")
        new[row.line] = texts
    return new


def distance(rows: list[Row], k: int) -> float:
    return math.hypot(rows[k].x - rows[k - 1].x, rows[k].y - rows[k - 1].y)


def comment_of(line: str) -> list[str]:
    marks = [line.index(mark) for mark in ";(" if mark in line]
    return [line[min(marks) :]] if marks else []


def height_at(profile: list[tuple[float, float]], s: float) -> float:
    for (a, low), (b, high) in pairwise(profile):
        if a <= s <= b and b > a:
            return low if low == high else low + (high - low) * (s - a) / (b - a)
    raise AssertionError(f"{s} is not on the profile {profile}")


def brings_feed(rows: list[Row]) -> bool:
    """Does the next row that uses or sets the feed say it? A firmware's own retraction doesn't."""
    motions = [row for row in rows if row.kind in (BEAD, WIPE, TRAVEL, FEED, RETRACT, PRIME, FW_RETRACT, FW_PRIME)]
    return bool(motions and motions[0].words & W_F)


def piece(row: Row, start: Row, share: float, z: float, exact_z: bool, places: int, z_speed: float, pen: Pen) -> str:
    """One line to a point on the way of `row`."""
    scale, absolute = row.frame[3], row.frame[4] == 1
    grain = max(places, 4) if scale != 1 else places
    goal = (start.x + share * (row.x - start.x), start.y + share * (row.y - start.y), z)
    if share == 1.0:
        goal = (row.x, row.y, z)
    words, old = [], list(pen.at)
    for axis, letter in enumerate("XYZ"):
        exact = exact_z if axis == 2 else share in (0.0, 1.0)
        value = number((goal[axis] - row.frame[axis]) / scale, 9 if exact else grain, up=axis == 2)
        was = number((old[axis] - row.frame[axis]) / scale, 9)
        pen.at[axis] = float(value) * scale + row.frame[axis]
        words.append(f"{letter}{plain(value if absolute else value - was, grain)}")
    climb = abs(pen.at[2] - old[2])
    path = math.dist(pen.at, old)
    feed = Decimal(repr(row.f))
    if climb > NEAR and row.f * scale / 60 > z_speed * path / climb:
        feed = slowed(z_speed * path / climb * 60 / scale)
    if abs(float(feed) * scale - pen.feed) > 1e-7:
        words.append(f"F{plain(feed, 0)}")
        pen.feed = float(feed) * scale
    return " ".join([f"G{row.code}", *words])


def number(value: float, places: int, up: bool = False) -> Decimal:
    units = Decimal(value).quantize(BILLIONTH, ROUND_HALF_EVEN)
    return units.quantize(Decimal(1).scaleb(-places), ROUND_CEILING if up else ROUND_HALF_EVEN)


def slowed(value: float) -> Decimal:
    return Decimal(value).quantize(Decimal(1) if value >= 10 else Decimal("0.001"), ROUND_FLOOR)


def plain(value: Decimal, places: int) -> str:
    value = value.quantize(BILLIONTH)
    text = f"{value:f}".rstrip("0") if places < 9 else f"{value:f}"
    whole, _, behind = text.partition(".")
    behind = behind.ljust(places, "0")
    text = f"{whole}.{behind}" if behind else whole
    return text.removeprefix("-") if value == 0 else text
