"""Rows in, aligned text for a terminal out.

Job names, facts and rule names come from files that strangers wrote: whatever a terminal could take for a command is
shown as an escape, never sent.
"""

from collections.abc import Sequence


def plain(value: object) -> str:
    """The value as text that a terminal can only show: control and undecodable characters become `\\x1b` and such."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(value))


def table(heads: Sequence[str], rows: Sequence[Sequence[object]], width: int | None = None) -> str:
    """Columns under `heads`, two spaces apart, numbers to the right; lines are cut to `width` characters if given."""
    cells = [[plain(value) for value in row] for row in rows]
    columns = list(zip(heads, *cells, strict=True))
    widths = [max(map(len, column)) for column in columns]
    numeric = [_is_numeric([row[i] for row in rows]) for i in range(len(heads))]
    lines = [_line(heads, widths, numeric), *(_line(row, widths, numeric) for row in cells)]
    return "\n".join(_cut(line, width) for line in lines)


def _is_numeric(column: Sequence[object]) -> bool:
    """Numbers, some of which may be missing (`-`)."""
    known = [value for value in column if value != "-"]
    return bool(known) and all(isinstance(value, int | float) for value in known)


def pairs(rows: Sequence[tuple[str, object]]) -> str:
    """Names on the left, values on the right, one pair a line."""
    widest = max((len(name) for name, _ in rows), default=0)
    return "\n".join(f"{name:<{widest}}  {plain(value)}".rstrip() for name, value in rows)


def _line(row: Sequence[str], widths: Sequence[int], numeric: Sequence[bool]) -> str:
    aligned = [
        text.rjust(width) if right else text.ljust(width)
        for text, width, right in zip(row, widths, numeric, strict=True)
    ]
    return "  ".join(aligned).rstrip()


def _cut(line: str, width: int | None) -> str:
    return line if width is None or len(line) <= width else line[: width - 1] + "…"
