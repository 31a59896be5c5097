"""A job's lines → rows of motion in exact decimals: the slow, obvious twin of the product's modal reader.

One `Row` a command that moves, changes the state or must not be crossed, with the position after it in bed
coordinates (G92 undone, inches converted), the filament pushed, the modal feed and the arc. Written from the
published documents alone; the sources:
NIST RS274/NGC (NISTIR 6556), Marlin documentation 9ceeb6e4, Klipper 84104bbb. It refuses nothing: what it can't
read is a WALL row, after which the position is unknown until absolute X, Y and Z were seen.

1. G90/G91 set the position mode; whether they set E too is the `g90_sets_extrusion` of the dialect (Marlin: yes;
   Klipper: no, and E is absolute only while both G90 and M82 hold).
2. I and J count from the start of the arc in every mode (NIST 3.5.17). An end equal to the start is a full circle.
3. G92 changes the named axes alone and moves nothing (NIST 3.5.18). Homing forgets the shift of the axes it homes.
4. G20 makes every length an inch: positions, E, F (NIST 3.5.7; F in units a minute, 2.1.2.5 A).
5. G10 with L or P sets data (NIST 3.5.5, tool temperatures); bare or with S it is a retraction.
6. The last of several words of one letter holds (Marlin's and Klipper's parsers both overwrite).
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from decimal import Decimal, localcontext
from fnmatch import fnmatchcase

from reference.slow_words import Command, Line, read_lines

ZERO = Decimal(0)
INCH = Decimal("25.4")  # the international inch, exactly

# Commands that move nothing and change no frame: temperature, fan, progress, message, query, beep, tuning, labels.
# M120/M121 are not among them (some firmwares push and pop the modal state), nor M420 (it bends the frame of Z).
NEUTRAL_G = frozenset({"G4", "G17", "G21", "G90", "G91", "G94"})
NEUTRAL_M = frozenset(
    f"M{number}"
    for number in (
        *(73, 75, 76, 77, 78, 82, 83, 104, 105, 106, 107, 108, 109, 110, 111, 114, 115, 117, 118, 119, 140, 141, 150),
        *(155, 190, 191, 200, 207, 208, 209, 300, 302, 355, 400, 413, 486, 503, 572, 593, 900),
    )
)
LIMITS = frozenset({"M201", "M203", "M204", "M205", "M220", "M221", "SET_VELOCITY_LIMIT"})
LABELS = frozenset({"M486", "EXCLUDE_OBJECT_START", "EXCLUDE_OBJECT_END"})
LAST_TOOL = 99  # a T number beyond it names a macro of the machine
NO_TOOL = -(2**30)  # what it leaves active is not known


@dataclass(frozen=True)
class Dialect:
    g90_sets_extrusion: bool = True
    filament_mm: Decimal = Decimal("1.75")
    neutral: tuple[str, ...] = ()


@dataclass(frozen=True)
class Arc:
    cx: Decimal
    cy: Decimal
    sweep: float  # radians, + = counter-clockwise


@dataclass(frozen=True)
class Row:
    kind: str
    line: int
    x: Decimal
    y: Decimal
    z: Decimal
    de: Decimal
    feed: Decimal  # mm/s, modal, after the row
    known: bool
    tool: int
    code: int = 255
    arc: Arc | None = None
    value: Decimal = ZERO


@dataclass
class State:
    """What a firmware remembers between commands; `shift` is what G92 added to each axis."""

    at: dict[str, Decimal] = field(default_factory=lambda: dict.fromkeys("XYZE", ZERO))
    shift: dict[str, Decimal] = field(default_factory=lambda: dict.fromkeys("XYZE", ZERO))
    seen: set[str] = field(default_factory=set)
    before_tool: set[str] = field(default_factory=set)  # seen before a tool change, and by no bead confirmed yet
    lost: set[str] = field(default_factory=set)  # axes whose shift nobody knows until they are homed
    in_doubt: bool = False  # whether positions are absolute
    printed: bool = False
    absolute: bool = True
    absolute_e: bool = True
    unit: Decimal = Decimal(1)
    feed: Decimal = ZERO
    tool: int = 0
    plane: int = 17
    volumetric: bool = False
    line: int = 0

    def row(self, kind: str, **more: object) -> Row:
        known = {"X", "Y", "Z"} <= self.seen
        row = Row(kind, self.line, self.at["X"], self.at["Y"], self.at["Z"], ZERO, self.feed, known, self.tool)
        return replace(row, **more)  # type: ignore[arg-type]


def read(job: bytes, dialect: Dialect | None = None) -> list[Row]:
    return list(read_rows(read_lines(job), dialect or Dialect()))


def read_rows(lines: Iterable[Line], dialect: Dialect) -> Iterable[Row]:
    state = State()
    with localcontext() as context:
        context.prec = 400  # every sum of decimals of a job is exact
        for line in lines:
            state.line = line.number
            if line.skippable and (line.commands or line.odd):
                yield wall(state)  # the line may or may not run
                continue
            yield from read_line(state, line, dialect)


def read_line(state: State, line: Line, dialect: Dialect) -> Iterable[Row]:
    """A wall swallows what stands behind it on its line.

    Marlin and Klipper obey the first command of a line alone, other machines all of them: on a line that holds two
    commands nothing is certain, and behind it neither position nor positioning mode.
    """
    obeyed = 0
    rows: list[Row] = []
    for command in line.commands:
        obeyed += 1
        if is_spoiled(line, command):
            rows.append(wall(state))
            break
        done = list(obey(state, command, dialect))
        rows += done
        if any(row.kind == "WALL" for row in done):
            break
        if len(line.commands) > 1 and command is not line.commands[-1] and not goes_on(command):
            rows.append(wall(state))
            break
    else:
        if line.odd is not None and not (line.commands and is_modal(line.commands[-1])):
            obeyed += 1
            rows += odd(state, line.odd, dialect)
    positioning = any(f"{c.letter}{c.number}" in {"G90", "G91"} for c in line.commands[:obeyed])
    # `G90 X5`: a move by the standard (NIST 3.3.7), nothing to printers
    crowded = obeyed > 1 or any(is_mode(command) and command.words for command in line.commands[:obeyed])
    if crowded:
        state.in_doubt = state.in_doubt or positioning
        if line.says_feed:
            state.feed = ZERO  # unknown, until it is written again
        rows = [*(replace(row, known=False) for row in rows), wall(state)]
    elif positioning:
        state.in_doubt = False
    yield from rows


def is_spoiled(line: Line, command: Command) -> bool:
    """A dwell or a firmware retraction whose words can't all be read: obeyed by some firmwares, not by others."""
    if f"{command.letter}{command.number}" not in {"G4", "G10", "G11"}:
        return False
    return (command is line.commands[-1] and line.odd is not None) or any(value is None for _, value in command.words)


