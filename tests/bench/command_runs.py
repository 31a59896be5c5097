"""How the benchmarks call the command line: a rules folder and the words of one `liftwright rewrite`."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from bench_rules import content


def write_rules(folder: Path, shape: str) -> Path:
    """A rules folder that lifts every travel of at least a millimetre in this shape."""
    rules = folder / "rules"
    rules.mkdir()
    lift = {"shape": shape, "min_travel_mm": 1.0, "unretracted": "lift"}
    (rules / "bench.yaml").write_text(json.dumps(content(lift)))
    return rules


def command(job: Path, out: Path, rules: Path) -> list[str]:
    """The words of one rewrite, with this interpreter."""
    return [sys.executable, "-m", "liftwright", "rewrite", str(job), "--to", str(out), "--rules", str(rules), "--force",
            "--tag", "printer=bench"]
