"""The slow, obvious reader beside the proof's kernels: a job's bytes to lines with exact decimals, one object a line.

Same rules as daemon/liftwright/proof_reader.py, written with regular expressions and decimal.Decimal instead.
"""

import fnmatch
import re
from dataclasses import dataclass, field, replace
from decimal import Decimal

KNOWN_ALL = frozenset("XYZM")  # M: the distance mode
ZERO = Decimal(0)

LINE = re.compile(rb"[^\r\n]*(?:\r\n|\r|\n|\Z)")
NUMBER = rb"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)"
WORD = re.compile(rb"([A-Za-z])[ \t]*(?:(" + NUMBER + rb")|[+-]?\.?)")  # a lone sign or point belongs to its letter
COMMENT = re.compile(rb";[^\r\n]*|\([^)\r\n]*\)?")
LEAD = re.compile(rb"(?:\xef\xbb\xbf)?(?:[ \t]|\([^)\r\n]*\)?|[Nn](?=[0-9 ])[0-9 .]*)*")
NAME = re.compile(rb"[A-Za-z_][A-Za-z_][A-Za-z0-9_.]*")
LETTERED = re.compile(rb"([GMTgmt])[ \t]*(" + NUMBER + rb")?")

NEUTRAL_M = {
    *(73, 74, 75, 76, 77, 78, 104, 105, 106, 107, 108, 109, 113, 114, 115, 119, 123, 140, 141, 142, 143, 144, 149, 150),
    *(154, 155, 190, 191, 200, 201, 202, 203, 204, 205, 208, 221, 250, 256, 300, 302, 400, 413, 566, 567, 569, 572),
    *(593, 900, 906, 913, 914),
}
TEXT_M = {117, 118, 486}
PAUSE_M = {0, 1, 25, 125, 226, 600, 601, 602}
FRAME_G = {
    *map(Decimal, (43, 50, 51, 52, 55, 56, 57, 58, 59, 68, 93, 95, 96)),
    *map(Decimal, ("43.1", "43.2", "51.1", "59.1", "59.2", "59.3", "68.1", "90.1")),
}
NEUTRAL_NAMES = {
    *("SET_VELOCITY_LIMIT", "SET_PRESSURE_ADVANCE", "SET_FAN_SPEED", "SET_HEATER_TEMPERATURE", "SET_PRINT_STATS_INFO"),
    *("EXCLUDE_OBJECT_DEFINE", "EXCLUDE_OBJECT_START", "EXCLUDE_OBJECT_END", "RESPOND"),
}


@dataclass(frozen=True)
class Machine:
    """What the firmware remembers between two lines."""

    at: dict[str, Decimal] = field(default_factory=lambda: dict.fromkeys("XYZE", ZERO))
    shift: dict[str, Decimal] = field(default_factory=lambda: dict.fromkeys("XYZE", ZERO))
    feed: Decimal = ZERO
    known: frozenset[str] = frozenset("EM")
    before_tool: frozenset[str] = frozenset()  # axes known before a tool change, and confirmed by no bead yet
    absolute: bool = True
    e_relative_if_set: bool = False  # G90 and G91 set the extruder's mode, too
    e_relative_by_m83: bool = False
    inch: bool = False
    tool: Decimal = ZERO
    latched: bool = False
    plane: int = 17
    percent: Decimal = Decimal(100)
    firmware_lift: bool = False
    frame: bool = False


@dataclass
class Line:
    """One line and the machine after it. kind: blank note move bead back forward neutral dwell wall."""

    text: bytes
    end: bytes
    kind: str = "neutral"
    code: Decimal | None = None
    words: dict[str, Decimal] = field(default_factory=dict)
    clear: bool = True
    comments: list[bytes] = field(default_factory=list)
    numbered: bool = False
    unsure: bool = False
    unknown: bool = False
    changes: bool = False  # to another tool
    pushed: Decimal = ZERO
    before: Machine = Machine()
    after: Machine = Machine()

    @property
    def whole(self) -> bytes:
        return self.text + self.end


