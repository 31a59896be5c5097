"""Hypothesis strategies for valid jobs in every dialect, and a speller that writes one job in many equivalent ways.

A job is a list of `Step`s in exact decimals of mm on a grid of 0.0254 mm, so that it can be written exactly in mm and
in inches. `spell` turns it into bytes under a `Spelling`; two spellings of one job must be planned alike. Jobs are
small prints of the nursery: a few islands a layer (rectangles, open zigzags, discs of arcs), with retractions, wipes,
own lifts of several kinds, walls, tools, labels and comments in any encoding between them.
"""

from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise

from hypothesis import strategies as st

GRID = Decimal("0.0254")  # a thousandth of an inch: exact in both units
INCH = Decimal("25.4")
E_GRID = Decimal("0.000254")
LAYER = 8 * GRID  # 0.2032 mm
BEAD_SHARE = Decimal("0.0338")  # filament per mm of bead: 0.4 mm wide, 0.2032 mm high, 1.75 mm filament


@dataclass(frozen=True)
class Step:
    """One command: where it goes (None = axis not named), filament pushed, feed in mm/min, or a text line."""

    kind: str  # bead wipe travel retract prime set_e shift fw_retract fw_prime line
    x: Decimal | None = None
    y: Decimal | None = None
    z: Decimal | None = None
    e: Decimal | None = None
    feed: Decimal | None = None
    centre: tuple[Decimal, Decimal] | None = None
    clockwise: bool = False
    turn: bool = False  # a full turn about a centre 1.27 mm from here
    text: bytes = b""


@dataclass(frozen=True)
class Spelling:
    """How a job is written; every combination means the same moves in both firmware dialects."""

    lower: bool = False
    gap: str = " "  # between words
    inner: str = ""  # between a letter and its number
    eol: bytes = b"\n"
    relative_e: bool = False
    relative_xyz: bool = False  # needs relative_e: firmwares disagree about G91 with M82
    inch: bool = False
    plus: bool = False
    bare_zeros: bool = False  # .5 and 5. instead of 0.5 and 5
    all_axes: bool = False
    bom: bool = False
    comment: bytes = b""
    last_line_end: bool = True


PLAIN = Spelling()


@st.composite
def spellings(draw: st.DrawFn, units: bool = True) -> Spelling:
    """Any spelling; `units=False` stays in mm."""
    relative_e = draw(st.booleans())
    return Spelling(
        lower=draw(st.booleans()),
        gap=draw(st.sampled_from(["", " ", "  ", "\t"])),
        inner=draw(st.sampled_from(["", " "])),
        eol=draw(st.sampled_from([b"\n", b"\r\n", b"\r"])),
        relative_e=relative_e,
        relative_xyz=relative_e and draw(st.booleans()),
        inch=units and draw(st.booleans()),
        plus=draw(st.booleans()),
        bare_zeros=draw(st.booleans()),
        all_axes=draw(st.booleans()),
        bom=draw(st.booleans()),
        comment=draw(st.sampled_from([b"", b"; pot", b";\xff\xfe \xe4", b" (rim)", b"; G1 X5 E9"])),
        last_line_end=draw(st.booleans()),
    )


coordinates = st.integers(400, 7000).map(lambda k: k * GRID)  # 10 to 178 mm


def on_grid(value: Decimal) -> Decimal:
    return round(value / GRID) * GRID


def filament(length: Decimal) -> Decimal:
    return max(round(length * BEAD_SHARE / E_GRID), 1) * E_GRID


def distance(a: tuple[Decimal, Decimal], b: tuple[Decimal, Decimal]) -> Decimal:
    return ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2).sqrt()


def line_beads(points: list[tuple[Decimal, Decimal]], feed: Decimal) -> list[Step]:
    steps = []
    for number, (a, b) in enumerate(pairwise(points)):
        if a != b:
            steps.append(Step("bead", *b, e=filament(distance(a, b)), feed=feed if number == 0 else None))
    return steps


