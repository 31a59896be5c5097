"""One job → everything that a page shows of it: what a rewrite would do, layer by layer, and layers to look at.

The job is rewritten and proved as always, into a scratch file that the caller throws away. Then it goes through the
writing pass twice more: once to count strikes in every layer, once to draw the layers that were chosen. Refuses (the
errors of `JobError`) what a rewrite would refuse; jobs that stay as they are get a page as well.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi
from typing import Any, BinaryIO

import numpy as np

from liftwright.comparison import Nowhere
from liftwright.errors import ProofError, UnsupportedJob
from liftwright.evidence.drawing import layer_text
from liftwright.evidence.scene import Scene
from liftwright.evidence.tally import Tally, chosen
from liftwright.job.facts import Fact, comment_facts, comment_key_hashes, comment_map, gather
from liftwright.job.fitness import refuse_empty, refuse_unfit
from liftwright.job.moves import CHUNK
from liftwright.job.survey import Survey, survey
from liftwright.plan.beads import Bytes
from liftwright.result import REWRITTEN, Result
from liftwright.rewrite import HEAD, Job, Tick
from liftwright.rules.match import match
from liftwright.rules.schema import Curl, Lift, Printer, RectBed, RuleSet
from liftwright.terms import bare_ground
from liftwright.write import Glance, Plan, Watch, Writing, write

ROOM = 4_000_000  # characters of layers; with the rest of the page that stays below 5 MB
ANY = 5000.0  # mm; reach of the printer that stands in where none is known


@dataclass(frozen=True, slots=True)
class Picture:
    """What a page is made from. changed: the job is rewritten, and both sides are shown; else it is shown as it came.

    times: height, seconds before and after of each layer (lists of the record). layers: those drawn. assumed: what was
    taken for granted, in sentences.
    """

    result: Result
    changed: bool
    shape: str
    tally: Tally
    times: Mapping[str, Sequence[float]]
    layers: Sequence[dict[str, Any]]
    bounds: tuple[float, float, float, float]
    curl_cap_mm: float
    assumed: tuple[str, ...] = ()


def draw(
    source: BinaryIO, scratch: BinaryIO, rules: RuleSet, given: Sequence[Fact] = (),
    comment_keys: Mapping[str, str] | None = None, tick: Tick | None = None, *, room: int = ROOM,
    before_only: bool = False,
) -> Picture:  # fmt: skip
    """Everything that a page shows of the job in `source`; `scratch` is an empty file to write to and to forget.

    before_only: show the job as it came, whatever would become of it.
    """
    job = Job(source, scratch, rules, given, comment_map(comment_keys or {}), tick or _no_tick, CHUNK)
    result = job.run()
    if result.violations:
        raise ProofError(result.reason)
    if result.refused:
        raise UnsupportedJob(result.reason_code, result.reason)
    changed = result.outcome == REWRITTEN and not before_only
    assumed: tuple[str, ...] = ()
    if job.plan is not None:
        shape = str(result.details.get("shape", job.plan.shape))
        plan = replace(job.plan, shape=shape, judged=shape != "terrain")  # which judges as it plans
    else:
        plan, assumed = _looking_plan(job)
    tally = Tally()
    struck: deque[tuple[Bytes | None, Bytes | None]] = deque()

    def count(glance: Glance) -> None:
        tally.add(glance)
        struck.append((glance.before, glance.after))

    written = _pass(job, plan, "count", count)
    scene = Scene(bare_ground(plan.lift, plan.printer, plan.material, plan.found), chosen(tally, room))

    def show(glance: Glance) -> None:
        # The same windows again: judging them twice would find the same.
        before, after = struck.popleft()
        scene.add(replace(glance, before=before, after=after))

    _pass(job, replace(plan, judged=False), "draw", show)
    curl = plan.material.curl if plan.material else Curl()
    return Picture(
        result=result,
        changed=changed,
        shape=plan.shape,
        tally=tally,
        times=written.details["layers"],
        layers=[layer_text(layer, after=changed) for layer in scene.finish()],
        bounds=plan.found.bounds,
        curl_cap_mm=curl.cap_mm,
        assumed=assumed,
    )


def _no_tick(stage: str, done: int, of: int) -> None:
    del stage, done, of


def _pass(job: Job, plan: Plan, stage: str, watch: Watch) -> Writing:
    return write(job.source, Nowhere(), plan, job.chunk, lambda done: job.tick(stage, done, job.size), watch)


def _looking_plan(job: Job) -> tuple[Plan, tuple[str, ...]]:
    """A plan to look at a job that no rule rewrites: terrain over it, nothing of which is kept; and what it assumes."""
    found = job.found or _survey(job)
    decision = job.decision or match(job.rules, gather(job.given, comment_facts(found.notes, job.words)))
    assumed = []
    printer = decision.printer
    if printer is None:
        printer = _any_printer()
        assumed.append("No printer entry fits the job: a nozzle of 0.4 mm, filament of 1.75 mm are taken for granted.")
    if decision.material is None:
        assumed.append("No material entry fits the job: the allowance is that of the commonest numbers.")
    return Plan(found, Lift(shape="terrain"), "terrain", printer, decision.material, True), tuple(assumed)


def _survey(job: Job) -> Survey:
    """What a rewrite would have found, had the job's stamp not told enough."""
    job.source.seek(0)
    head = job.source.read(HEAD)
    job.source.seek(0)
    found = survey(
        job.source, g90_sets_extrusion=True, keys=comment_key_hashes(job.words).view(np.uint64),
        neutral=np.zeros(0, np.uint64), filament_area=pi * 1.75**2 / 4,
        tick=lambda done: job.tick("survey", done, job.size), chunk=job.chunk,
    )  # fmt: skip
    refuse_unfit(found, head)
    refuse_empty(found)
    return found


def _any_printer() -> Printer:
    bed = RectBed(x=(-ANY, ANY), y=(-ANY, ANY))
    return Printer(
        name="not known", bed_mm=bed, z_max_mm=10_000, z_speed_mm_s=10, z_accel_mm_s2=100, travel_accel_mm_s2=1000
    )
