"""The standard's reference interpreter as an independent reader: a job's motion lines in, end points and arcs out.

Program `rs274` of Debian's linuxcnc-uspace (GPL-2, test only, never shipped), the descendant of the interpreter that
NISTIR 6556 describes. It is a milling interpreter, so a job is first put into its language, line by line:

1. E becomes the unused rotary axis A, where E is absolute; else E is left out (G91 would drag A along).
2. M82, M83 and every command that is no motion, mode or G92 are left out; homing becomes G92.1 (it forgets shifts).
3. Words that printers allow and the standard doesn't are left out: F of a line without axis words stands alone.

It prints canonical commands with four decimals, in the program's units and with G92 shifts not yet applied.
"""

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

CACHE = Path(os.environ.get("LIFTWRIGHT_TEST_CACHE", Path.home() / ".cache" / "liftwright-tests")) / "linuxcnc"
WORD = re.compile(rb"([A-Z])[ \t]*([+-]?(?:\d+\.?\d*|\.\d+))")
COMMAND = re.compile(rb"[ \t]*([GMT])[ \t]*(\d+(?:\.\d+)?)(?![\d.])")


@dataclass(frozen=True)
class Point:
    """Where a motion line of the job ended, mm; `a` is all E so far, in the file's unit; centre and turns of an arc."""

    line: int
    x: float
    y: float
    z: float
    a: float
    centre: tuple[float, float] | None = None
    turns: int = 0  # + counter-clockwise


def find() -> Path:
    """The program; a test that needs it fails in CI where it is missing and is skipped elsewhere."""
    found = shutil.which("rs274")
    places = [Path(found)] if found else []
    places.append(CACHE / "root" / "usr" / "bin" / "rs274")
    for place in places:
        if place.exists():
            return place
    message = "the reference interpreter rs274 is missing; sh tests/reference/fetch_interpreter.sh brings it"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def translate(job: bytes) -> tuple[bytes, list[int]]:
    """(program in the standard's words, the job's line of each motion in it)."""
    lines, motions = [b"G21 G90 G17 G94", b"F1000"], []
    relative_e = False
    for number, text in commands(job):
        command = COMMAND.match(text)
        if command is None:
            continue
        name = command.group(1) + command.group(2).lstrip(b"0").rjust(1, b"0")
        words = WORD.findall(text[command.end() :])
        if name in (b"M82", b"M83"):
            relative_e = name == b"M83"
        elif name in (b"G90", b"G91", b"G20", b"G21"):
            lines.append(name)
        elif name == b"G28":
            lines.append(b"G92.1")
        elif name == b"G92":
            wanted = axis_words(words, b"XYZE", relative_e)
            if wanted:
                lines.append(b"G92 " + wanted)
        elif name in (b"G0", b"G1", b"G2", b"G3"):
            wanted = axis_words(words, b"XYZEIJR", relative_e)
            feed = axis_words(words, b"F", relative_e)
            if wanted or name in (b"G2", b"G3"):
                lines.append(b" ".join(part for part in (name, wanted, feed) if part))
                motions.append(number)
            elif feed:
                lines.append(feed)
    return b"\n".join([*lines, b"M2", b""]), motions


def commands(job: bytes) -> Iterator[tuple[int, bytes]]:
    """(line, one command of it in upper case): the standard obeys all commands of a line, in this order for ours."""
    for number, raw in enumerate(re.split(rb"\r\n|\r|\n", job.removeprefix(b"\xef\xbb\xbf")), start=1):
        text = re.sub(rb"\(.*?\)", b"", raw.split(b";")[0]).upper()
        if re.match(rb"[ \t]*G", text):
            yield from ((number, part) for part in re.split(rb"(?=G[ \t]*\d)", text))
        else:
            yield number, text


def axis_words(words: list[tuple[bytes, bytes]], letters: bytes, relative_e: bool) -> bytes:
    kept = {}
    for letter, value in words:
        if letter in letters and not (letter == b"E" and relative_e):
            kept[b"A" if letter == b"E" else letter] = value  # the later of two words holds for printers
    return b" ".join(letter + value for letter, value in kept.items())


def interpret(job: bytes, folder: Path) -> tuple[list[Point], str]:
    """(the points of the job's motion lines, what the interpreter complained about; it stops at a complaint)."""
    program, motions = translate(job)
    path = find()
    (folder / "program.ngc").write_bytes(program)
    for name in ("tools.tbl", "state.var"):
        (folder / name).write_bytes(b"")
    libraries = path.parent.parent / "lib"
    run = subprocess.run(
        [path, "-t", "tools.tbl", "-v", "state.var", "-g", "program.ngc"],
        cwd=folder,
        capture_output=True,
        timeout=300,
        check=False,
        env={"LD_LIBRARY_PATH": f"{libraries}:{libraries}/x86_64-linux-gnu"},
    )
    said = run.stderr.decode(errors="replace").replace("executing", "").strip()
    assert run.stdout, f"rs274 printed nothing: {said}"
    return points(run.stdout.decode(), motions), said


CANON = re.compile(r"N\.+\s+(\w+)\(([^)]*)\)")


def points(printed: str, motions: list[int]) -> list[Point]:
    """Canonical commands to points; shifts and units are applied here, as the machine's controller would."""
    found: list[Point] = []
    shift = [0.0] * 6
    scale = 1.0
    at: list[float] = [0.0] * 6
    for name, text in CANON.findall(printed):
        if name == "USE_LENGTH_UNITS":
            scale = 25.4 if "INCHES" in text else 1.0
        elif name == "SET_G92_OFFSET":
            shift = [float(part) * (scale if i < 3 else 1.0) for i, part in enumerate(text.split(","))]
        elif name in ("STRAIGHT_TRAVERSE", "STRAIGHT_FEED"):
            at = [float(part) * (scale if i < 3 else 1.0) for i, part in enumerate(text.split(","))]
            line = motions[len(found)] if len(found) < len(motions) else 0
            found.append(Point(line, at[0] + shift[0], at[1] + shift[1], at[2] + shift[2], at[3] + shift[3]))
        elif name == "ARC_FEED":
            x, y, cx, cy, turns, z, a, *_ = (float(part) for part in text.split(","))
            line = motions[len(found)] if len(found) < len(motions) else 0
            end = (x * scale + shift[0], y * scale + shift[1], z * scale + shift[2])
            centre = (cx * scale + shift[0], cy * scale + shift[1])
            found.append(Point(line, *end, a + shift[3], centre, int(turns)))
    return found
