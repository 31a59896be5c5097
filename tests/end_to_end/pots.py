"""Small honest jobs for the real core: pots with leaning walls on one plate, and rules that lift over them.

Every job differs from the others, has retracted travels that cross its own curled edges, and is rewritten.
"""

import math
from collections.abc import Iterator

RULES = b"""\
printers:
  - name: gantry-300
    bed_mm: {x: [0, 300], y: [0, 300]}
    z_max_mm: 340
    z_speed_mm_s: 12
    z_accel_mm_s2: 120
    travel_accel_mm_s2: 3000
materials:
  - name: PETG
rules:
  - name: leave calibration prints
    when: {model: "*calibration*"}
    leave: true
  - name: everything else
    when: {}
    lift: {shape: terrain, max_height_mm: 2.0}
when_unmatched: held
when_refused: held
"""

LAYER, WIDTH = 0.2, 0.45
LEAN = LAYER * math.tan(math.radians(55))
FLOW = LAYER * (WIDTH - LAYER * (1 - math.pi / 4)) / (math.pi * 1.75**2 / 4)
TAIL = "G1 E-0.8 F2100\nM104 S0\nM140 S0\nM84\n"


def pot_job(number: int, size: int, model: str = "lattice pot") -> bytes:
    """A job of SIZE bytes, within a layer; a 4 kB job has too few layers to lean."""
    head = f";nursery, order {number}\n;printer = gantry-300\n;material = PETG\n;model = {model}\nG21\nG90\nM83\nG28\n"
    text = head + "M104 S240\nG92 E0\n"
    layer = 0
    while len(text) + len(TAIL) < size:
        layer += 1
        text += "\n".join(_layer(layer, number)) + "\n"
    return (text + TAIL).encode()


def _layer(layer: int, number: int) -> Iterator[str]:
    z = LAYER * layer
    # Leans out for twenty layers and in again: a tall pot stays on its bed.
    turns = abs((layer + 20) % 40 - 20)
    yield f";layer {layer}"
    for pot in range(2):
        x0, y0 = 60 + 30 * pot + number % 7, 60 + number % 5
        reach = 4 + (20 - turns) * LEAN
        points = [(x0 + reach * math.cos(k * math.pi / 6), y0 + reach * math.sin(k * math.pi / 6)) for k in range(13)]
        x, y = points[0]
        yield "G1 E-0.8 F2100"
        yield f"G0 X{x:.3f} Y{y:.3f} Z{z:.2f} F9000"
        yield "G1 E0.8 F2100"
        for nx, ny in points[1:]:
            yield f"G1 X{nx:.3f} Y{ny:.3f} E{FLOW * math.hypot(nx - x, ny - y):.5f}" + (" F1500" if x == nx else "")
            x, y = nx, ny
