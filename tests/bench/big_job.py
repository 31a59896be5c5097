"""A big job for measuring speed and memory: `python tests/bench/big_job.py FILE MEGABYTES`.

A plate of forty discs and eighty posts whose walls lean out and in again over twenty layers, a quarter of them
by 47° and the others by 20°, with retracted travels from each to the next, lines inside and comments. What real
jobs have, about: beads of 1.1 mm, 28 bytes and 0.045 travels a line, a tenth of the bead length overhanging,
an obstacle on one travel in five. Relative E. Twenty layers are worked out and then repeated at new heights, so
that a gigabyte takes seconds; the same bytes every time.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from pathlib import Path

LAYER, WIDTH = 0.2, 0.45
PERIOD = 20
STEEP, GENTLE = (LAYER * math.tan(math.radians(angle)) for angle in (47, 20))
SECTION = LAYER * (WIDTH - LAYER * (1 - math.pi / 4)) / (math.pi * 1.75**2 / 4)
HEAD = b"""; an example for measuring, not for a machine
; material: PLA
; printer: bench
G21
G90
M83
M104 S210
G28
G92 E0
"""
TAIL = b"G1 E-0.80000 F2100\nM107\nM104 S0\nM140 S0\nM84\n"


def blocks(size: int) -> Iterator[bytes]:
    """The job in blocks of one layer, until `size` bytes are reached."""
    layers = [_layer(number) for number in range(PERIOD)]
    yield HEAD
    done, number = len(HEAD), 0
    while done < size:
        z = f"{LAYER * (number + 1):.2f}".encode()
        block = b"; layer %d, height %s\n" % (number + 1, z) + layers[number % PERIOD].replace(b"Z#", b"Z" + z)
        yield block
        done += len(block)
        number += 1
    yield TAIL


def write_job(path: Path, size: int) -> None:
    """Write the job to `path`."""
    with path.open("wb") as out:
        out.writelines(blocks(size))


def _layer(number: int) -> bytes:
    turns = min(number, PERIOD - number)
    lines: list[str] = []
    first = True
    for row in range(8):
        for column in range(5):
            x, y = 30 + 38 * column, 25 + 24 * row
            lean = (STEEP if row % 4 == 0 else GENTLE) * turns
            for dx, dy, radius, pieces in ((0, 0, 4.2, 40), (12, 0, 1.8, 16), (12, 9, 1.8, 16)):
                at = radius + lean
                for r in (at - WIDTH, at):
                    _path(lines, _ring(x + dx, y + dy, r, pieces), first)
                    first = False
                _path(lines, _zigzag(x + dx, y + dy, at - 1.6 * WIDTH, number // 5 % 2), first)
    return ("\n".join(lines) + "\n").encode()


def _ring(x: float, y: float, r: float, pieces: int) -> list[tuple[float, float]]:
    angles = [2 * math.pi * k / pieces for k in range(pieces + 1)]
    return [(x + r * math.cos(a), y + r * math.sin(a)) for a in angles]


def _zigzag(x: float, y: float, r: float, across: int) -> list[tuple[float, float]]:
    """Lines across a disc, 0.9 mm apart, joined at their ends; a larger disc has them in the same places."""
    points = []
    for k in range(-int(r / 0.9), int(r / 0.9) + 1):
        c = 0.9 * k
        half = math.sqrt(max(0.0, r * r - c * c)) * (1 if k % 2 else -1)
        ends = [(c, -half), (c, half)]
        points += [(x + b, y + a) if across else (x + a, y + b) for a, b in ends]
    return points


def _path(lines: list[str], points: list[tuple[float, float]], first: bool) -> None:
    x, y = points[0]
    if not first:
        lines.append("G1 E-0.80000 F2100")
    lines.append(f"G0 X{x:.3f} Y{y:.3f} Z# F9000")
    if not first:
        lines.append("G1 E0.80000 F2100")
    feed = " F1800"
    for nx, ny in points[1:]:
        lines.append(f"G1 X{nx:.3f} Y{ny:.3f} E{SECTION * math.hypot(nx - x, ny - y):.5f}{feed}")
        x, y, feed = nx, ny, ""


if __name__ == "__main__":
    write_job(Path(sys.argv[1]), int(float(sys.argv[2]) * 1e6))
