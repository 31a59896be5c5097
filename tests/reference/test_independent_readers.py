"""The product's reader beside two readers that others wrote: every difference is stated here, and who is right.

The standard's interpreter (see standard_interpreter.py) agrees in every end point and every centre, on all real jobs
and on generated programs. What it reads otherwise, printers read otherwise than the standard:

- E is an axis like others (G91 makes it relative; inches leave a rotary axis alone). Ours has modes of its own and is
  scaled. Marlin and Klipper: ours is right for a printer.
- Two words of one letter are an error. We take the later one, as Marlin's and Klipper's parsers do.
- A line without a command (`X5`) repeats the motion in force. We call it a wall; firmwares call it unknown.
- A centre that misses the end by more than 0.5 mm stops it. We end at the programmed point, as firmwares do (D9).
- P on an arc counts turns. We don't follow it: firmwares differ by one (D6).

gcodeparser (MIT) splits a line into a command and words. It agrees in the command and the letters of every motion line
of the real jobs; where it reads otherwise, see DIFFERENCES.
"""

import io
import os
import re
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings

from liftwright.job import moves as product
from property.jobs import Spelling, Step, jobs, spell, spellings
from reference.readers import BOTH, PRODUCT, Reader, moves
from reference.slow_reader import Row
from reference.standard_interpreter import Point, find, interpret

JOBS = Path(__file__).resolve().parents[3] / "shared" / "jobs"
NAMES = sorted(path.name for path in JOBS.glob("*.gcode") if path.name != "milling-program.gcode")
PRINTED = 6e-5  # mm: four decimals are printed


def disagreements(points: list[Point], rows: list[Row]) -> list[str]:
    """Motion lines of which the two readers tell different ends, centres or turning directions."""
    by_line = {row.line: row for row in rows}
    found = []
    for point in points:
        row = by_line.get(point.line)
        if row is not None and not agrees(point, row):
            found.append(f"line {point.line}: interpreter {point}, ours {row}")
    return found


def agrees(point: Point, row: Row) -> bool:
    pairs = [(point.x, row.x), (point.y, row.y), (point.z, row.z)]
    if (point.centre is None) != (row.arc is None):
        return False
    if point.centre is not None and row.arc is not None:
        pairs += [(point.centre[0], row.arc.cx), (point.centre[1], row.arc.cy)]
        if (point.turns > 0) != (row.arc.sweep > 0):
            return False
    return all(abs(a - float(b)) <= PRINTED for a, b in pairs)


@pytest.mark.skipif(not NAMES, reason="the collection of real jobs is not beside the repository")
@pytest.mark.parametrize("name", NAMES)
def test_every_end_of_a_real_job_is_where_the_standards_interpreter_puts_it(name: str, tmp_path: Path) -> None:
    """Travels, beads, wipes and arcs alike: about 300,000 points over the whole collection."""
    job = (JOBS / name).read_bytes()
    points, said = interpret(job, tmp_path)
    assert said == ""
    rows = moves(PRODUCT(job))
    assert {row.line for row in rows if row.kind in ("BEAD", "WIPE", "TRAVEL")} <= {point.line for point in points}
    assert disagreements(points, rows) == []


@pytest.mark.parametrize("name", ["abs-e-vertical-lift.gcode", "two-programs-joined.gcode", "no-comments.gcode"])
def test_absolute_extrusion_adds_up_as_a_rotary_axis_does(name: str, tmp_path: Path) -> None:
    """E on the unused axis A, with all its G92: the filament pushed between two lines is the difference of A."""
    if name not in NAMES:
        pytest.skip("the collection of real jobs is not beside the repository")
    job = (JOBS / name).read_bytes()
    points, _ = interpret(job, tmp_path)
    ends = {point.line: point.a for point in points}
    reached = 0.0
    for row in moves(PRODUCT(job)):
        assert ends[row.line] - reached == pytest.approx(float(row.de), abs=2e-4), row
        reached = ends[row.line]


