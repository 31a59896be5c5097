"""The table of contents: one job from its bytes to rewritten bytes and a proof.

Survey (is it a print, what is known of it, which rule applies) → write (travels, lifts, splices) → proof, which reads
both files afresh and follows the writing. Where the job's two ends tell how the survey will turn out, writing goes
along with it, and is done again if they were wrong.
Nothing here knows a disk, a clock or a thread: same bytes, same rules and same version give the same output.
"""

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from liftwright.ahead import guessed_plan, is_the_same
from liftwright.aside import Aside, at_once
from liftwright.errors import JobError, UnsupportedJob
from liftwright.geometry import GEOMETRY, measure
from liftwright.job.facts import Fact, comment_facts, comment_key_hashes, comment_map, gather
from liftwright.job.fitness import refuse_empty, refuse_unfit
from liftwright.job.moves import CHUNK, Window
from liftwright.job.survey import Survey, survey
from liftwright.proof import Proof, Proving, check_stamp
from liftwright.result import HELD, REWRITTEN, UNCHANGED, Result
from liftwright.rules.match import Decision, match, unmeasured
from liftwright.rules.schema import Printer, RuleSet
from liftwright.stamp import Tap, is_stamped, stamp_line
from liftwright.terms import beyond_bed, neutral_hashes, over_budget, proof_limits
from liftwright.write import Plan, Writer, Writing, write

__all__ = ["Job", "Result", "prove_and_stamp", "rewrite"]

Tick = Callable[[str, int, int], None]
HEAD = 64  # bytes that tell a web page from a job
# A reading of the extruder's mode is believed when most beads get a plausible amount, and the other reading doesn't.
PLAUSIBLE, IMPLAUSIBLE = 0.9, 0.6


def rewrite(
    source: BinaryIO,
    sink: BinaryIO,
    rules: RuleSet,
    given: Sequence[Fact] = (),
    comment_keys: Mapping[str, str] | None = None,
    tick: Tick | None = None,
    *,
    chunk: int = CHUNK,
    aside: Aside = at_once,
) -> Result:
    """Rewrite the job in `source` into `sink` (both seekable, the sink readable) and prove it.

    given: facts from outside the job, strongest first. comment_keys: the installation's own words for facts in
    comments. tick(stage, done, of): progress in bytes. chunk: bytes read at a time, aside: how work is done beside
    other work; the result depends on neither.
    Raises nothing that a job could cause: refusals are results.
    """
    job = Job(source, sink, rules, given, comment_map(comment_keys or {}), tick or _no_tick, chunk, aside)
    try:
        return job.run()
    except JobError as error:
        return job.finish(rules.when_refused, error.code, str(error), refused=True)


def _no_tick(stage: str, done: int, of: int) -> None:
    del stage, done, of


