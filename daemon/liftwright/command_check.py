"""`liftwright check`: a rules folder in; a short summary, or every fault in it (exit 3); or the rules' JSON Schema."""

import argparse
import json

from liftwright.command_inputs import read_rules, rules_place
from liftwright.command_settings import find_settings
from liftwright.command_tables import pairs
from liftwright.rules.json_schema import rules_json_schema


def check(arguments: argparse.Namespace) -> int:
    """Read the rules as the daemon would."""
    if arguments.schema:
        print(json.dumps(rules_json_schema(), indent=1))
        return 0
    place = rules_place(arguments.rules, find_settings(arguments))
    rules = read_rules(place)
    rows = [
        ("files", ", ".join(rules.sources)),
        ("printers", ", ".join(printer.name for printer in rules.printers)),
        ("materials", ", ".join(material.name for material in rules.materials)),
        ("when unmatched", rules.when_unmatched),
        ("when refused", rules.when_refused),
        ("digest", rules.digest),
        *(("" if number else "rules", rule.name) for number, rule in enumerate(rules.rules)),
    ]
    print(f"{place}: no fault found\n\n{pairs(rows)}")
    return 0