def goes_on(command: Command) -> bool:
    """Whether another command may follow on the line: motions and modes, as NISTIR 6556 allows."""
    name = f"{command.letter}{command.number}"
    return name in {"G0", "G1", "G2", "G3", "G17", "G20", "G21", "G90", "G91", "G92", "G94", "M82", "M83"}


def is_mode(command: Command) -> bool:
    return f"{command.letter}{command.number}" in {"G20", "G21", "G90", "G91", "M82", "M83"}


def is_modal(command: Command) -> bool:
    return f"{command.letter}{command.number}" in NEUTRAL_G | NEUTRAL_M | LIMITS


def odd(state: State, name: str, dialect: Dialect) -> Iterable[Row]:
    if name in LABELS:
        yield state.row("LABEL")
    elif name in LIMITS:
        yield state.row("LIMIT")
    elif name != "EXCLUDE_OBJECT_DEFINE" and not is_neutral(name, dialect):
        yield wall(state)


def is_neutral(name: str, dialect: Dialect) -> bool:
    return any(fnmatchcase(name.upper(), glob.upper()) for glob in dialect.neutral)


def wall(state: State) -> Row:
    state.seen.clear()
    state.before_tool.clear()
    return state.row("WALL")


def obey(state: State, command: Command, dialect: Dialect) -> Iterable[Row]:
    name = "T" if command.number is None or command.letter == "T" else f"{command.letter}{command.number.normalize():f}"
    if name in ("G0", "G1", "G2", "G3"):
        if any(letter in "XYZEFIJR" and value is None for letter, value in command.words):
            yield wall(state)  # `G1 X`: zero to Marlin, an error to Klipper
        elif any(letter in "XYZEF" for letter, _ in command.words) or name in ("G2", "G3"):
            yield from move(state, command, int(command.number), dialect)
        elif is_doubtful(command):
            yield wall(state)
    elif name == "T":
        yield from tool(state, command)
    elif name == "G4":
        seconds = (command.last("S") or ZERO) + (command.last("P") or ZERO) / 1000  # Marlin, Klipper: P milliseconds
        yield state.row("DWELL", value=seconds)
    elif name in ("G10", "G11") and (command.has("L") or (has_axis(command) and (name == "G10" or command.has("P")))):
        yield wall(state)  # offsets of a tool or a workpiece
    elif name in ("G10", "G11") and not command.has("P"):
        yield state.row("FW_RETRACT" if name == "G10" else "FW_PRIME")
    elif name in ("G10", "G11"):
        return  # tool temperatures
    elif name == "G92":
        yield set_position(state, command)
    elif is_mode(command):
        yield mode(state, name, dialect)
        if command.words:
            yield wall(state)
    elif name in ("G17", "G18", "G19"):
        state.plane = int(name[1:])
        if name != "G17":
            yield state.row("MODE")
    elif name == "M200":
        set_volumetric(state, command)
    elif name == "G28":
        yield home(state, command)
    elif name == "G92.1":
        yield home(state, Command("G", None, []))
    elif name in LIMITS:
        yield state.row("LIMIT")
    elif name in LABELS:
        yield state.row("LABEL")
    elif name not in NEUTRAL_G | NEUTRAL_M and not is_neutral(name, dialect):
        yield wall(state)