class Job:
    """One job on its way: what has been learnt so far goes into whatever result it gets."""

    def __init__(
        self, source: BinaryIO, sink: BinaryIO, rules: RuleSet, given: Sequence[Fact], words: Mapping[str, str],
        tick: Tick, chunk: int, aside: Aside = at_once,
    ) -> None:  # fmt: skip
        self.source, self.sink, self.rules, self.given, self.words = source, sink, rules, given, words
        self.tick, self.chunk, self.aside = tick, chunk, aside
        self.size = source.seek(0, 2)
        self.facts: Mapping[str, Fact] = {}
        self.decision: Decision | None = None
        self.sha256_in: str | None = None
        self.sha256_out = ""
        self.found: Survey | None = None
        self.plan: Plan | None = None  # None where there is nothing to be done
        self.ahead: Writing | None = None  # what was written while surveying, with the rule's own shape
        self.proving: Proving | None = None  # of what is being written

    def run(self) -> Result:
        """Decide, write and prove."""
        decided = self.decide(ahead=True)
        return self._write(decided) if isinstance(decided, Plan) else decided

    def decide(self, *, ahead: bool = False) -> Plan | Result:
        """What is to be done with the rule's own shape; a result where nothing is. Raises JobError for a refused job.

        ahead: write while surveying, where that can be.
        """
        if is_stamped(self.source):
            return self.finish(UNCHANGED, "already_rewritten", "the job carries a true stamp: it was rewritten before")
        head = self.source.read(HEAD)
        guess = guessed_plan(self.source, self.size, self.rules, self.given, self.words) if ahead else None
        writer = self._writer(guess) if guess is not None else None
        found = self._survey(g90_sets_extrusion=True, along=writer.put if writer else None)
        refuse_unfit(found, head)
        self.facts = gather(self.given, comment_facts(found.notes, self.words), _measured(found))
        self.decision = decision = match(self.rules, self.facts)
        certain = None
        wanted = unmeasured(self.rules, self.facts, GEOMETRY)
        if wanted and decision.printer is not None:
            certain = self._certain(found, decision.printer)
            self.facts = gather(self.facts.values(), self._geometry(*certain, wanted, decision))
            self.decision = decision = match(self.rules, self.facts)
        if decision.rule is None or decision.printer is None:
            return self.finish(self.rules.when_unmatched, "unmatched", decision.reason)
        if decision.rule.lift is None:
            return self.finish(UNCHANGED, "left_alone", f'rule "{decision.rule.name}" leaves every travel as it is')
        found, g90_sets_extrusion = certain or self._certain(found, decision.printer)
        refuse_empty(found)
        outside = beyond_bed(decision.printer, found)
        if outside is not None:
            return self.finish(HELD, "wrong_printer", outside, refused=True)
        plan = self.plan = Plan(
            found, decision.rule.lift, decision.rule.lift.shape, decision.printer, decision.material, g90_sets_extrusion
        )
        if writer and guess and is_the_same(guess, plan):
            self.ahead = writer.finish()
        return plan

    def _writer(self, guess: Plan) -> Writer:
        return Writer(self.sink, guess, aside=self.aside, follow=self._prove(guess))

    def _prove(self, plan: Plan) -> Callable[[int], None]:
        """Begin the proof of what is about to be written; the answer takes it on."""
        limits = proof_limits(plan.printer, plan.lift, plan.g90_sets_extrusion)
        self.proving = Proving(self.source, self.sink, limits)
        return self.proving.go_on

    def _survey(
        self, *, g90_sets_extrusion: bool, printer: Printer | None = None, unknown: tuple[str, ...] = (),
        along: Callable[[Window], None] | None = None,
    ) -> Survey:  # fmt: skip
        tap = Tap(self.source)
        diameter = printer.filament_mm if printer else 1.75
        self.found = survey(
            tap,  # type: ignore[arg-type]
            g90_sets_extrusion=g90_sets_extrusion,
            keys=comment_key_hashes(self.words).view(np.uint64),
            neutral=neutral_hashes(printer, unknown) if printer else np.zeros(0, np.uint64),
            filament_area=np.pi * diameter**2 / 4,
            tick=lambda done: self.tick("survey", done, self.size),
            chunk=self.chunk,
            along=along,
        )
        self.sha256_in = tap.digest.hexdigest()
        if unknown:
            # A survey that passes over the neutral commands no longer names them.
            self.found = replace(self.found, unknown=unknown)
        return self.found

    def _certain(self, found: Survey, printer: Printer) -> tuple[Survey, bool]:
        """The survey as this printer's firmware reads the job, and whether its G90/G91 set the extruder's mode."""
        unknown = found.unknown
        neutral = len(neutral_hashes(printer, unknown)) > 0
        stated = printer.g90_sets_extrusion
        if not found.ambiguous:
            return (self._survey(g90_sets_extrusion=True, printer=printer, unknown=unknown) if neutral else found), True
        if stated is not None:
            return self._survey(g90_sets_extrusion=stated, printer=printer, unknown=unknown), stated
        setting = self._survey(g90_sets_extrusion=True, printer=printer, unknown=unknown)
        keeping = self._survey(g90_sets_extrusion=False, printer=printer, unknown=unknown)
        for likely, other, answer in ((setting, keeping, True), (keeping, setting, False)):
            if likely.plausible >= PLAUSIBLE and other.plausible <= IMPLAUSIBLE:
                return likely, answer
        raise UnsupportedJob(
            "extrusion_mode",
            "whether G90 and G91 also switch the extruder can't be told from the job; state g90_sets_extrusion for the "
            "printer, or write M82 or M83 behind each G90 and G91",
        )

    def _geometry(
        self, found: Survey, g90_sets_extrusion: bool, wanted: Collection[str], decision: Decision
    ) -> list[Fact]:
        """What the rules ask of the job's geometry, measured in a pass of its own."""
        assert decision.printer is not None
        return measure(
            self.source, found, wanted, decision.printer, decision.material, g90_sets_extrusion=g90_sets_extrusion,
            chunk=self.chunk, tick=lambda done: self.tick("survey", done, self.size),
        )  # fmt: skip

    def _write(self, plan: Plan) -> Result:
        """Write with the rule's shape, or the first of its others that keeps the budgets; then prove."""
        lift, ahead = plan.lift, self.ahead
        overdrawn: list[str] = []
        for shape in (lift.shape, *lift.otherwise):
            written = ahead or write(
                self.source, self.sink, replace(plan, shape=shape), self.chunk,
                lambda done: self.tick("write", done, self.size), aside=self.aside, follow=self._prove(plan),
            )  # fmt: skip
            ahead = None
            over = over_budget(lift, written.cost)
            if over is None:
                break
            overdrawn.append(f"{shape}: {over}")
        else:
            return self.finish(UNCHANGED, "over_budget", "; ".join(overdrawn), written=written)
        if written.rewritten == 0:
            return self.finish(UNCHANGED, "nothing_to_lift", "no travel needed a change", written=written)
        self.tick("proof", 0, self.size)
        assert self.proving is not None
        proof, self.sha256_out = prove_and_stamp(self.sink, self.proving, written)
        if not proof.holds:
            first = proof.violations[0] if proof.violations else "it did not reach the end"
            reason = f"the rewritten job failed its proof, which is a fault of liftwright: {first}"
            return self.finish(HELD, "proof_failed", reason, written=written, violations=proof.violations)
        reason = f"{written.rewritten} of {written.seen} travels rewritten, shape {written.shape}"
        if overdrawn:
            reason += f" ({'; '.join(overdrawn)})"
        return self.finish(REWRITTEN, "rewritten", reason, written=written)

    def finish(
        self, outcome: str, code: str, reason: str, *, refused: bool = False, written: Writing | None = None,
        violations: Sequence[object] = (),
    ) -> Result:  # fmt: skip
        """The result, with everything that is known by now; only a rewritten or unproved job leaves bytes."""
        if outcome != REWRITTEN and not violations:
            self.sink.seek(0)
            self.sink.truncate()
        if self.sha256_in is None:
            self.source.seek(0)
            self.sha256_in = _digest(self.source)
        counts = {"bytes": self.size}
        if self.found is not None:
            counts |= {"beads": self.found.beads, "layers": self.found.layers}
        return Result(
            outcome=outcome,
            reason_code=code,
            reason=reason,
            refused=refused,
            facts=self.facts,
            decision=self.decision,
            counts=counts | (written.counts if written else {}),
            travels=written.travels if written else {},
            measures=written.measures if written else {},
            details=(written.details | {"shape": written.shape}) if written else {},
            warnings=(*_warnings(self.found), *(written.warnings if written else ())),
            violations=tuple(violations),
            sha256_in=self.sha256_in,
            sha256_out=self.sha256_out if outcome == REWRITTEN else self.sha256_in,
        )


