"""Mutation of the proof: honest rewrites are corrupted, operator × place with a fixed seed.

Every corruption is caught by a promise that it breaks, in the gap where it stands or the next; harmless changes
survive. `pytest -s` shows the rates.
"""

import dataclasses
from collections import Counter
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.proof import Limits, Proof
from reference.honest_rise import rise
from reference.odd_lines import LINES
from reference.proof_mutations import OPERATORS, Mutant, cut_mutants, mutants, stamp_mutants
from reference.proof_pairs import LIMITS, fast, judge, stamped
from reference.slow_proof import gaps_of
from reference.slow_proof_reader import Reader

SEED = 20261125
JOBS = sorted((Path(__file__).parents[3] / "shared" / "jobs").glob("*.gcode"))
WIDE = dataclasses.replace(LIMITS, bed=(-500.0, 500.0, -500.0, 500.0), z_max_mm=500.0)


def lattice(relative_e: bool, end: bytes, layers: int = 6) -> bytes:
    """A small lattice pot: three posts a layer, travels retracted, lifted by the job, past a command, to a change."""
    lines = ["; lattice pot", "M140 S60", "G28", "G90", "M83" if relative_e else "M82", "G92 E0", "G1 Z0.2 F600"]
    total = Decimal(0)

    def push(amount: str) -> str:
        nonlocal total
        total += Decimal(amount)
        return amount if relative_e else f"{total}"

    for layer in range(layers):
        z = Decimal("0.2") * (layer + 1)
        lines += [f"; layer {layer}", f"G1 Z{z} F600"]
        for post in range(3):
            x, y = 20 + 40 * post, 30 + 25 * (post % 2) + layer
            if post == 1:
                lines += [
                    f"G1 E{push('-1')} F2400 ; back",
                    "M106 S200",
                    f"G1 X{x} Y{y} F9000 ; over",
                    *(["T1", "G1 X90 F6000", "T0", f"G1 X{x} Y{y} Z{z}"] if layer == 4 else []),
                    f"G1 E{push('1')} F2400",
                ]
            elif post == 2:
                lines += [f"G1 E{push('-1')} F2400", f"G1 Z{z + Decimal('0.6')} F600 ; up", f"G1 X{x}.5 Y{y} F9000",
                          f"G1 X{x} Y{y} ; near", f"G1 Z{z} F600", f"G1 E{push('1')} F2400"]  # fmt: skip
            else:
                lines += [f"G1 X{x - 1} Y{y} F9000 ; across", f"G1 X{x} Y{y} F6000"]
            feed = "" if post == 0 and layer % 2 else " F1500"  # without one, the travel's own feed goes on
            lines += [f"G1 X{x + 8} Y{y} E{push('0.31')}{feed} ; wall", f"G1 X{x + 8} Y{y + 8} E{push('0.31')}"]
            lines += [f"G3 X{x} Y{y + 8} I-4 J0 E{push('0.47')}", f"G1 X{x} Y{y} E{push('0.31')} F1200"]
            if layer == 3 and post == 1:
                lines += ["PARK_HEAD", "G1 X5 Y5 F9000", f"G1 X{x} Y{y} Z{z}"]
    lines += [f"G1 E{push('-2')} F2400", "M104 S0", "M140 S0", "G1 Z50 F600", "M84"]
    return end.join(line.encode() for line in lines) + end


def bases() -> Iterator[tuple[str, bytes, Limits]]:
    yield "lattice pot, absolute E", lattice(False, b"\n"), LIMITS
    yield "lattice pot, relative E, CRLF", lattice(True, b"\r\n"), LIMITS
    for job in JOBS:
        text = job.read_bytes()
        if b"\nG1" in text and job.stem not in ("milling-program", "not-a-print-arcs-without-e"):
            start = text.find(b"\nG92 E0")
            end = text.find(b"\n", max(start, 0) + 30_000)
            yield job.stem, text[: end + 1] if end > 0 else text, WIDE


BASES = list(bases())


@pytest.mark.parametrize(("name", "job", "limits"), BASES[:2], ids=[base[0] for base in BASES[:2]])
def test_every_corruption_of_a_small_job_is_caught_by_a_promise_it_breaks(
    name: str, job: bytes, limits: Limits, long: bool
) -> None:
    """At least 25 operators and, over the two jobs, 400 cases; the twin agrees on every one."""
    good = rise(job, limits)
    assert judge(job, stamped(good), limits).holds
    made = _run(name, job, good, limits, each=40 if long else 5, twin=True)
    assert len(made) >= 50
    assert sum(made.values()) >= 200


@pytest.mark.skipif(not JOBS, reason="the collection of real jobs is not here")
@pytest.mark.parametrize(("name", "job", "limits"), BASES[2:], ids=[base[0] for base in BASES[2:]])
def test_every_corruption_of_a_real_job_is_caught_by_a_promise_it_breaks(
    name: str, job: bytes, limits: Limits, long: bool
) -> None:
    good = rise(job, limits, every=2)
    proof = fast(job, stamped(good), limits)
    assert proof.holds, proof
    _run(name, job, good, limits, each=8 if long else 2, twin=long)


