"""For tests of the proof: stamps, the judge and its slow twin side by side, and small honest rewrites by hand."""

import hashlib
import io

from liftwright.proof import Limits, Proof, prove
from reference.slow_proof import prove_slowly

LIMITS = Limits(bed=(0.0, 200.0, 0.0, 200.0), z_max_mm=100.0, z_speed_mm_s=12.0, g90_sets_extrusion=True)


def stamped(body: bytes, end: bytes = b"\n") -> bytes:
    """The body with its stamp line; a last line without a line end is given one."""
    if body and not body.endswith((b"\n", b"\r")):
        body += end
    return body + b";liftwright stamp 1 sha256=" + hashlib.sha256(body).hexdigest().encode() + end


def fast(original: bytes, rewritten: bytes, limits: Limits = LIMITS) -> Proof:
    return prove(io.BytesIO(original), io.BytesIO(rewritten), limits)


def judge(original: bytes, rewritten: bytes, limits: Limits = LIMITS) -> Proof:
    """The proof of a pair; the twin must agree on whether it holds, and find every promise broken that it names."""
    proof = fast(original, rewritten, limits)
    slow = prove_slowly(original, rewritten, limits)
    assert proof.holds == (not slow), f"proof {[str(v) for v in proof.violations]}, twin {slow}"
    named = {violation.promise for violation in proof.violations}
    assert named <= slow, f"proof {[str(v) for v in proof.violations]}, twin {slow}"
    return proof