@st.composite
def islands(draw: st.DrawFn) -> tuple[tuple[Decimal, Decimal], list[Step]]:
    """(start, beads) of one closed or open path at the current height."""
    x, y = draw(coordinates), draw(coordinates)
    feed = draw(st.sampled_from([Decimal(1270), Decimal(2540), Decimal("1905")]))
    shape = draw(st.sampled_from(["rectangle", "zigzag", "disc", "dot"]))
    size = draw(st.integers(40, 600)) * GRID
    if shape == "rectangle":
        points = [(x, y), (x + size, y), (x + size, y + size), (x, y + size), (x, y)]
        return (x, y), line_beads(points, feed)
    if shape == "zigzag":
        turns = draw(st.lists(st.tuples(st.integers(-300, 300), st.integers(-300, 300)), min_size=1, max_size=6))
        points = [(x, y)] + [(x + dx * GRID, y + dy * GRID) for dx, dy in turns]
        return (x, y), line_beads(points, feed) or line_beads([(x, y), (x + size, y)], feed)
    if shape == "dot":
        return (x, y), line_beads([(x, y), (x + GRID, y)], feed)
    centre = (x + size, y)
    clockwise = draw(st.booleans())
    half = filament(size * 3)
    arcs = [
        Step("bead", x + 2 * size, y, e=half, feed=feed, centre=centre, clockwise=clockwise),
        Step("bead", x, y, e=half, centre=centre, clockwise=clockwise),
    ]
    return (x, y), arcs


WALLS = [b"PARK_HEAD", b"M600", b"G29", b"PAUSE_FOR_LABEL NAME=pot X=5 Y=6 Z=7", b"G53", b"M9999 X5 Y5", b"T1", b"T0"]
NEUTRAL = [
    b"M106 S128",
    b"M73 P25 R43",
    b"M117 Z5 (hi) *The-End*",
    b"M104 S210",
    b"M204 S1000",
    b"M118 X16.60 Y16.60",
    b"",
]
LABELS = [b"M486 S0", b"M486 S-1", b"EXCLUDE_OBJECT_START NAME=pot_1", b"EXCLUDE_OBJECT_END NAME=pot_1"]
COMMENTS = [b"; lattice pot", b";\xe9t\xe9", b"; \xe2\x98\x83", b"(rim)", b";" + b"k" * 3000, b"; material = PETG"]


@st.composite
def gaps(draw: st.DrawFn, goal: tuple[Decimal, Decimal], z: Decimal, walls: bool) -> list[Step]:
    """What stands between two islands: from plain travels to own lifts, with what real jobs put among them."""
    retract = 2000 * E_GRID
    feed = draw(st.sampled_from([Decimal(7620), Decimal(9144)]))
    style = draw(st.sampled_from(["plain", "retract", "wipe", "firmware"]))
    lift = draw(st.sampled_from(["none", "straight", "sloped", "way-points", "tall", "dip", "helix", "circle"]))
    before: list[Step] = []
    after: list[Step] = []
    if style == "retract":
        before, after = (
            [Step("retract", e=-retract, feed=Decimal(1524))],
            [Step("prime", e=retract, feed=Decimal(1524))],
        )
    elif style == "wipe":
        near = (goal[0] + 8 * GRID, goal[1])
        before = [Step("retract", e=-retract / 2, feed=Decimal(1524)), Step("wipe", *near, e=-retract / 2)]
        after = [Step("prime", e=retract, feed=Decimal(1524))]
    elif style == "firmware":
        before, after = [Step("fw_retract")], [Step("fw_prime")]
    middle = own_lift(lift, goal, z, feed)
    place = draw(st.integers(0, len(middle)))
    return [*before, *middle[:place], *draw(extras(walls)), *middle[place:], *after]


