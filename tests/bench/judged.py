"""Jobs, rewrites of them, and the separate judge's verdicts: what the tables of this folder are made from."""

from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT / "tests")]

from bench_rules import rule_set  # noqa: E402

from evaluator.judge import Row, Verdict, changed, judge  # noqa: E402
from evaluator.measures import LIFTED_MM  # noqa: E402
from evaluator.numbers import Numbers  # noqa: E402
from liftwright.job.facts import Fact  # noqa: E402
from liftwright.result import Result  # noqa: E402
from liftwright.rewrite import rewrite  # noqa: E402

REAL_JOBS = ROOT.parent / "shared" / "jobs"
# Commands of single machines that the operator's printer entry would name: notices of a new layer and of the mass on
# the bed (from memory, and from where they stand in the jobs). Without that every travel that holds one is left alone.
NEUTRAL = {"helical-lift-conditional-blocks": ["M991"], "object-labels-sloped-lift-arcs": ["M74"]}
SHORT_MM = 1.0  # ways shorter than this are counted beside the others too


@dataclass(frozen=True)
class Setting:
    """One way to rewrite: a name for the table and the `lift` of the rule."""

    name: str
    lift: dict[str, object]


@dataclass(frozen=True)
class Judged:
    """One job: what became of it in each setting, and the verdict on those that were rewritten."""

    job: str
    results: dict[str, Result]
    verdict: Verdict


def find_jobs(folder: Path, words: list[str]) -> dict[str, Path]:
    """The examples, made in `folder`, and the real jobs where they are at hand; only names that hold one of `words`."""
    subprocess.run((sys.executable, ROOT / "examples" / "make_jobs.py", folder), check=True)
    paths = [*sorted(folder.rglob("*.gcode")), *sorted(REAL_JOBS.glob("*.gcode"))]
    return {path.stem: path for path in paths if not words or any(word in path.stem for word in words)}


def judge_job(path: Path, settings: list[Setting], numbers: Numbers, curl: dict[str, float] | None) -> Judged | str:
    """Rewrite with each setting and judge them together; or why there is nothing to judge.

    `curl`: what the rules say of the material; None for the numbers of the judge.
    """
    original = path.read_bytes()
    told = curl or {"onset": numbers.onset, "gain": numbers.gain, "cap_mm": numbers.cap_mm, "decay": numbers.decay}
    printer = {
        "nozzle_flat_mm": numbers.flat_mm, "filament_mm": numbers.filament_mm, "neutral": NEUTRAL.get(path.stem, []),
    }  # fmt: skip
    results, rewrites = {}, {}
    for setting in settings:
        sink = io.BytesIO()
        rules = rule_set(setting.lift, told, printer)
        result = rewrite(io.BytesIO(original), sink, rules, [Fact("printer", "bench", "benchmark")], {}, None)
        if result.refused or result.outcome == "held":
            return f"{result.outcome}: {result.reason}"
        results[setting.name] = result
        rewrites[setting.name] = sink.getvalue() if result.outcome == "rewritten" else original
    return Judged(path.stem, results, judge(original, rewrites, numbers))


def shorter_than(verdict: Verdict, row: Row, limit: float = SHORT_MM) -> int:
    """Strikes of a row on ways shorter than `limit`."""
    return int((row.struck & (verdict.ways["no lift"].length() < limit)).sum())


def left_by_reason(judged: Judged, way: str, square: str, min_travel: float) -> dict[str, int]:
    """The strikes that a row leaves, by what the judge can see of the reason: a way under the rule's least
    length; one that the square doesn't change either (a wall, a dwell, outside the print); one that this row
    leaves as it was; one that it lifts, but not enough."""
    verdict = judged.verdict
    row = verdict.rows[way]
    short = verdict.ways["no lift"].length() < min_travel
    fixed = ~changed(verdict.ways["as it came"], verdict.ways[square])
    fixed &= ~changed(verdict.ways["as it came"], verdict.ways[way])
    same = row.measures.lift <= LIFTED_MM
    left = {"too short": row.struck & short, "untouchable": row.struck & ~short & fixed}
    rest = row.struck & ~short & ~fixed
    left |= {"not lifted": rest & same, "lifted too little": rest & ~same}
    return {reason: int(which.sum()) for reason, which in left.items()}


def needed_stroke(verdict: Verdict, row: Row) -> float:
    """Stroke of a row on the travels that need a lift and are cleared by it, mm."""
    return float(row.measures.stroke[verdict.needed & ~row.struck].sum())


def least_stroke(verdict: Verdict, row: Row) -> float:
    """The least stroke that clears those same travels at the judge's clearance, mm."""
    return float(verdict.least_stroke[verdict.needed & ~row.struck].sum())


def total(rows: list[Row]) -> Row:
    """The sum of rows of several jobs."""
    first = rows[0]
    sums = {
        name: sum(getattr(row, name) for row in rows)
        for name in ("travels", "lifted", "strikes", "stroke", "reversals", "early", "path", "added_path", "changed",
                     "changed_without_need")
    }  # fmt: skip
    return replace(first, **sums, struck=np.concatenate([row.struck for row in rows]))
