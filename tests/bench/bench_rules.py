"""Rule sets for the benchmarks: one printer without narrow limits, one material, one rule that takes every job."""

from __future__ import annotations

import json

from liftwright.rules.load import load_rules
from liftwright.rules.schema import RuleSet

PRINTER: dict[str, object] = {
    "name": "bench", "also": ["*"], "bed_mm": {"x": [-300.0, 500.0], "y": [-300.0, 500.0]}, "z_max_mm": 5000.0,
    "z_speed_mm_s": 12.0, "z_accel_mm_s2": 120.0, "travel_accel_mm_s2": 3000.0,
}  # fmt: skip


def content(
    lift: dict[str, object], curl: dict[str, float] | None = None, printer: dict[str, object] | None = None
) -> dict[str, object]:
    """The rule set as data: this `lift` for everything, these curl numbers, more keys of the printer entry."""
    return {
        "printers": [PRINTER | (printer or {})],
        "materials": [{"name": "any", "also": ["*"], **({"curl": curl} if curl else {})}],
        "rules": [{"name": "all", "when": {}, "lift": lift}],
        "when_unmatched": "unchanged",
        "when_refused": "held",
    }


def rule_set(
    lift: dict[str, object], curl: dict[str, float] | None = None, printer: dict[str, object] | None = None
) -> RuleSet:
    """The same, loaded. JSON is YAML."""
    return load_rules({"bench.yaml": json.dumps(content(lift, curl, printer)).encode()})