def has_axis(command: Command) -> bool:
    return any(command.has(axis) for axis in "XYZE")


def set_volumetric(state: State, command: Command) -> None:
    if command.last("S") == 0:
        state.volumetric = False
    elif command.has("D"):
        state.volumetric = bool(command.last("D"))


def mode(state: State, name: str, dialect: Dialect) -> Row:
    if name in ("G20", "G21"):
        state.unit = INCH if name == "G20" else Decimal(1)
    elif name in ("G90", "G91"):
        state.absolute = name == "G90"
        if dialect.g90_sets_extrusion:
            state.absolute_e = state.absolute
    else:
        state.absolute_e = name == "M82"
    return state.row("MODE")


def tool(state: State, command: Command) -> Iterable[Row]:
    if command.number is None:
        return  # T alone reports the active tool
    if command.number > LAST_TOOL or command.number % 1:
        state.tool = NO_TOOL
        yield wall(state)
    elif int(command.number) != state.tool:
        state.tool = int(command.number)
        state.before_tool |= state.seen
        state.seen.clear()
        yield state.row("TOOL")


def home(state: State, command: Command) -> Row:
    homed = [axis for axis in "XYZ" if command.has(axis)] or list("XYZ")
    for axis in homed:
        state.shift[axis] = ZERO
        state.lost.discard(axis)
    return wall(state)


def set_position(state: State, command: Command) -> Row:
    """Named axes alone. At an unknown place the word is taken as the place; once something was printed, it is lost.

    Bare G92 is followed in no way: NIST calls it an error, Klipper sets all axes to zero, others ignore it. A job that
    holds one is refused.
    """
    for axis in "XYZE":
        if not command.has(axis):
            continue
        wanted = (command.last(axis) or ZERO) * state.unit
        if axis == "E" or axis in state.seen:
            state.shift[axis] = state.at[axis] - wanted
        else:
            state.shift[axis], state.at[axis] = ZERO, wanted
            state.before_tool.discard(axis)
            if state.printed:
                state.lost.add(axis)
    return state.row("SET")