@pytest.mark.parametrize("read", BOTH, ids=lambda reader: reader.name)
def test_every_end_of_a_generated_job_is_where_the_standards_interpreter_puts_it(
    read: Reader, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """All spellings of the generator: inches, relative bodies, arcs, odd blanks, line ends, comments."""
    find()
    folder = tmp_path_factory.mktemp("generated")

    @settings(max_examples=10)
    @given(jobs(), spellings())
    def check(job: list[Step], how: Spelling) -> None:
        text = spell(job, how)
        points, said = interpret(text, folder)
        assert said == ""
        assert disagreements(points, moves(read(text))) == []

    check()


LETTERS = {
    "X": product.W_X,
    "Y": product.W_Y,
    "Z": product.W_Z,
    "E": product.W_E,
    "F": product.W_F,
    "I": product.W_I,
    "J": product.W_J,
    "R": product.W_R,
    "P": product.W_P,
}
ALL_LETTERS = sum(LETTERS.values())


@pytest.fixture(scope="module")
def library() -> ModuleType:
    if os.environ.get("CI"):
        import gcodeparser
    else:
        gcodeparser = pytest.importorskip("gcodeparser")
    return gcodeparser  # type: ignore[no-any-return]


def words_of_the_library(library: ModuleType, job: bytes) -> dict[int, tuple[int, int]]:
    """Line → (G number, bits of its letters) of every motion line that has words."""
    found = {}
    for number, line in enumerate(re.split(r"\r\n|\r|\n", job.decode("latin-1")), start=1):
        if not re.match(r"[ \t]*[Gg]", line):
            continue  # it would find commands within texts, and stops at a label such as `M486 AShape-Box`
        for command in library.parse_gcode_lines(line):
            bits = sum(LETTERS.get(letter, 0) for letter in command.params)
            if command.command[0] == "G" and command.command[1] in (0, 1, 2, 3) and bits:
                found[number] = (command.command[1], bits)
    return found


def words_of_the_product(job: bytes) -> dict[int, tuple[int, int]]:
    found = {}
    for window in product.MoveReader(io.BytesIO(job)).windows():
        moving = np.flatnonzero(window.moves.code[1:] <= 3) + 1
        for row in moving[window.moves.kind[moving] <= product.PRIME]:
            words = int(window.moves.words[row]) & ALL_LETTERS
            found[int(window.moves.line[row])] = (int(window.moves.code[row]), words)
    return found


@pytest.mark.skipif(not NAMES, reason="the collection of real jobs is not beside the repository")
@pytest.mark.parametrize("name", NAMES)
def test_a_general_library_finds_the_same_words_in_a_real_job(name: str, library: ModuleType) -> None:
    """Command and letters of every motion line."""
    job = (JOBS / name).read_bytes()
    assert words_of_the_product(job) == words_of_the_library(library, job)


# (line, what the library makes of it, whether we know where X is afterwards, X). The start is X2 Y2 Z2.
DIFFERENCES = [
    ("M117 G1 X5", [("M", 117), ("G", 1)], True, 2.0),  # a message: ours, by Marlin's queue.cpp
    ("EXCLUDE_OBJECT_START NAME=G1X5", [("G", 1)], True, 2.0),  # a name: ours, by Klipper's docs/Exclude_Object.md
    ("/G1 X5", [("G", 1)], False, None),  # may be skipped: ours, NISTIR 6556 2.2.2
    ("START G1 X5", [("G", 1)], False, None),  # a macro: ours; nobody knows what it does
    ("G29.1 Z-0.02", [("G", 29)], False, None),  # the library loses the decimal; for both not a move
    ("G 28 W", [], False, None),  # the library needs the number beside the letter; NISTIR 6556 3.3 ignores blanks
    ("T-1", [], False, None),  # the library knows no negative tool; ours takes a change of the tool for a wall
]


@pytest.mark.parametrize(("line", "theirs", "known", "x"), DIFFERENCES)
def test_where_the_library_reads_otherwise_ours_is_right(
    line: str, theirs: list[tuple[str, int]], known: bool, x: float | None, library: ModuleType
) -> None:
    """Both readings are pinned: a new version of the library, or of ours, that changes its mind shows here."""
    assert [command.command for command in library.parse_gcode_lines(line)] == theirs
    row = PRODUCT(b"G90\nG1 X2 Y2 Z2 F600\n" + line.encode() + b"\nG1 Y3\n")[-1]
    assert row.known == known
    if x is not None:
        assert row.x == x


@pytest.mark.parametrize(
    "line", ["G1 X 100 Y 90", "G1E-2", "G1 X1 E1e-5", "G1 X1 (Y5)", "g1x1y2", "G1 X+4", "G1 X1 X2"]
)
def test_the_library_and_we_read_the_odd_spellings_alike(line: str, library: ModuleType) -> None:
    """Blanks before a number, no blanks, no exponent, the later of two words, lower case, plus signs.

    Where firmwares might not agree (two words of one letter), a wall follows: we read it alike and don't rely on it.
    """
    job = b"G90\nG92 E0\nG1 X0 Y0 Z0 F600\n" + line.encode() + b"\n"
    (command,) = library.parse_gcode_lines(line)
    row = next(row for row in reversed(PRODUCT(job)) if row.kind != "WALL")
    assert (float(row.x), float(row.y)) == (command.params.get("X", 0), command.params.get("Y", 0))
    assert float(row.de) == command.params.get("E", 0)