def own_lift(lift: str, goal: tuple[Decimal, Decimal], z: Decimal, feed: Decimal) -> list[Step]:
    up = z + (120 if lift == "tall" else 16) * GRID
    if lift in ("straight", "tall"):
        return [Step("travel", z=up, feed=feed), Step("travel", *goal, feed=feed), Step("travel", z=z, feed=feed)]
    if lift == "sloped":
        return [
            Step("travel", goal[0] + 30 * GRID, goal[1] - 30 * GRID, up, feed=feed),
            Step("travel", goal[0], goal[1], z),
        ]
    if lift == "way-points":
        return [Step("travel", goal[0], goal[1] + 40 * GRID, feed=feed), Step("travel", *goal)]
    if lift == "helix":  # a full turn that only names Z and the centre
        turn = Step("travel", z=up, feed=feed, turn=True)
        return [turn, Step("travel", *goal), Step("travel", z=z)]
    if lift == "circle":  # the same at one height: no lift, and no way either
        return [Step("travel", feed=feed, turn=True), Step("travel", *goal)]
    if lift == "dip":
        return [Step("travel", z=z - 2 * GRID, feed=feed), Step("travel", *goal, feed=feed), Step("travel", z=z)]
    return [Step("travel", *goal, z=z, feed=feed)]


@st.composite
def extras(draw: st.DrawFn, walls: bool) -> list[Step]:
    """At most two lines that move nothing, or walls; after a wall the caller spells the position out anew."""
    kinds = [NEUTRAL, LABELS, COMMENTS] + ([WALLS] if walls else [])
    picked = draw(st.lists(st.sampled_from(kinds), max_size=2))
    return [Step("line", text=draw(st.sampled_from(kind))) for kind in picked]


@st.composite
def jobs(draw: st.DrawFn, walls: bool = True, max_layers: int = 4, max_islands: int = 4) -> list[Step]:
    """A whole print: start, layers of islands joined by gaps, end."""
    steps = start_code()
    z = Decimal(0)
    here: tuple[Decimal, Decimal] | None = None
    for layer in range(draw(st.integers(1, max_layers))):
        z += LAYER if layer else 10 * GRID
        for start, beads in draw(st.lists(islands(), min_size=1, max_size=max_islands)):
            steps += draw(gaps(start, z, walls)) if here else [Step("travel", *start, z=z, feed=Decimal(7620))]
            if any(step.kind == "line" and step.text in WALLS for step in steps[-8:]):
                steps.append(Step("travel", *start, z=z, feed=Decimal(7620)))  # all three axes: the position is known
            steps += beads
            here = start
        if draw(st.booleans()):
            steps.append(Step("set_e"))
        if draw(st.integers(0, 4)) == 0:
            steps.append(Step("shift", x=draw(st.integers(-50, 50)) * GRID, z=draw(st.sampled_from([None, GRID]))))
    return [*steps, *end_code(z)]


def start_code() -> list[Step]:
    return [
        Step("line", text=b"; demo of the nursery"),
        Step("line", text=b"M140 S60"),
        Step("line", text=b"M104 S210"),
        Step("line", text=b"G28"),
    ]


def end_code(z: Decimal) -> list[Step]:
    return [
        Step("retract", e=-2000 * E_GRID, feed=Decimal(1524)),
        Step("travel", z=z + 400 * GRID, feed=Decimal(762)),
        Step("line", text=b"M104 S0"),
        Step("line", text=b"M140 S0"),
        Step("line", text=b"M84"),
    ]


def shifted(job: list[Step], dx: Decimal, dy: Decimal) -> list[Step]:
    """The same job at another place of the bed."""

    def moved(step: Step) -> Step:
        if step.kind == "shift":
            return step  # it moves the program's zero by so much, wherever that lies
        centre = (step.centre[0] + dx, step.centre[1] + dy) if step.centre else None
        x = None if step.x is None else step.x + dx
        y = None if step.y is None else step.y + dy
        return replace(step, x=x, y=y, centre=centre)

    return [moved(step) for step in job]


def spell(job: list[Step], how: Spelling = PLAIN) -> bytes:
    return Writer(how).write(job)