def move(state: State, command: Command, code: int, dialect: Dialect) -> Iterable[Row]:
    before = dict(state.at)
    feed = command.last("F")
    if feed is not None:
        state.feed = feed * state.unit / 60
    for axis in "XYZE":
        value = command.last(axis)
        if value is None:
            continue
        length = value * state.unit
        absolute = state.absolute if axis != "E" else is_e_absolute(state, dialect)
        state.at[axis] = length + state.shift[axis] if absolute else state.at[axis] + length
        if absolute and axis != "E" and axis not in state.lost and not state.in_doubt:
            state.seen.add(axis)
    pushed = state.at["E"] - before["E"]
    arc = read_arc(state, command, code, before) if code >= 2 and state.plane == 17 else None
    if code >= 2 and arc is None:
        state.seen.clear()  # firmwares refuse it and stay where they are, or turn elsewhere
        state.before_tool.clear()
    doubtful = is_doubtful(command) or (code >= 2 and arc is None)
    if doubtful:
        state.seen.clear()
    across = arc is not None or (state.at["X"], state.at["Y"]) != (before["X"], before["Y"])
    kind = kind_of(command, across, pushed)
    if state.volumetric:
        pushed /= Decimal(math.pi) * dialect.filament_mm**2 / 4
    if kind == "BEAD":
        state.printed = True
        if not doubtful:
            state.seen |= state.before_tool  # the job counts on the tool being where the one before it was
    if kind:
        yield state.row(kind, de=pushed, code=code, arc=arc)
    if doubtful:
        yield wall(state)


def is_doubtful(command: Command) -> bool:
    """Repeated: an error by the standard (NIST 3.3.5), the later word to firmwares. Others belong to no motion."""
    letters = [letter for letter, _ in command.words if letter != "P"]
    return len(letters) != len(set(letters)) or any(letter not in "XYZEFIJR" for letter in letters)


def is_e_absolute(state: State, dialect: Dialect) -> bool:
    return state.absolute_e if dialect.g90_sets_extrusion else state.absolute_e and state.absolute


def kind_of(command: Command, across: bool, pushed: Decimal) -> str | None:
    """None: no row; an E word that repeats itself is nothing."""
    if across:
        return "BEAD" if pushed > 0 else "WIPE" if pushed < 0 else "TRAVEL"
    if pushed:
        return "PRIME" if pushed > 0 else "RETRACT"
    if any(command.has(axis) for axis in "XYZ"):
        return "TRAVEL"
    return "FEED" if command.has("F") else None


def read_arc(state: State, command: Command, code: int, before: dict[str, Decimal]) -> Arc | None:
    """Centre and sweep; None where the words give no arc. The end is the programmed one in every dialect."""
    x0, y0, x1, y1 = before["X"], before["Y"], state.at["X"], state.at["Y"]
    radius = command.last("R")
    if radius is not None:
        centre = centre_by_radius(x0, y0, x1, y1, radius * state.unit, code)
        if centre is None:
            return None
        cx, cy = centre
    elif command.has("I") or command.has("J"):
        cx = x0 + (command.last("I") or ZERO) * state.unit
        cy = y0 + (command.last("J") or ZERO) * state.unit
        if (cx, cy) == (x0, y0):
            return None  # no circle: Marlin and Klipper both refuse I0 J0
    else:
        return None
    return Arc(cx, cy, sweep_of(float(x0 - cx), float(y0 - cy), float(x1 - cx), float(y1 - cy), code))


def sweep_of(ux: float, uy: float, vx: float, vy: float, code: int) -> float:
    """Signed turn from (ux, uy) to (vx, vy); within 5e-7 rad of nothing is a full circle (grbl planner, config.h)."""
    turn = math.atan2(ux * vy - uy * vx, ux * vx + uy * vy)
    if code == 3:
        return turn + 2 * math.pi if turn <= 5e-7 else turn
    return turn - 2 * math.pi if turn >= -5e-7 else turn


def centre_by_radius(
    x0: Decimal, y0: Decimal, x1: Decimal, y1: Decimal, radius: Decimal, code: int
) -> tuple[Decimal, Decimal] | None:
    """NIST 3.5.3.1: R > 0 turns at most 180°, R < 0 more; no end other than the start, no arc."""
    dx, dy = x1 - x0, y1 - y0
    apart = dx * dx + dy * dy
    if not apart or not radius:
        return None
    square = max(radius * radius - apart / 4, ZERO)
    with localcontext() as context:
        context.prec = 50
        along = square.sqrt() / apart.sqrt()
    left = (code == 3) == (radius > 0)  # the centre lies left of the chord on a short counter-clockwise turn
    side = 1 if left else -1
    return (x0 + x1) / 2 - side * along * dy, (y0 + y1) / 2 + side * along * dx
