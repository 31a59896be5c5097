"""What happens between the beads of a job, read by the slow reader: for comparing a job with its rewrite."""

from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from reference.slow_reader import Dialect, Row, read

PUSHING = ("BEAD", "WIPE", "RETRACT", "PRIME", "FW_RETRACT", "FW_PRIME")


@dataclass(frozen=True)
class Gap:
    """From one bead to the next: heights at both ends and the highest point between them, mm."""

    z0: Decimal
    z1: Decimal
    top: Decimal


def rows_of(job: bytes, g90_sets_extrusion: bool = True) -> list[Row]:
    return read(job, Dialect(g90_sets_extrusion))


def gaps(rows: list[Row]) -> list[Gap]:
    found: list[Gap] = []
    last: Row | None = None
    top = Decimal(0)
    for row in rows:
        top = max(top, row.z)
        if row.kind == "BEAD":
            if last is not None:
                found.append(Gap(last.z, row.z, max(top, last.z)))
            last, top = row, row.z
    return found


def pushed(rows: list[Row]) -> list[tuple[object, ...]]:
    """Every bead, wipe, retraction and prime with its end, filament, feed and tool: what a rewrite must keep.

    Places of retractions at unknown positions are left out: nobody knows them.
    """
    return [
        (
            row.kind,
            *((row.x, row.y, row.z) if row.known else ()),
            row.de,
            row.feed if row.de else None,
            row.tool,
            row.arc,
        )
        for row in rows
        if row.kind in PUSHING
    ]


def starts(rows: list[Row]) -> list[tuple[Decimal, Decimal, Decimal]]:
    """Where every bead begins."""
    found = []
    for before, row in pairwise(rows):
        if row.kind == "BEAD" and row.known and before.known:
            found.append((before.x, before.y, before.z))
    return found
