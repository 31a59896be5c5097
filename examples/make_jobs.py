"""Makes the nursery's example jobs: `python examples/make_jobs.py FOLDER`.

Four jobs with real overhangs in as many styles of writing, a gauge that a rule leaves alone, and an upload that
was cut off and must be held; in one subfolder a printer. Always the same bytes.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

from job_writer import JobWriter, Point, Style

Interval = tuple[float, float]


def main(folder: Path) -> None:
    """Write every job below `folder`."""
    for name, make in JOBS.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(make())


def lattice_pot() -> bytes:
    """A pot of struts that lean 44° left and right around a circle, held together by three bands.

    Every layer is many small islands; where the struts meet, travels cross curled edges.
    """
    style = Style("PETG", "bench-220", "lattice-pot", hot=240, bed=75, retraction=1.2, speed=35)
    job = JobWriter(style)
    pairs, layers, radius, strut = 9, 110, 28.0, 1.5
    lean = style.layer * math.tan(math.radians(43.5))  # mm along the circle a layer
    for number in range(layers):
        job.layer(number, fan=0 if number == 0 else 160 if number == 3 else None)
        at = radius + 0.02 * number
        if number < 4 or number % 52 in (50, 51):
            for inset in (0.0, style.width):
                job.loop(_circle(110, 110, at + style.width / 2 - inset, 120))
        for k in range(2 * pairs):
            angle = 2 * math.pi * (k // 2) / pairs + (1 if k % 2 else -1) * lean * number / radius
            x, y = 110 + at * math.cos(angle), 110 + at * math.sin(angle)
            for r in (strut, strut - style.width):
                job.loop(_circle(x, y, r - style.width / 2, 12, angle))
    return job.bytes()


def hose_bracket() -> bytes:
    """A foot, a neck and a ring for a hose, standing upright: the ring leans out below and closes above."""
    style = Style("ABS", "cabinet-180", "hose-bracket", relative_e=True, wipe=1.5, hot=250, bed=100, speed=45)
    job = JobWriter(style)
    middle, outer, inner = 20.0, 13.0, 9.5  # height of the ring's centre and its radii
    for number in range(165):
        job.layer(number)
        z = style.first + number * style.layer - style.layer / 2
        if z < 3:
            slabs: list[Interval] = [(-20, 20)]
        else:
            slabs = _less(_around(z - middle, outer), _around(z - middle, inner))
            if z < middle - inner + 1:
                slabs = _joined([*slabs, (-5, 5)])
        for low, high in slabs:
            _slab(job, (90 + low, 90 + high), (78, 102), number, solid=number < 4)
    return job.bytes()


def clip_plate() -> bytes:
    """Fifty seed-tray clips on one plate: short posts with a lip that leans out on one side."""
    style = Style("PLA", "belted 250 no. 3", "seed-tray-clips", layer=0.25, first=0.25, firmware_retraction=True,
                  keys=("filament", "machine", "part"))
    job = JobWriter(style)
    for number in range(22):
        job.layer(number, fan=255 if number == 1 else None)
        lip = max(0, number - 12) * style.layer * math.tan(math.radians(58))
        for row in range(5):
            for column in range(10):
                column_now = column if row % 2 == 0 else 9 - column
                x, y = 35 + 18 * column_now, 50 + 22 * row
                _slab(job, (x, x + 5 + lip), (y, y + 9), number, solid=True)
    return job.bytes()


def tall_stakes() -> bytes:
    """Three plant stakes, 100 mm tall and 10 mm thick, with collars that flare at 62° and end abruptly."""
    style = Style("TPU", "delta-240", "tall-stake", layer=0.3, first=0.3, own_lift=0.4, hot=225, bed=50,
                  speed=25, width=0.48)
    job = JobWriter(style)
    for number in range(333):
        job.layer(number)
        z = number * style.layer
        flare = max(0.0, z % 15 - 12) * math.tan(math.radians(62))
        for k in range(3):
            x, y = 35 * math.cos(2.1 * k), 35 * math.sin(2.1 * k)
            radius = 5.0 - 0.015 * z + flare
            for inset in (2, 1, 0):
                if radius - inset * style.width > 1.0:
                    job.loop(_circle(x, y, radius - inset * style.width, 18, 0.1 * k))
    return job.bytes()


def gauge() -> bytes:
    """A small block that measures the machine itself: a rule leaves such prints alone."""
    style = Style("PLA", "quick-300", "gauge block", relative_e=True)
    job = JobWriter(style)
    for number in range(60):
        job.layer(number)
        _slab(job, (140, 165), (140, 165), number, solid=number < 4 or number > 56)
    return job.bytes()


def torn_upload() -> bytes:
    """The bracket, cut off in the middle of a number: the rest never arrived."""
    whole = hose_bracket()
    cut = whole.rindex(b".", 0, 2 * len(whole) // 3) + 2
    return whole[:cut]


def _circle(x: float, y: float, radius: float, pieces: int, turn: float = 0.0) -> list[Point]:
    angles = [turn + 2 * math.pi * k / pieces for k in range(pieces)]
    return [(x + radius * math.cos(angle), y + radius * math.sin(angle)) for angle in angles]


def _around(dz: float, radius: float) -> list[Interval]:
    """Where a lying cylinder of that radius stands, dz above its middle."""
    if abs(dz) >= radius:
        return []
    half = math.sqrt(radius**2 - dz**2)
    return [(-half, half)]


def _less(whole: list[Interval], hole: list[Interval]) -> list[Interval]:
    if not whole or not hole:
        return whole
    (a, b), (c, d) = whole[0], hole[0]
    return [(a, c), (d, b)]


def _joined(slabs: list[Interval]) -> list[Interval]:
    """Overlapping intervals as one."""
    out: list[Interval] = []
    for low, high in sorted(slabs):
        if out and low <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], high))
        else:
            out.append((low, high))
    return out


def _slab(job: JobWriter, x: Interval, y: Interval, number: int, *, solid: bool) -> None:
    """A rectangle: two walls, then lines across, crosswise from layer to layer; 1 in 5 unless solid."""
    width = job.style.width
    for inset in (1.5, 0.5):
        d = inset * width
        if x[1] - x[0] > 2 * d and y[1] - y[0] > 2 * d:
            job.loop([(x[0] + d, y[0] + d), (x[1] - d, y[0] + d), (x[1] - d, y[1] - d), (x[0] + d, y[1] - d)])
    d = 1.8 * width  # the turns of the lines lie on the inner wall
    low, high = (x[0] + d, y[0] + d), (x[1] - d, y[1] - d)
    across = number % 2
    lines = int((high[across] - low[across]) / (width if solid else 5 * width))
    if lines < 1 or high[1 - across] - low[1 - across] < width:
        return
    path: list[Point] = []
    for k in range(lines):
        c = low[across] + (high[across] - low[across]) * (k + 0.5) / lines
        ends = [(c, low[1]), (c, high[1])] if across == 0 else [(low[0], c), (high[0], c)]
        path += ends if k % 2 == 0 else ends[::-1]
    job.bead(path, speed=60.0)


JOBS: dict[str, Callable[[], bytes]] = {
    "bench-220/lattice-pot.gcode": lattice_pot,
    "cabinet-180/hose-bracket.gcode": hose_bracket,
    "belted-250/seed-tray-clips.gcode": clip_plate,
    "delta-240/tall-stakes.gcode": tall_stakes,
    "quick-300/gauge-block.gcode": gauge,
    "cabinet-180/torn-upload.gcode": torn_upload,
}

if __name__ == "__main__":
    main(Path(sys.argv[1]))
