"""`liftwright rewrite` and `liftwright prove`: one job in; one job out, whole or not at all, or a verdict.

Refuses to write over the job it reads, or over anything else unless told to; a job that the rules hold, or that can't
be read with certainty, leaves nothing behind.
"""

import argparse
import json
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

from liftwright.command_inputs import check_target, open_job, read_inputs
from liftwright.command_outcome import core_result, document, refuse_if_held, summary, tried_result
from liftwright.command_tables import pairs, plain
from liftwright.errors import ProofError
from liftwright.proof import Limits, Proof
from liftwright.proof import prove as judge
from liftwright.result import UNCHANGED, Result
from liftwright.rules.schema import Lift
from liftwright.spool.durable import sync_folder
from liftwright.terms import proof_limits


def rewrite(arguments: argparse.Namespace) -> int:
    """Rewrite JOB to OUT and say what was done."""
    job, target = Path(arguments.job), Path(arguments.to)
    with open_job(job) as source:
        check_target(job, target, force=arguments.force, what="file")
        inputs = read_inputs(arguments, job)
        with _written_whole(target) as sink:
            result = core_result(source, sink, inputs)
            if arguments.json:
                print(json.dumps(document(result), indent=1))
            refuse_if_held(job, result)
            if result.outcome == UNCHANGED:
                source.seek(0)
                shutil.copyfileobj(source, sink)
    if not arguments.json:
        print(summary(result))
        print(f"written to {plain(target)}")
    return 0


def prove(arguments: argparse.Namespace) -> int:
    """Judge REWRITTEN against ORIGINAL; ProofError lists the promises that don't hold."""
    original, rewritten = Path(arguments.original), Path(arguments.rewritten)
    inputs = read_inputs(arguments, original)
    with open_job(original) as source, open_job(rewritten) as changed:
        limits = _limits(tried_result(source, inputs))
        proof = judge(source, changed, limits or Limits())
    if arguments.json:
        print(json.dumps(_proof_document(proof, limits), indent=1))
    if not proof.holds:
        listed = "\n".join(plain(violation) for violation in proof.violations)
        raise ProofError(f"{rewritten}: promises broken {proof.total} times; the first:\n{listed}")
    if not arguments.json:
        bounds = "judged" if limits else "not judged: no printer entry fits ORIGINAL, so no limits are known"
        print(pairs([("proof", "every promise holds"), ("bounds", bounds), *_count_rows(proof)]))
    return 0


def _count_rows(proof: Proof) -> list[tuple[str, object]]:
    return [(name.replace("_", " "), count) for name, count in proof.counts.items()]


def _limits(result: Result) -> Limits | None:
    """What the proof may know of the printer; None where no printer is known."""
    decision = result.decision
    if decision is None or decision.printer is None:
        return None
    lift = decision.rule.lift if decision.rule else None
    limits = proof_limits(decision.printer, lift or Lift(shape="flat"), g90_sets_extrusion=True)
    # Where neither the entry nor the job decides it, the proof wants travels untouched where it would matter.
    decided = result.details.get("g90_sets_extrusion", decision.printer.g90_sets_extrusion)
    return replace(limits, g90_sets_extrusion=decided)


def _proof_document(proof: Proof, limits: Limits | None) -> dict[str, Any]:
    return {
        "holds": proof.holds,
        "complete": proof.complete,
        "bounds_judged": limits is not None,
        "counts": proof.counts,
        "violations": [str(violation) for violation in proof.violations],
    }


@contextmanager
def _written_whole(target: Path) -> Iterator[BinaryIO]:
    """A file that takes the place of `target` when the block ends well, and is gone without a trace when it doesn't."""
    # Beside the target, so that the rename stays within one file system; dot-named, so that nobody picks it up.
    temporary = target.parent / f".liftwright-{secrets.token_hex(8)}"
    try:
        with temporary.open("x+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(target)
        sync_folder(target.parent)
    finally:
        temporary.unlink(missing_ok=True)