def _warnings(found: Survey | None) -> list[str]:
    """What the survey saw that isn't wrong, but that machines take differently."""
    if found is None or not found.uneven_arcs:
        return []
    return [
        f"arcs that end at another distance from their centre than they begin: {found.uneven_arcs}, the first in line "
        f"{found.uneven_line}; some machines refuse such arcs; their words stay as they are"
    ]


def prove_and_stamp(sink: BinaryIO, proving: Proving, written: Writing) -> tuple[Proof, str]:
    """Prove what was written; where it holds, the last line states the digest that the proof read, and is checked.

    Returns the proof and the SHA-256 of the whole output, "" where it doesn't hold.
    """
    proof = proving.finish(sink.seek(0, 2))
    if not proof.holds:
        return proof, ""
    line = stamp_line(proof.sha.hexdigest(), written.line_end)
    sink.seek(0, 2)
    sink.write(line)
    whole = proof.sha.copy()
    whole.update(line)
    return check_stamp(sink, proof), whole.hexdigest()


def _digest(source: BinaryIO) -> str:
    digest = hashlib.sha256()
    while block := source.read(1 << 20):
        digest.update(block)
    return digest.hexdigest()


def _measured(found: Survey) -> list[Fact]:
    """Facts that the survey measured; heights in mm, temperatures in °C."""
    facts = [
        Fact("layers", float(found.layers), "measured: steps of bead height"),
        Fact("height_mm", round(found.z_top, 3), "measured: highest bead"),
    ]
    if found.nozzle_temperature > 0:
        facts.append(Fact("nozzle_temperature", found.nozzle_temperature, "measured: highest nozzle temperature"))
    return facts