class Reader:
    """Reads lines in order; `sets` as in Limits.g90_sets_extrusion."""

    def __init__(self, sets: bool | None, neutral: tuple[str, ...]) -> None:
        self.sets = sets
        self.globs = [glob.upper() for glob in neutral]
        self.machine = Machine()

    def read(self, job: bytes) -> list[Line]:
        return [self._line(match[0]) for match in LINE.finditer(job) if match[0]]

    def _line(self, raw: bytes) -> Line:
        text = raw.rstrip(b"\r\n") if not raw.endswith(b"\r\n") else raw[:-2]
        line = Line(text, raw[len(text) :], before=self.machine)
        lead = LEAD.match(text)
        rest = text[lead.end() :]
        line.comments = COMMENT.findall(lead[0])
        line.numbered = re.search(rb"[Nn]", COMMENT.sub(b"", lead[0])) is not None
        self._command(line, rest)
        line.after = self.machine
        return line

    def _command(self, line: Line, rest: bytes) -> None:
        name, lettered = NAME.match(rest), LETTERED.match(rest)
        if not rest:
            line.kind = "note" if line.comments else "blank"
        elif rest[:1] == b";":
            line.kind = "note"
            line.comments.append(rest)
        elif name:
            text = name[0].decode("ascii").upper()
            if text not in NEUTRAL_NAMES and not self._neutral(text):
                self._wall(line, unknown=True)
        elif lettered and lettered[1] in b"Tt":
            self._tool(line, lettered, rest)
        elif lettered and lettered[2]:
            line.code = Decimal(lettered[2].decode())
            self._lettered(line, lettered[1].upper().decode(), rest[lettered.end() :])
        else:
            self._wall(line, unknown=True)
            if rest[:1] == b"/":
                self._set(known=frozenset())

    def _neutral(self, name: str) -> bool:
        return any(fnmatch.fnmatchcase(name, glob) for glob in self.globs)

    def _set(self, **changes: object) -> None:
        self.machine = replace(self.machine, **changes)

    def _wall(self, line: Line, unknown: bool) -> None:
        line.kind = "wall"
        line.unknown = line.unknown or unknown
        self._set(known=self.machine.known - set("XYZ"), before_tool=frozenset())

    def _tool(self, line: Line, lettered: re.Match[bytes], rest: bytes) -> None:
        if not lettered[2]:
            if rest[lettered.end() :].strip(b" \t")[:1] not in (b"", b";"):
                self._wall(line, unknown=True)
            return
        tool = Decimal(lettered[2].decode())
        if self._neutral(f"T{tool.normalize():f}"):
            return
        if tool != self.machine.tool:
            self._set(tool=tool // 1 if tool >= 0 else tool)
            before = (self.machine.before_tool | self.machine.known) & set("XYZ")
            self._wall(line, unknown=False)
            self._set(before_tool=before)
            line.changes = tool in range(100)

    def _lettered(self, line: Line, letter: str, rest: bytes) -> None:
        code = line.code
        assert code is not None
        owned = {4, 10, 11, 17, 18, 19, 20, 21, 28, 90, 91, 92} if letter == "G" else {82, 83, 207, 220}
        motion = letter == "G" and code in (0, 1, 2, 3)
        if motion or code in owned:
            modes = self._words(line, rest)
            if motion:
                self._motion(line, modes)
            elif letter == "G":
                self._own_g(line, modes)
            else:
                self._own_m(line, modes)
            return
        neutral = code == 94 if letter == "G" else code in NEUTRAL_M | TEXT_M
        frame = letter == "G" and code in FRAME_G
        pause = letter == "M" and code in PAUSE_M
        named = code * 10 % 1 == 0 and 0 <= code < 10_000 and self._neutral(f"{letter}{code.normalize():f}")
        if named and not (neutral or frame or pause):
            return
        if neutral:
            if not (letter == "M" and code in TEXT_M) and _second_command(rest):
                self._wall(line, unknown=True)
            return
        self._set(frame=self.machine.frame or frame)
        self._wall(line, unknown=not pause)
        if letter == "G" and code == Decimal("92.1"):
            self._set(shift=self.machine.shift | dict.fromkeys("XYZ", ZERO))

    def _words(self, line: Line, rest: bytes) -> list[bytes]:
        """Fill the line's words and comments; returns further mode words such as b"G91"."""
        modes = []
        at = 0
        while at < len(rest):
            word, comment = WORD.match(rest, at), COMMENT.match(rest, at)
            if rest[at : at + 1] in (b" ", b"\t"):
                at += 1
            elif comment:
                line.comments.append(comment[0])
                at = comment.end()
            elif rest[at : at + 1] == b"*":
                line.numbered = True
                break
            elif not word:
                line.clear = False
                break
            else:
                letter = word[1].upper().decode()
                if not word[2]:
                    line.clear = False
                elif letter in "GM":
                    line.clear = False
                    modes.append(f"{letter}{Decimal(word[2].decode()).normalize():f}".encode())
                else:
                    line.clear = line.clear and letter not in line.words
                    line.words[letter] = Decimal(word[2].decode())
                at = word.end()
        return modes

    def _modes(self, modes: list[bytes]) -> None:
        """Firmware of the one kind lets G90/G91 set the extruder's mode, the other kind keeps the two apart."""
        if b"G90" in modes or b"G91" in modes:
            absolute = b"G90" in modes
            self._set(absolute=absolute, e_relative_if_set=not absolute, known=self.machine.known | {"M"})
        if b"M82" in modes or b"M83" in modes:
            relative = b"M82" not in modes
            self._set(e_relative_if_set=relative, e_relative_by_m83=relative)
        if b"G20" in modes or b"G21" in modes:
            self._set(inch=b"G20" in modes)

    def _unclear(self, line: Line, modes: list[bytes]) -> None:
        self._modes(modes)
        if "E" in line.words:
            if not self.machine.e_relative_if_set:
                self._set(at=self.machine.at | {"E": line.words["E"] + self.machine.shift["E"]})
            self._set(known=self.machine.known - {"E"})
        if "F" in line.words:
            self._set(feed=line.words["F"])
        self._wall(line, unknown=True)

    def _motion(self, line: Line, modes: list[bytes]) -> None:
        arc = line.code is not None and line.code >= 2
        words = line.words
        no_arc = arc and (self.machine.plane != 17 or not set("IJR") & set(words))
        if not line.clear or set(words) - set("XYZEFIJRP") or no_arc:
            return self._unclear(line, modes)
        if self.machine.inch:
            line.words = words = {k: v * Decimal("25.4") if k != "P" else v for k, v in words.items()}
        old = self.machine
        for axis in "XYZ":
            if axis in words:
                self._to(axis, words[axis], relative=not old.absolute)
        if "F" in words:
            self._set(feed=words["F"])
        unknown_xy = any(axis in words and axis not in old.known for axis in "XY")
        new = self.machine
        shifted = arc or unknown_xy or any(new.at[axis] != old.at[axis] for axis in "XY")
        line.kind = "move"
        if "E" in words:
            self._extrude(line, shifted)
        return None

    def _to(self, axis: str, value: Decimal, relative: bool) -> None:
        machine = self.machine
        target = machine.at[axis] + value if relative else machine.shift[axis] + value
        known = machine.known | {axis} if not relative and "M" in machine.known else machine.known
        self._set(at=machine.at | {axis: target}, known=known)

    def _extrude(self, line: Line, shifted: bool) -> None:
        machine = self.machine
        if_kept = not machine.absolute or machine.e_relative_by_m83
        relative = if_kept if self.sets is False else machine.e_relative_if_set
        doubtful = self.sets is None and if_kept != machine.e_relative_if_set
        line.unsure = doubtful or (not relative and "E" not in machine.known)
        self._to("E", line.words["E"], relative)
        line.pushed = self.machine.at["E"] - machine.at["E"]
        if line.pushed > 0:
            line.kind = "bead" if shifted else "forward"
            if shifted:  # right behind a tool change: the job counts on the new tool being where the old one was
                self._set(known=self.machine.known | self.machine.before_tool, before_tool=frozenset())
        elif line.pushed < 0:
            line.kind = "back"

    def _own_g(self, line: Line, modes: list[bytes]) -> None:
        code, words = line.code, line.words
        if code == 28:
            zero = dict.fromkeys("XYZ", ZERO)
            self._set(at=self.machine.at | zero, shift=self.machine.shift | zero)
            self._wall(line, unknown=True)
        elif not line.clear:
            first = [f"G{code.normalize():f}".encode()] if code in (90, 91) else []
            self._modes(first)
            self._unclear(line, modes)
        elif code in (90, 91, 20, 21):
            self._modes([f"G{code.normalize():f}".encode()])
        elif code == 92:
            self._shift(line)
        elif code == 4:
            line.kind = "dwell"
        elif code == 17:
            self._set(plane=17)
        elif code in (18, 19):
            self._set(plane=int(code))
            line.kind = "wall"
        elif set("LP") & set(words):
            if set("XYZEL") & set(words):
                self._set(frame=True)
                self._wall(line, unknown=True)
        else:
            line.kind = "back" if code == 10 else "forward"
            self._set(latched=code == 10)

    def _shift(self, line: Line) -> None:
        machine, words = self.machine, line.words
        if not set("XYZE") & set(words):
            self._set(shift=dict(machine.at), known=machine.known - {"E"})
            return self._wall(line, unknown=True)
        for axis in "XYZE":
            if axis not in words:
                continue
            value = words[axis] * (Decimal("25.4") if machine.inch else 1)
            machine = self.machine
            if axis in machine.known:
                self._set(shift=machine.shift | {axis: machine.at[axis] - value})
            else:
                known = machine.known | {axis}
                self._set(at=machine.at | {axis: value}, shift=machine.shift | {axis: ZERO}, known=known)
                self._set(before_tool=machine.before_tool - {axis})
        return None

    def _own_m(self, line: Line, modes: list[bytes]) -> None:
        code, words = line.code, line.words
        if code in (82, 83):
            self._modes([f"M{code.normalize():f}".encode()])
        elif code == 207 and "Z" in words:
            self._set(firmware_lift=words["Z"] > 0)
        elif code == 220 and "S" in words:
            self._set(percent=words["S"])
        if not line.clear:
            self._unclear(line, modes)


def _second_command(rest: bytes) -> bool:
    """Whether a G or M number follows outside quotes and comment."""
    bare = re.sub(rb'"[^"]*("|$)', b"", rest)
    return re.search(rb"[GgMm][0-9]", re.split(rb"[;(]", bare)[0]) is not None
