"""`liftwright explain`: what is known of a job, which rule applies and why, what a rewrite would do. Writes no file.

The answer comes from a real rewrite, proof included, into a file without a name.
"""

import argparse
import json
from pathlib import Path

from liftwright.command_inputs import open_job, read_inputs
from liftwright.command_outcome import document, summary, tried_result
from liftwright.command_tables import plain, table
from liftwright.plan.layers import SHORT_S
from liftwright.result import REWRITTEN, Result


def explain(arguments: argparse.Namespace) -> int:
    """Say it all; 0 whatever would become of the job."""
    job = Path(arguments.job)
    inputs = read_inputs(arguments, job)
    with open_job(job) as source:
        result = tried_result(source, inputs)
    if arguments.json:
        print(json.dumps(document(result), indent=1))
    else:
        print("\n\n".join([f"{plain(job)}: what would be done, no file was written", *_parts(result)]))
    return 0


def _parts(result: Result) -> list[str]:
    facts = [(fact.key, fact.text, fact.origin) for fact in result.facts.values()]
    tried = result.decision.tried if result.decision else ()
    return [
        table(("fact", "value", "from"), facts) if facts else "no fact was read",
        table(("rule", "found"), tried) if tried else "no rule was tried",
        summary(result),
        *_cooling(result),
        *_positions(result),
        *_risks(result),
    ]


def _cooling(result: Result) -> list[str]:
    """Layers that lean out, are soon over and have their fan below full; their own times, fan and overhang are JSON."""
    short = result.details.get("layers_short_of_cooling", {"count": 0})
    if not short["count"]:
        return []
    low, high = short["z_mm"]
    return [
        f"warning: {short['count']} layers between Z {low:g} and {high:g} overhang on a tenth of their beads or more, "
        f"take less\nthan {SHORT_S:g} s, and have the fan below full; common practice, no source: such layers want "
        "full fan or more time\n(what the material stands comes first)"
    ]


def _positions(result: Result) -> list[str]:
    """Whoever resumes after a power loss by line or byte must count in the rewritten job."""
    if result.outcome != REWRITTEN:
        return []
    lines, size = result.counts["lines_added"], result.counts["bytes_added"]
    return [
        f"positions move: {lines:+d} lines and {size:+d} bytes in all; a resume after power loss counts in the "
        "rewritten job alone"
    ]


def _risks(result: Result) -> list[str]:
    """The travels with the tallest obstacles, where the terrain was looked at; line numbers are those of the job."""
    risks = result.details.get("riskiest", [])
    if not risks:
        return []
    rows = [[risk[key] for key in ("line", "layer", "length_mm", "obstacle_mm", "became")] for risk in risks]
    return ["the riskiest travels:\n" + table(("line", "layer", "length, mm", "obstacle, mm", "became"), rows)]
