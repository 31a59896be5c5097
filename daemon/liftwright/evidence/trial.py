"""One job → several that differ in nothing but their travels, each proved, lettered by lot; and the record of it.

In: the job, the rules, shapes and heights. Out: the bytes of every arm, into files that the caller opens, and a
`Trial`. The arms carry no comments that would tell which is which, and every arm is stamped, so that the daemon hands
it on as it is. Refuses (UnsupportedJob) what a rewrite would refuse, jobs that no rule lifts, arms that come out the
same; and (UsageError) shapes and heights that make no comparison.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import BinaryIO

from pydantic import ValidationError

from liftwright.comparison import USUAL_HEIGHT_MM, WITHOUT_HEIGHT, Nowhere
from liftwright.errors import ProofError, UnsupportedJob, UsageError
from liftwright.evidence.tally import Tally
from liftwright.evidence.trial_record import ENDING, LETTERS, Arm, AsItCame, Trial, drawn_order, trial_id
from liftwright.job.facts import Fact, comment_map
from liftwright.job.moves import CHUNK
from liftwright.plan.shapes import SHAPES
from liftwright.proof import Proving
from liftwright.rewrite import Job, Tick, prove_and_stamp
from liftwright.rules.schema import Lift, RuleSet, Shape
from liftwright.spool.names import numbered, printable
from liftwright.spool.record import FactSeen
from liftwright.terms import proof_limits
from liftwright.write import Plan, Watch, Writing, write

NO_BUDGET = {"max_added_s": None, "max_added_percent": None, "max_z_reversals": None, "otherwise": ()}


WORST_NAMED = 5
LONGEST_ENDING = f".A{ENDING}"


@dataclass(frozen=True, slots=True)
class MadeTrial:
    """The record, and number and height in mm (None: not known) of the layers in which the job, as it came, strikes
    most."""

    trial: Trial
    worst: tuple[tuple[int, float | None], ...]


@dataclass(frozen=True, slots=True)
class Arms:
    """What is to be compared: every shape, those of fixed height at every height (mm; none: the rule's own)."""

    shapes: tuple[Shape, ...]
    heights: tuple[float, ...] = ()


def make_trial(
    source: BinaryIO, name: str, rules: RuleSet, given: Sequence[Fact], comment_keys: Mapping[str, str],
    arms: Arms | None, open_arm: Callable[[str], BinaryIO], tick: Tick,
) -> MadeTrial:  # fmt: skip
    """Make the arms of the job called `name`; `open_arm(letter)` gives an empty file to write to and read from.

    arms: None for those that the rule's own `trial` states. The files are left open. ProofError where an arm breaks a
    promise.
    """
    job = Job(source, Nowhere(), rules, given, comment_map(comment_keys), tick, CHUNK)
    decided = job.decide()
    if not isinstance(decided, Plan):
        code = decided.reason_code if decided.refused else "no_trial"
        raise UnsupportedJob(code, f"no trial can be made: {decided.reason}")
    if arms is None:
        stated = job.decision.rule.trial if job.decision and job.decision.rule else None
        if stated is None:
            raise UnsupportedJob(
                "no_trial",
                "no trial can be made: the rule states none; name shapes or heights, or give the rule a `trial`",
            )
        arms = Arms(stated.shapes, stated.heights_mm)
    lifts = lifts_of(decided.lift, arms)
    sha256 = job.sha256_in or ""
    lot = drawn_order(sha256, lifts)
    tally = Tally()
    made = [
        _arm(job, decided, lifts[which], name, letter, open_arm(letter), tally.add if letter == "A" else None)
        for letter, which in zip(LETTERS, lot, strict=False)
    ]
    _refuse_same([arm for arm, _ in made])
    before = made[0][1]
    heights = before.details["layers"]["z_mm"]
    worst = tuple((k + 1, heights[k] if k < len(heights) else None) for k in tally.worst(WORST_NAMED))
    trial = Trial(
        trial=trial_id(sha256, lifts, decided.printer, decided.material),
        job_name=printable(name)[0],
        sha256_job=sha256,
        rules_sha256=rules.digest,
        rule=job.decision.rule.name if job.decision and job.decision.rule else "",
        printer=decided.printer.name,
        material=decided.material.name if decided.material else None,
        facts=tuple(FactSeen(key=fact.key, value=fact.value, origin=fact.origin) for fact in job.facts.values()),
        before=AsItCame(
            seconds=round(before.cost.before.seconds, 3),
            predicted_strikes=before.counts["strikes_before"],
            air_s=round(before.cost.before.air_s, 3),
            stroke_mm=round(before.cost.before.z_stroke_mm, 3),
        ),
        arms=tuple(arm for arm, _ in made),
    )
    return MadeTrial(trial, worst)


def lifts_of(lift: Lift, arms: Arms) -> tuple[Lift, ...]:
    """The rule's lift in every shape and height that is wanted; UsageError where those make no trial."""
    unknown = next((shape for shape in arms.shapes if shape not in SHAPES), None)
    if unknown is not None:
        raise UsageError(f"shape {unknown!r}; wanted one of {', '.join(SHAPES)}")
    if arms.heights and all(shape in WITHOUT_HEIGHT for shape in arms.shapes):
        raise UsageError(f"heights for {' and '.join(arms.shapes)}, which have none; wanted square, triangle, …")
    heights = arms.heights or (_own_height(lift),)
    pairs = [
        (shape, height)
        for shape in arms.shapes
        for height in ((_own_height(lift),) if shape in WITHOUT_HEIGHT else heights)
    ]
    twice = next((pair for pair in pairs if pairs.count(pair) > 1), None)
    if twice is not None:
        raise UsageError(f"{twice[0]} twice; wanted each shape and each height once")
    if not 2 <= len(pairs) <= len(LETTERS):
        raise UsageError(f"{len(pairs)} to compare; wanted 2 to {len(LETTERS)} shapes and heights")
    return tuple(_lift(lift, shape, height) for shape, height in pairs)


def _own_height(lift: Lift) -> float:
    return lift.height_mm if "height_mm" in lift.model_fields_set else USUAL_HEIGHT_MM


def _lift(lift: Lift, shape: Shape, height: float) -> Lift:
    changes = {"shape": shape, "height_mm": height, "annotate": False, **NO_BUDGET}
    try:
        return Lift.model_validate({**lift.model_dump(), **changes})
    except ValidationError as error:
        raise UsageError(
            f"{shape}, {height:g} mm: {error.errors()[0]['msg']}; wanted a lift as a rule may state"
        ) from None


def _arm(
    job: Job, plan: Plan, lift: Lift, name: str, letter: str, sink: BinaryIO, watch: Watch | None
) -> tuple[Arm, Writing]:
    """Write and prove one arm; its stage is called by its letter, so that not even a progress bar tells."""
    plan = replace(plan, lift=lift, shape=lift.shape, judged=True)
    written = write(job.source, sink, plan, job.chunk, lambda done: job.tick(f"arm {letter}", done, job.size), watch)
    proving = Proving(job.source, sink, proof_limits(plan.printer, lift, plan.g90_sets_extrusion))
    proof, sha256 = prove_and_stamp(sink, proving, written)
    if not proof.holds:
        first = proof.violations[0] if proof.violations else "it did not reach the end"
        raise ProofError(f"arm {letter} failed its proof, which is a fault of liftwright: {first}")
    arm = Arm(
        letter=letter,
        file=arm_name(printable(name)[0], letter),
        sha256=sha256,
        shape=lift.shape,
        height_mm=None if lift.shape in WITHOUT_HEIGHT else lift.height_mm,
        lifted=written.rewritten,
        predicted_strikes=written.counts["strikes_after"],
        added_s=round(written.cost.added_s, 3),
        air_s=round(written.cost.after.air_s, 3),
        stroke_mm=round(written.cost.after.z_stroke_mm, 3),
    )
    return arm, written


def arm_name(name: str, letter: str) -> str:
    """`pot.gcode`, B → `pot.B.gcode`."""
    stem, suffix = stem_and_suffix(name)
    return f"{stem}.{letter}{suffix}"


def stem_and_suffix(name: str) -> tuple[str, str]:
    """`pot.gcode` → `pot`, `.gcode`; shortened so that the longest name made of it fits a file system."""
    stem, dot, suffix = numbered(name, 1, LONGEST_ENDING).rpartition(".")
    return (stem, dot + suffix) if stem else (suffix, "")


def _refuse_same(arms: Sequence[Arm]) -> None:
    """Two arms with the same bytes would ask somebody to judge a job against itself."""
    for k, arm in enumerate(arms):
        twin = next((other for other in arms[:k] if other.sha256 == arm.sha256), None)
        if twin is not None:
            shapes = " and ".join(sorted((twin.shape, arm.shape)))
            seen = f"no trial can be made: {shapes} come out the same for this job"
            raise UnsupportedJob("no_trial", f"{seen}; compare others, or other heights")
