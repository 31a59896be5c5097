"""The second pass: travels, lifts, splices and their cost, window by window; all but the stamp."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from liftwright.aside import Aside, at_once
from liftwright.job.columns import NOTE, S_DECIMALS
from liftwright.job.moves import Ints, MoveReader, Window
from liftwright.job.survey import Survey
from liftwright.labels import Labels
from liftwright.plan.beads import Bytes
from liftwright.plan.bed import Strips
from liftwright.plan.climbs import Climbs
from liftwright.plan.cost import Cost, CostClock
from liftwright.plan.layers import MOST_LISTED, LayerBook, listed, progress_off, short_of_cooling
from liftwright.plan.lifts import FixedShapes, Lifts, admit
from liftwright.plan.strikes import Strikes
from liftwright.plan.terrain_lifts import TerrainLifts
from liftwright.plan.travels import FREE, NO_WAY, REASONS, TOO_FINE, TravelFinder, Travels
from liftwright.plan.walk import Edits
from liftwright.rules.schema import Lift, Material, Printer
from liftwright.splice import Spliced, Splicer
from liftwright.stamp import stamp_length
from liftwright.terms import MOST_PLACES, bare_ground, lift_terms, motion_limits, neutral_hashes, planner, splice_terms

PROGRESS = 73  # the number of the command that shows progress


@dataclass(frozen=True, slots=True)
class Plan:
    """What one pass is to do: the job as surveyed, the rule's lift in one shape, the printer, the material if known.

    judged: hold the moves that leave against the terrain, whatever the shape; it takes about as long as the rest.
    """

    found: Survey
    lift: Lift
    shape: str
    printer: Printer
    material: Material | None
    g90_sets_extrusion: bool
    judged: bool = False


@dataclass(frozen=True, slots=True)
class Writing:
    """What the pass did: travels rewritten and seen, counts by reason, measures; `line_end`: how the stamp will end."""

    shape: str
    rewritten: int
    seen: int
    counts: dict[str, int]
    travels: dict[str, int]
    measures: dict[str, float]
    cost: Cost
    line_end: bytes
    details: dict[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Glance:
    """What was done with one window, for whoever watches; the next window overwrites the arrays.

    edits: the moves that took the place of rows. layer: of each row, from 0, -1 before the print. before, after: 1 for
    each travel that strikes, as it came and as it leaves; both None where a plan of fixed shape isn't `judged`.
    """

    window: Window
    travels: Travels
    lifts: Lifts
    edits: Edits
    layer: Ints
    before: Bytes | None
    after: Bytes | None


Watch = Callable[[Glance], None]
# Is told how many bytes of the rewritten job stand.
Follow = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Foretold:
    """What the planner says of one window: its lifts, and, if it looks at the terrain, mm of beads given an allowance
    row by row, and 1 for each travel that strikes as it came and as it leaves."""

    lifts: Lifts
    curled: NDArray[np.float64] | None
    before: Bytes | None
    after: Bytes | None


@dataclass(frozen=True, slots=True)
class Planned:
    """One window on its way; `foretold` waits for what is planned aside."""

    window: Window
    travels: Travels
    foretold: Callable[[], Foretold]


def write(
    source: BinaryIO, sink: BinaryIO, plan: Plan, chunk: int, tick: Callable[[int], None], watch: Watch | None = None,
    aside: Aside = at_once, follow: Follow | None = None,
) -> Writing:  # fmt: skip
    """Write the job from `source` into `sink`, both from their start, with the lifts of the plan.

    watch, follow: are called after each window; they leave both files standing where they stood.
    """
    source.seek(0)
    reader = MoveReader(
        source,
        g90_sets_extrusion=plan.g90_sets_extrusion,
        neutral=neutral_hashes(plan.printer, plan.found.unknown),
        chunk=chunk,
        spare=True,
    )
    writer = Writer(sink, plan, watch, aside, follow)
    for window in reader.windows():
        writer.put(window)
        tick(reader.size)
    return writer.finish()


class Writer:
    """Writes a job window by window into `sink`, from its start.

    While the lifts of one window are planned aside, the one before it is written, and the next one read: the arrays of
    a window must stand until the second next is handed over.
    """

    def __init__(
        self, sink: BinaryIO, plan: Plan, watch: Watch | None = None, aside: Aside = at_once,
        follow: Follow | None = None,
    ) -> None:  # fmt: skip
        sink.seek(0)
        sink.truncate()
        self._out = _Output(sink)
        self._pass = _Pass(plan, watch, aside)
        self._follow = follow
        self._waiting: Planned | None = None

    def put(self, window: Window) -> None:
        """The next window of the job, with its lifts in place."""
        planned = self._pass.plan(window)
        self._write_waiting()
        self._waiting = planned

    def finish(self) -> Writing:
        """The last line is closed; the summary."""
        self._write_waiting()
        self._out.close_line()
        return self._pass.summary(self._out)

    def _write_waiting(self) -> None:
        if self._waiting is not None:
            self._out.put(self._waiting.window, self._pass.through(self._waiting))
            self._waiting = None
            if self._follow is not None:
                self._follow(self._out.bytes)


class _Output:
    """The sink, and the size of what went in."""

    def __init__(self, sink: BinaryIO) -> None:
        self._sink = sink
        self.line_end = b""
        self._tail = b""
        self.bytes = 0

    def put(self, window: Window, spliced: Spliced) -> None:
        if not self.line_end:
            self.line_end = _line_end(window)
        self._write(spliced.text)

    def close_line(self) -> None:
        """Whatever follows is to be a line of its own."""
        if self._tail not in (b"\n", b"\r"):
            self._write(self.line_end)

    def _write(self, text: bytes | memoryview) -> None:
        if len(text):
            self._sink.write(text)
            self._tail = bytes(text[-1:])
            self.bytes += len(text)


class _Pass:
    """Everything that is carried from one window to the next while writing."""

    def __init__(self, plan: Plan, watch: Watch | None, aside: Aside) -> None:
        found, lift, printer = plan.found, plan.lift, plan.printer
        self._plan, self._watch, self._aside = plan, watch, aside
        self._terms = lift_terms(lift, printer, plan.shape)
        self._finder = TravelFinder(found.begin_line)
        self._planner = planner(lift, printer, plan.material, plan.shape, found)
        self._splicer = Splicer(splice_terms(lift, printer, plan.shape, found))
        self._labels = Labels(lift.object)
        self._climbs = Climbs()
        self._judge = Strikes(bare_ground(lift, printer, plan.material, found)) if plan.judged else None
        self._clock = CostClock(motion_limits(printer), found.begin_line)
        self._layers = LayerBook()
        self._tally = np.zeros(len(REASONS), np.int64)
        self._too_fine = bool(found.state[S_DECIMALS] > MOST_PLACES)
        self._rows = self._unretracted = self._progress_marks = self._lines_added = 0

    def plan(self, window: Window) -> Planned:
        """Its travels, and their lifts to come."""
        moves = window.moves
        travels = self._finder.find(moves)
        reason = admit(travels, self._terms, self._labels.allowed(window, travels))
        if self._too_fine:
            reason[reason == FREE] = TOO_FINE
        strips = None
        if self._aside is not at_once and isinstance(self._planner, TerrainLifts):
            strips = self._planner.cover(moves)
        return Planned(window, travels, self._aside(lambda: self._lifts(window, travels, reason, strips)))

    def through(self, planned: Planned) -> Spliced:
        """A planned window with its lifts in place."""
        window, travels = planned.window, planned.travels
        moves = window.moves
        foretold = planned.foretold()
        lifts = foretold.lifts
        spliced = self._splicer.apply(window, travels, lifts)
        self._climbs.add(moves, travels, lifts)
        straight = np.full(len(spliced.x), -1, np.int32)
        edits = Edits(spliced.row, spliced.at, spliced.x, spliced.y, spliced.z, spliced.feed, straight)
        self._clock.add(moves, window.buf, travels, edits)
        self._layers.add(moves, window.buf, self._clock.layer_of_row, foretold.curled)
        before, after = self._judge.add(moves, travels, edits) if self._judge else (foretold.before, foretold.after)
        if self._watch is not None:
            self._watch(Glance(window, travels, lifts, edits, self._clock.layer_of_row, before, after))
        self._tally += np.bincount(lifts.reason, minlength=len(REASONS))
        self._unretracted += int(((lifts.reason == FREE) & (travels.retracted == 0)).sum())
        self._progress_marks += int((moves.value[moves.kind == NOTE] == PROGRESS).sum())
        self._lines_added += spliced.lines_added
        self._rows += len(moves) - 1
        return spliced

    def _lifts(self, window: Window, travels: Travels, reason: Ints, strips: Strips | None) -> Foretold:
        if isinstance(self._planner, FixedShapes):
            return Foretold(self._planner.plan(window.moves, travels, reason, window.buf), None, None, None)
        lifts = self._planner.plan(window.moves, travels, reason, strips)
        return Foretold(lifts, self._planner.curled, *self._planner.struck)

    def summary(self, out: _Output) -> Writing:
        """What the record needs, when the job is through."""
        self._clock.finish()
        cost = self._clock.cost()
        rewritten = int(self._tally[FREE])
        seen = int(self._tally.sum() - self._tally[NO_WAY])
        counts = {
            "moves": self._rows, "travels": seen, "rewritten": rewritten, "unretracted_lifted": self._unretracted,
            "lines_added": self._lines_added + 1,
            "bytes_added": out.bytes + stamp_length(out.line_end) - self._plan.found.size,
            "progress_marks": self._progress_marks, **self._strikes(),
        }  # fmt: skip
        return Writing(
            shape=self._plan.shape,
            rewritten=rewritten,
            seen=seen,
            counts=counts,
            travels=_by_reason(self._tally),
            measures={**self._climbs.measures(), **cost.measures()},
            cost=cost,
            line_end=out.line_end,
            details={
                "limits_assumed": list(cost.assumed),
                "limits_of_job": list(cost.set_by_job),
                "cornering": cost.model,
                "g90_sets_extrusion": self._plan.g90_sets_extrusion,
                **self._layer_details(),
                **self._risks(),
            },
            warnings=tuple(self._warnings(cost)),
        )

    def _strikes(self) -> dict[str, int]:
        if self._judge is not None:
            return {"strikes_before": self._judge.before, "strikes_after": self._judge.after}
        if isinstance(self._planner, FixedShapes):
            return {}
        return {"strikes_before": self._planner.struck_before, "strikes_after": self._planner.struck_after}

    def _layer_details(self) -> dict[str, Any]:
        """Layer by layer: time, fan, overhang; which are short of cooling; how far progress marks are off."""
        times = self._clock.layers()
        shares = self._layers.shares(len(times.z))
        short = short_of_cooling(times, shares)
        details: dict[str, Any] = {
            "layers": listed(times, shares),
            "layers_not_listed": max(0, len(times.z) - MOST_LISTED),
            "layers_short_of_cooling": {
                "count": len(short),
                "z_mm": [round(float(times.z[k]), 3) for k in (short[[0, -1]] if len(short) else ())],
            },
        }
        if self._progress_marks:
            details["progress_off_percent"] = round(100.0 * progress_off(times), 2)
        return details

    def _risks(self) -> dict[str, Any]:
        """The riskiest travels as the job came, and what became of them."""
        if isinstance(self._planner, FixedShapes):
            return {}
        return {
            "riskiest": [
                {
                    "line": risk.line, "layer": risk.layer, "length_mm": round(risk.length, 3),
                    "obstacle_mm": round(risk.tallest, 3), "became": _word(risk.reason),
                }
                for risk in self._planner.risks
            ]
        }  # fmt: skip

    def _warnings(self, cost: Cost) -> list[str]:
        warnings = []
        off = 100.0 * progress_off(self._clock.layers())
        if self._unretracted:
            warnings.append(f"{self._unretracted} travels without retraction were lifted; they ooze more")
        if self._progress_marks:
            warnings.append(
                f"{self._progress_marks} progress marks (M73) stay as they were: the time left is off by up to "
                f"{cost.added_s / 60:+.1f} min, the share done by up to {off:.1f} %"
            )
        if isinstance(self._planner, TerrainLifts) and self._plan.material is None:
            warnings.append("no material entry fits the job: the curl allowance is that of the commonest numbers")
        if isinstance(self._planner, TerrainLifts) and self._planner.restarts:
            warnings.append(
                f"printing began again far below what was printed ({self._planner.restarts} times): the terrain was "
                "begun anew, as on a cleared bed"
            )
        if isinstance(self._planner, TerrainLifts) and (width := self._planner.thin_beads) is not None:
            warnings.append(
                f"by their E the beads are {width:.2f} mm wide, too thin for a nozzle of "
                f"{self._plan.printer.nozzle_mm:g} mm: is filament_mm ({self._plan.printer.filament_mm:g}) right?"
            )
        return warnings


def _by_reason(tally: Ints) -> dict[str, int]:
    return {_word(k): int(n) for k, n in enumerate(tally) if n and k != NO_WAY}


def _word(reason: int) -> str:
    return "rewritten" if reason == FREE else REASONS[reason]


def _line_end(window: Window) -> bytes:
    """The line end of the job's first line."""
    text = window.buf[: window.size]
    ends = np.flatnonzero((text[: 1 << 16] == 10) | (text[: 1 << 16] == 13))
    if not len(ends) or text[int(ends[0])] == 10:
        return b"\n"
    k = int(ends[0])
    return b"\r\n" if k + 1 < len(text) and text[k + 1] == 10 else b"\r"