def _run(name: str, job: bytes, good: bytes, limits: Limits, each: int, twin: bool) -> Counter[str]:
    """Judge all mutants; returns how many were made by operator."""
    made: Counter[str] = Counter()
    survivors, strays = [], []
    both = [*mutants(job, good, limits, SEED, each), *cut_mutants(job, good, limits, SEED, each)]
    for mutant in both:
        if mutant.text == stamped(good):
            continue
        made[mutant.operator.name] += 1
        proof = (judge if twin else fast)(job, mutant.text, limits)
        wrong = _fault(mutant, proof, limits, near=twin)
        if wrong and not proof.holds:
            strays.append(wrong)
        elif wrong:
            survivors.append(wrong)
    harmful = sum(count for op, count in made.items() if not _named(op).harmless)
    killed = harmful - len(survivors)
    print(f"{name}: {sum(made.values())} cases by {len(made)} operators, {killed} of {harmful} harmful ones caught")
    assert not survivors, "\n".join(survivors)
    assert not strays, "\n".join(strays)
    return made


def _named(name: str):  # type: ignore[no-untyped-def]
    return next(operator for operator in OPERATORS if operator.name == name)


def _fault(mutant: Mutant, proof: Proof, limits: Limits, near: bool) -> str:
    """What is wrong with the verdict on a mutant, or ""; `near`: the place is looked up, too, which is slow."""
    operator = mutant.operator
    what = f"{operator.name} at line {mutant.line}: {[str(v) for v in proof.violations[:4]]}"
    if operator.harmless:
        return "" if proof.holds else f"harmless, but condemned: {what}"
    if proof.holds:
        return f"survived: {what}"
    named = [violation for violation in proof.violations if violation.promise in operator.promises]
    if not named:
        return f"caught by another promise: {what}"
    if not near or operator.name in FAR:
        return ""
    gap = _gap_of(mutant.text, named[0].line_rewritten, limits)
    if not mutant.gap - 1 <= gap <= mutant.gap + 1:
        return f"named at gap {gap}, made in gap {mutant.gap}: {what}"
    return ""


FAR = {"line of the head lost", "rest of the job lost", "tool change added", "filament zeroed", "height set",
       "relative positions before our line", "inches before our line"}  # fmt: skip


def _gap_of(text: bytes, line: int, limits: Limits) -> int:
    gaps = gaps_of(Reader(limits.g90_sets_extrusion, limits.neutral).read(text))
    for k, gap in enumerate(gaps):
        line -= len(gap)
        if line <= 0:
            return k
    return len(gaps)


@pytest.mark.parametrize(("name", "job", "limits"), BASES[:1], ids=["lattice pot"])
def test_every_corruption_of_the_stamp_is_caught_by_promise_seven(name: str, job: bytes, limits: Limits) -> None:
    good = rise(job, limits)
    for what, text in stamp_mutants(good):
        assert 7 in {violation.promise for violation in judge(job, text, limits).violations}, what


def test_every_operator_is_used_by_some_base() -> None:
    used = {m.operator.name for _, job, limits in BASES[:2] for m in mutants(job, rise(job, limits), limits, SEED, 1)}
    assert {operator.name for operator in OPERATORS} - used <= {"rest of the job lost"}


FLIPS = [(job, rise(job, limits), limits) for _, job, limits in BASES[:2]]


@given(st.sampled_from(FLIPS), st.randoms(use_true_random=False), st.integers(1, 3))
def test_any_bytes_changed_in_a_rewritten_job_are_judged_as_the_twin_judges_them(
    pair: tuple[bytes, bytes, Limits], draw: Random, times: int
) -> None:
    """What still holds differs from the honest rewrite in lines of ours alone: every line of the job is still there."""
    job, good, limits = pair
    text = bytearray(good)
    for _ in range(times):
        at, new = draw.randrange(len(text)), draw.choice(b"0123456789 .-XYZEFG;\n\r(")
        if draw.random() < 0.4:
            text[at] = new
        elif draw.random() < 0.5:
            text.insert(at, new)
        else:
            del text[at]
    if judge(job, stamped(bytes(text)), limits).holds:
        kept = set(job.splitlines(keepends=True)) & set(good.splitlines(keepends=True))
        assert kept <= set(bytes(text).splitlines(keepends=True))


SOUP = [
    *LINES,
    *[b"G1 X%d Y%d E1 F1200" % (x, y) for x in (1, 5, 9) for y in (2, 7)] * 6,
    *[b"G1 X5 Y6 F9000", b"G1 E-1", b"G1 E1", b"G1 X3 Y3 Z.2 F300", b"G1 X4 Y4 Z.2 ;c", b"G1 Z.6 F100 ;up"] * 6,
    *[b"G1 X1 Y1 Z.5 F60 ;lw flat +0.10", b"M83", b"G90"] * 4,
]


@given(st.randoms(use_true_random=False), st.sampled_from([True, False, None]))
def test_any_pair_of_odd_jobs_is_judged_as_the_twin_judges_it(draw: Random, sets: bool | None) -> None:
    """Two jobs that differ in up to three lines, lost, added, changed or swapped, with every odd line there is."""
    head = [b"G28", b"M83", b"G1 X0 Y0 Z.2 F600", b"G1 X1 E1", b"G1 X2 E1"]
    lines = [*head, *[draw.choice(SOUP) for _ in range(draw.randint(1, 25))], b"G1 X7 E1"]
    new = list(lines)
    for _ in range(draw.randint(0, 3)):
        at = draw.randrange(3, len(new))
        what = draw.choice(["change", "add", "lose", "swap"])
        if what == "change":
            new[at] = draw.choice(SOUP)
        elif what == "add":
            new.insert(at, draw.choice(SOUP))
        elif what == "lose":
            del new[at]
        else:
            new[at - 1], new[at] = new[at], new[at - 1]
    end = draw.choice([b"\n", b"\r\n"])
    limits = dataclasses.replace(LIMITS, g90_sets_extrusion=sets, neutral=draw.choice([(), ("LIGHTS_*", "M6*")]))
    judge(end.join(lines) + end, stamped(end.join(new) + end, end), limits)
