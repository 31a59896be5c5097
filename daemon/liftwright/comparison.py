"""One job in every shape, nothing written: what each would add, strike and wear, and which one the rule would take.

The shapes go through the very pass that writes, into nowhere, and the moves that would leave are judged over the
terrain whatever shape made them. Nothing is proved. A job that isn't rewritten at all (refused, no rule, left alone,
rewritten before) has no rows, and `settled` says why.
"""

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, BinaryIO

from liftwright.errors import JobError
from liftwright.job.facts import Fact, comment_map
from liftwright.job.moves import CHUNK
from liftwright.plan.cost import Side
from liftwright.plan.shapes import SHAPES
from liftwright.result import Result
from liftwright.rewrite import Job, Tick
from liftwright.rules.match import Decision
from liftwright.rules.schema import Lift, RuleSet
from liftwright.terms import over_budget
from liftwright.write import Plan, Writing, write

AS_IT_CAME = "as it came"
USUAL_HEIGHT_MM = 0.6  # of the fixed shapes beside a terrain rule that states no height; about a nozzle and a half
WITHOUT_HEIGHT = ("flat", "terrain")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table. Seconds and millimetres of the whole job, but for `added_s` and `added_percent`.

    lifted: travels rewritten. strikes: travels foretold to strike something. early_climb_mm: climbed within the first
    millimetre of travels. air_s: travelling above both ends of the travel. over: the budget that it exceeds, in words.
    """

    shape: str
    lifted: int
    seconds: float
    added_s: float
    added_percent: float
    strikes: int
    z_stroke_mm: float
    z_reversals: int
    z_starts: int
    early_climb_mm: float
    air_s: float
    unretracted_s: float
    tallest_lift_mm: float
    over: str | None = None


@dataclass(frozen=True, slots=True)
class Comparison:
    """rows: the job as it came, then every shape. height_mm: that of the fixed shapes. takes: the shape that the rule
    would take, None where the job would stay as it is; why: the reason in words. settled: why there are no rows."""

    why: str
    takes: str | None = None
    height_mm: float = 0.0
    rows: tuple[Row, ...] = ()
    facts: Mapping[str, Fact] | None = None
    decision: Decision | None = None
    warnings: tuple[str, ...] = ()
    settled: Result | None = None


def compare(
    source: BinaryIO,
    rules: RuleSet,
    given: Sequence[Fact] = (),
    comment_keys: Mapping[str, str] | None = None,
    tick: Tick | None = None,
    *,
    chunk: int = CHUNK,
) -> Comparison:
    """Try every shape on the job in `source` (seekable); arguments as those of `rewrite`. Raises nothing that a job
    could cause."""
    job = Job(source, Nowhere(), rules, given, comment_map(comment_keys or {}), tick or _no_tick, chunk)
    try:
        decided = job.decide()
        if isinstance(decided, Plan):
            return _compared(job, decided)
    except JobError as error:
        decided = job.finish(rules.when_refused, error.code, str(error), refused=True)
    return Comparison(decided.reason, facts=decided.facts, decision=decided.decision, settled=decided)


class Nowhere(io.BytesIO):
    """A sink that keeps no byte."""

    def write(self, text: Any) -> int:
        return len(text)


def _no_tick(stage: str, done: int, of: int) -> None:
    del stage, done, of


def _compared(job: Job, plan: Plan) -> Comparison:
    lift = _with_height(plan.lift)
    tried = {shape: _tried(job, replace(plan, lift=lift, shape=shape, judged=True)) for shape in SHAPES}
    takes, why = _verdict(lift, tried)
    return Comparison(
        why=why,
        takes=takes,
        height_mm=lift.height_mm,
        rows=(_before(tried["flat"]), *(_after(lift, written) for written in tried.values())),
        facts=job.facts,
        decision=job.decision,
        warnings=tried[takes].warnings if takes else (),
    )


def _tried(job: Job, plan: Plan) -> Writing:
    return write(job.source, job.sink, plan, job.chunk, lambda done: job.tick(plan.shape, done, job.size))


def _with_height(lift: Lift) -> Lift:
    """The rule's lift; fixed shapes that it neither takes nor gives a height get the usual one."""
    own = [shape for shape in (lift.shape, *lift.otherwise) if shape not in WITHOUT_HEIGHT]
    if lift.shape != "terrain" or own or "height_mm" in lift.model_fields_set:
        return lift
    return lift.model_copy(update={"height_mm": USUAL_HEIGHT_MM})


def _verdict(lift: Lift, tried: Mapping[str, Writing]) -> tuple[str | None, str]:
    """The shape that a rewrite would take, and why: the first that keeps every budget."""
    overdrawn: list[str] = []
    for shape in (lift.shape, *lift.otherwise):
        over = over_budget(lift, tried[shape].cost)
        if over is None:
            return _taken(lift, tried[shape], overdrawn)
        overdrawn.append(f"{shape} {over}")
    return None, f"the job stays as it is: over budget ({'; '.join(overdrawn)})"


def _taken(lift: Lift, written: Writing, overdrawn: list[str]) -> tuple[str | None, str]:
    if written.rewritten == 0:
        return None, f"the job stays as it is: {written.shape} finds no travel that needs a change"
    if overdrawn:
        return written.shape, f"the rule takes {written.shape}, which keeps its budgets ({'; '.join(overdrawn)})"
    budgets = (lift.max_added_s, lift.max_added_percent, lift.max_z_reversals)
    kept = "states no budget" if all(budget is None for budget in budgets) else "keeps its budgets with it"
    return written.shape, f"the rule takes {written.shape}: it is its own shape, and it {kept}"


def _before(written: Writing) -> Row:
    return _row(
        AS_IT_CAME, 0, written.cost.before, written.counts["strikes_before"],
        written.measures["early_climb_before_mm"], written.measures["tallest_lift_before_mm"],
    )  # fmt: skip


def _after(lift: Lift, written: Writing) -> Row:
    row = _row(
        written.shape, written.rewritten, written.cost.after, written.counts["strikes_after"],
        written.measures["early_climb_mm"], written.measures["tallest_lift_mm"],
    )  # fmt: skip
    cost = written.cost
    return replace(row, added_s=cost.added_s, added_percent=cost.added_percent, over=over_budget(lift, cost))


def _row(shape: str, lifted: int, side: Side, strikes: int, early: float, tallest: float) -> Row:
    return Row(
        shape, lifted, side.seconds, 0.0, 0.0, strikes, side.z_stroke_mm, side.z_reversals, side.z_starts, early,
        side.air_s, side.unretracted_s, tallest,
    )  # fmt: skip
