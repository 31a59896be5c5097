"""Writing while surveying gives what writing after the survey gives, whether or not the guess was right."""

import io

import pytest

from liftwright import ahead
from liftwright.job.facts import Fact
from liftwright.result import Result
from liftwright.rewrite import rewrite
from liftwright.rules.load import load_rules
from liftwright.rules.schema import RuleSet

_TEXT = b"""
printers:
  - name: bench
    bed_mm: {x: [0, 200], y: [0, 200]}
    z_max_mm: 100
    z_speed_mm_s: 10
    z_accel_mm_s2: 100
    travel_accel_mm_s2: 3000
materials:
  - {name: PLA}
  - {name: PETG}
rules:
  - {name: stringy, when: {material: PETG}, lift: {shape: sawtooth, min_travel_mm: 1}}
  - {name: short, when: {layers: {max: 1}}, lift: {shape: triangle, min_travel_mm: 1}}
  - {name: rest, when: {}, lift: {shape: square, min_travel_mm: 1}}
when_unmatched: held
when_refused: held
"""
RULES = load_rules({"rules.yaml": _TEXT})
HEAD = b"G21\nG90\nM83\nG28\n"
TAIL = b"M104 S0\n"


def layer(number: int, decimals: int = 2) -> bytes:
    """Two beads with a retracted travel between them, and one back."""
    z = f"{0.2 * number:.2f}"
    lines = [
        f"G1 Z{z} F600", "G1 X20 Y20 F9000", "G1 E1 F1800", "G1 X40 Y20 E0.7 F1500", "G1 E-1 F1800",
        f"G1 X{60:.{decimals}f} Y50 F9000", "G1 E1 F1800", "G1 X80 Y50 E0.7 F1500", "G1 E-1 F1800",
    ]  # fmt: skip
    return ("\n".join(lines) + "\n").encode()


def outcome(
    job: bytes, monkeypatch: pytest.MonkeyPatch, shortest: int, rules: RuleSet = RULES
) -> tuple[Result, bytes, list[str]]:
    """The result, the bytes and the stages gone through, with jobs from `shortest` bytes on written ahead."""
    monkeypatch.setattr(ahead, "LONG", shortest)
    monkeypatch.setattr(ahead, "END", 400)
    stages: list[str] = []
    sink = io.BytesIO()
    given = [Fact("printer", "bench", "test")]
    result = rewrite(io.BytesIO(job), sink, rules, given, {}, lambda stage, done, of: stages.append(stage))
    return result, sink.getvalue(), stages


JOBS = {
    "right": HEAD + b"".join(layer(n) for n in range(1, 12)) + TAIL,
    "material at the end": HEAD + b"".join(layer(n) for n in range(1, 12)) + TAIL + b"; material: PETG\n",
    "material in the middle": HEAD + b"".join(
        layer(n) + (b"; material: PETG\n" if n == 6 else b"") for n in range(1, 12)
    ) + TAIL,
    "finer numbers later": HEAD + b"".join(layer(n, 5 if n == 6 else 2) for n in range(1, 12)) + TAIL,
    "a template later": HEAD + b"".join(layer(n) + (b"G1 X{x}\n" if n == 6 else b"") for n in range(1, 12)) + TAIL,
    "a measured fact decides": HEAD + b"".join(layer(1) for n in range(1, 12)) + TAIL,
    "the machine sped up later": HEAD + b"".join(layer(n) + (b"M220 S150\n" if n == 6 else b"") for n in range(1, 12)),
    "the print begins late": HEAD + layer(1) * 6 + b"PARK\n" + b"".join(layer(n) for n in range(1, 9)) + TAIL,
    "homing in the middle": HEAD + layer(1) * 6 + b"G28\n" + b"".join(layer(n) for n in range(1, 9)) + TAIL,
}  # fmt: skip


@pytest.mark.parametrize("name", JOBS)
def test_a_job_written_ahead_comes_out_as_one_written_after_its_survey(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same result and the same bytes, right guess or wrong."""
    early, early_bytes, _ = outcome(JOBS[name], monkeypatch, 0)
    late, late_bytes, _ = outcome(JOBS[name], monkeypatch, 1 << 40)
    assert early_bytes == late_bytes
    assert (early.outcome, early.reason, early.travels, early.measures, early.sha256_out) == (
        late.outcome, late.reason, late.travels, late.measures, late.sha256_out,
    )  # fmt: skip


def test_a_right_guess_saves_the_second_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    """No stage `write` where the ends of the job told everything; one where they misled."""
    assert "write" not in outcome(JOBS["right"], monkeypatch, 0)[2]
    assert "write" not in outcome(JOBS["material at the end"], monkeypatch, 0)[2]
    assert "write" in outcome(JOBS["material in the middle"], monkeypatch, 0)[2]
    assert "write" in outcome(JOBS["finer numbers later"], monkeypatch, 0)[2]
    assert "write" in outcome(JOBS["right"], monkeypatch, 1 << 40)[2]


@pytest.mark.parametrize("metres", [0.2, 4.0])
def test_terrain_is_written_ahead_where_the_whole_bed_can_be_its_ground(
    metres: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bed so large that its cells would have to grow: the survey tells where the beads lie before any is laid."""
    mm = b"%d" % (1000 * metres)
    bed = b"x: [0, %b], y: [0, %b]" % (mm, mm)
    text = _TEXT.replace(b"shape: square", b"shape: terrain").replace(b"x: [0, 200], y: [0, 200]", bed)
    rules = load_rules({"rules.yaml": text})
    wall = b"".join(
        b"G1 Z%.2f F600\nG1 X50 Y20 F9000\nG1 E1 F1800\nG1 X50 Y50 E1 F1500\nG1 E-1 F1800\n" % (0.2 * n)
        for n in range(1, 16)
    )
    job = HEAD + wall + b"".join(layer(n) for n in range(1, 12)) + TAIL
    early, early_bytes, stages = outcome(job, monkeypatch, 0, rules)
    late, late_bytes, _ = outcome(job, monkeypatch, 1 << 40, rules)
    assert early.outcome == late.outcome == "rewritten"
    assert early_bytes == late_bytes
    assert ("write" in stages) == (metres > 1)
