"""Row by row comparison of the product's reader with its slow twin: what must be equal, and how nearly."""

import math

from reference.slow_reader import Row

PLACE = 1e-9  # mm: the product sums and divides in float64, the twin in exact decimals
PUSHED = 1e-7  # mm: after a change of units the product's E stands on a grid of 1e-9 of the new unit
TURN = 1e-6  # mm and rad: centres by R go through a square root


def differences(slow: list[Row], fast: list[Row]) -> list[str]:
    """One sentence a difference, at most twenty; the numbers of unknown positions are not compared."""
    found = []
    slow, fast = one_wall_a_line(slow), one_wall_a_line(fast)
    if [(row.line, row.kind) for row in slow] != [(row.line, row.kind) for row in fast]:
        only_slow = sorted({(r.line, r.kind) for r in slow} - {(r.line, r.kind) for r in fast})
        only_fast = sorted({(r.line, r.kind) for r in fast} - {(r.line, r.kind) for r in slow})
        return [f"rows only of the twin {only_slow[:9]}, only of the product {only_fast[:9]}, or another order"]
    for one, two in zip(slow, fast, strict=True):
        found += [f"line {one.line}: {name}: twin {a}, product {b}" for name, a, b in unequal(one, two)]
        if len(found) >= 20:
            break
    return found


def one_wall_a_line(rows: list[Row]) -> list[Row]:
    """A line that may not be crossed is one wall, however many unknown commands stand on it."""
    return [
        row
        for i, row in enumerate(rows)
        if not (i and row.kind == "WALL" == rows[i - 1].kind and row.line == rows[i - 1].line)
    ]


def unequal(one: Row, two: Row) -> list[tuple[str, object, object]]:
    pairs: list[tuple[str, object, object]] = [
        (name, getattr(one, name), getattr(two, name))
        for name in ("known", "tool", "code")
        if name != "code" or is_motion(one)
    ]
    wrong = [(name, a, b) for name, a, b in pairs if a != b]
    numbers = ["de", "feed"] + (["x", "y", "z"] if one.known else []) + (["value"] if one.kind == "DWELL" else [])
    for name in numbers:
        a, b = getattr(one, name), getattr(two, name)
        if not math.isclose(float(a), b, rel_tol=1e-12, abs_tol=PUSHED if name == "de" else PLACE):
            wrong.append((name, a, b))
    if (one.de == 0) != (two.de == 0):
        wrong.append(("whether filament moves", one.de, two.de))
    if (one.arc is None) != (two.arc is None):
        wrong.append(("arc", one.arc, two.arc))
    elif one.arc and two.arc and one.known:
        for name in ("cx", "cy", "sweep"):
            a, b = float(getattr(one.arc, name)), float(getattr(two.arc, name))
            if not math.isclose(a, b, rel_tol=1e-9, abs_tol=TURN):
                wrong.append((name, a, b))
    return wrong


def is_motion(row: Row) -> bool:
    return row.kind in ("BEAD", "WIPE", "TRAVEL", "RETRACT", "PRIME", "FEED")