class Writer:
    """Writes steps under one spelling; remembers what a firmware would, so that words can be relative or left out."""

    def __init__(self, how: Spelling) -> None:
        self.how = how
        self.at: dict[str, Decimal] = {}
        self.origin = dict.fromkeys("XYZ", Decimal(0))  # where the program's zero lies on the bed: what G92 moves
        self.e = Decimal(0)
        self.relative = False

    def write(self, job: list[Step]) -> bytes:
        how = self.how
        lines = [self.command("G20" if how.inch else "G21"), self.command("G90")]
        lines.append(self.command("M83" if how.relative_e else "M82"))
        for step in job:
            lines += self.lines_of(step)
        body = how.eol.join(lines) + (how.eol if how.last_line_end else b"")
        return (b"\xef\xbb\xbf" if how.bom else b"") + body

    def command(self, *words: str) -> bytes:
        text = self.how.gap.join(words)
        return (text.lower() if self.how.lower else text).encode() + self.how.comment

    def word(self, letter: str, mm: Decimal) -> str:
        value = mm / INCH if self.how.inch else mm
        text = f"{value.normalize():f}"
        if self.how.bare_zeros:
            text = text.replace("-0.", "-.") if text.startswith("-0.") else text
            text = text[1:] if text.startswith("0.") else text
            text = text if "." in text else text + "."
        sign = "+" if self.how.plus and value >= 0 else ""
        return f"{letter}{self.how.inner}{sign}{text}"

    def lines_of(self, step: Step) -> list[bytes]:
        if step.kind == "line":
            if step.text in WALLS or step.text == b"G28":
                self.at.clear()
                return [*self.leave_relative(), step.text]
            return [step.text]
        if step.kind == "shift":
            return self.shifted(step)
        if step.kind == "set_e":
            self.e = Decimal(0)
            return [self.command("G92", self.word("E", Decimal(0)))]
        if step.kind in ("fw_retract", "fw_prime"):
            return [self.command("G10" if step.kind == "fw_retract" else "G11")]
        before = self.mode_lines(step)
        return [*before, self.motion(step)]

    def shifted(self, step: Step) -> list[bytes]:
        """G92 that moves the program's zero by the step; only where the position is certain."""
        words = []
        for axis, by in (("X", step.x), ("Y", step.y), ("Z", step.z)):
            if by is not None and axis in self.at:
                self.origin[axis] += by
                words.append(self.word(axis, self.at[axis] - self.origin[axis]))
        return [self.command("G92", *words)] if words else []

    def mode_lines(self, step: Step) -> list[bytes]:
        """Relative positioning may begin as soon as the position is certain."""
        certain = {"X", "Y", "Z"} <= self.at.keys()
        if self.how.relative_xyz and certain and not self.relative:
            self.relative = True
            return [self.command("G91"), self.command("M83")]
        return []

    def leave_relative(self) -> list[bytes]:
        if not self.relative:
            return []
        self.relative = False
        return [self.command("G90"), self.command("M83")]

    def motion(self, step: Step) -> bytes:
        words = [{"travel": "G0"}.get(step.kind, "G1")]
        start = dict(self.at)
        if step.centre or step.turn:
            words[0] = "G2" if step.clockwise else "G3"
        for axis, value in (("X", step.x), ("Y", step.y), ("Z", step.z)):
            wanted = value
            if wanted is None and self.how.all_axes and step.kind != "line" and axis in self.at:
                wanted = self.at[axis] if step.kind in ("bead", "wipe", "travel") else None
            if wanted is None or (step.turn and axis != "Z"):
                continue
            words.append(self.word(axis, wanted - (self.at[axis] if self.relative else self.origin[axis])))
            self.at[axis] = wanted
        if step.centre:
            words.append(self.word("I", step.centre[0] - start["X"]))
            words.append(self.word("J", step.centre[1] - start["Y"]))
        if step.turn:
            words += [self.word("I", 50 * GRID), self.word("J", Decimal(0))]
        if step.e is not None:
            self.e += step.e
            words.append(self.word("E", step.e if self.how.relative_e else self.e))
        if step.feed is not None:
            words.append(self.word("F", step.feed))
        return self.command(*words)
