"""`liftwright gauge`: a calibration print and its sheet; or, from a filled-in sheet, numbers for a material entry.

Refuses numbers that weren't given (temperatures above all), a printer or material without an entry, a figure that
doesn't fit the printer, and to replace files unless told to. Writes each of the two files whole; edits no rule.
"""

import argparse
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TypeVar

from liftwright.command_inputs import read_rules, rules_place
from liftwright.command_settings import find_settings
from liftwright.command_tables import pairs, plain, table
from liftwright.errors import LiftwrightError, RulesError, UsageError
from liftwright.evidence.gauge import CLEARANCES_MM, MODEL, curl_gauge
from liftwright.evidence.gauge_limits import check_figure, check_numbers
from liftwright.evidence.gauge_pen import GaugeTerms
from liftwright.evidence.gauge_sheet import CAUTIONS, curl_sheet, string_sheet
from liftwright.evidence.gauge_strings import MODEL as STRING_MODEL
from liftwright.evidence.gauge_strings import string_gauge
from liftwright.evidence.reading import EdgeHeights, Reading, edge_heights, read_reading
from liftwright.evidence.reading_fit import CurlEstimate, Estimate, fit_curl
from liftwright.job.facts import Fact
from liftwright.result import HELD, Result
from liftwright.rewrite import rewrite
from liftwright.rules.match import Decision, match
from liftwright.rules.schema import Material, Printer, Rule, RuleSet
from liftwright.spool.durable import replace_file

ORIGIN = "command line"
_Entry = TypeVar("_Entry", Printer, Material)


def gauge(arguments: argparse.Namespace) -> int:
    """Write a gauge and its sheet, or evaluate a reading."""
    if arguments.reading is not None:
        return _evaluate(Path(arguments.reading))
    terms, decision = _terms(arguments)
    check_figure(terms, arguments.kind)
    job = Path(arguments.to)
    sheet = job.with_suffix(".md")
    _check_free(job, sheet, force=arguments.force)
    make, describe = (curl_gauge, curl_sheet) if arguments.kind == "curl" else (string_gauge, string_sheet)
    data = make(terms)
    result = _tried(data, terms, decision)
    replace_file(job, data)
    replace_file(sheet, describe(terms).encode())
    print(pairs([*_written_rows(arguments.kind, terms, result), ("job", job), ("sheet", sheet)]))
    for warning in _warnings(decision):
        print(f"\n{warning}")
    print("\n" + CAUTIONS.replace("**", ""), end="")
    return 0


def _terms(arguments: argparse.Namespace) -> tuple[GaugeTerms, Decision]:
    missing = [f"--{name}" for name in ("printer", "material", "to") if getattr(arguments, name) is None]
    if missing:
        raise UsageError(f"found no {', '.join(missing)}; wanted them for a new gauge, or --reading FILE")
    check_numbers(
        {
            "nozzle-temp": arguments.nozzle_temp,
            "bed-temp": arguments.bed_temp,
            "fan": arguments.fan,
            "layer-height": arguments.layer_height,
            "retraction": arguments.retraction,
            "speed": arguments.speed,
        }
    )
    rules = read_rules(rules_place(arguments.rules, find_settings(arguments)))
    said = {"printer": arguments.printer, "material": arguments.material, "model": _model(arguments.kind)}
    decision = match(rules, {key: Fact(key, value, ORIGIN) for key, value in said.items()})
    printer = _known(decision.printer, arguments.printer, rules.printers, "printer")
    material = _known(decision.material, arguments.material, rules.materials, "material")
    terms = GaugeTerms(
        printer, material.name, arguments.nozzle_temp, arguments.bed_temp, arguments.fan, arguments.layer_height,
        arguments.retraction, arguments.speed,
    )  # fmt: skip
    return terms, decision


def _model(kind: str) -> str:
    return MODEL if kind == "curl" else STRING_MODEL


def _known(entry: _Entry | None, name: str, entries: Sequence[_Entry], what: str) -> _Entry:
    if entry is None:
        names = ", ".join(one.name for one in entries) or "none"
        raise UsageError(f'--{what}: found "{plain(name)}"; wanted one of the rules\' entries: {names}')
    return entry


def _check_free(job: Path, sheet: Path, *, force: bool) -> None:
    if sheet == job:
        raise UsageError(f"{job}: ends in .md, as its sheet does; wanted a job's name, such as gauge.gcode")
    for place in (job, sheet):
        if place.is_dir():
            raise UsageError(f"{place}: is a folder; wanted the name of a file")
        if place.exists() and not force:
            raise UsageError(f"{place}: exists; wanted a new name, or --force to replace it")


def _tried(data: bytes, terms: GaugeTerms, decision: Decision) -> Result:
    """The gauge through our own reader, survey, limits, terrain and proof, as a job that a rule would lift."""
    rule = Rule.model_validate({"name": "gauge", "when": {}, "lift": {"shape": "terrain", "caution": 0.0}})
    materials = (decision.material,) if decision.material else ()
    rules = RuleSet((terms.printer,), materials, (rule,), "held", "held")
    result = rewrite(io.BytesIO(data), io.BytesIO(), rules)
    if result.outcome == HELD:
        raise LiftwrightError(f"the gauge itself would be held: {result.reason}")
    return result


def _written_rows(kind: str, terms: GaugeTerms, result: Result) -> Iterator[tuple[str, object]]:
    yield "gauge", f"{kind}, {terms.material} on {terms.printer.name}"
    yield (
        "said by you",
        (
            f"nozzle {terms.nozzle_temp} °C, bed {terms.bed_temp} °C, fan {terms.fan_percent} %, layers "
            f"{terms.layer_height:g} mm, retraction {terms.retraction_mm:g} mm, {terms.speed_mm_s:g} mm/s"
        ),
    )
    yield "minutes", round(result.measures["seconds_before"] / 60)
    yield "checked", "read as a job would be, within bed and height, proved under a terrain rule"
    if kind == "curl":
        yield (
            "foretold",
            (
                f"{result.counts['strikes_before']} of {len(CLEARANCES_MM)} crossings would touch a fin, if the entry "
                f"of {terms.material} is right"
            ),
        )


def _warnings(decision: Decision) -> Iterator[str]:
    if decision.rule is not None and decision.rule.lift is not None:
        yield (
            f'warning: rule "{plain(decision.rule.name)}" would change this job if it came through the inbox; put a '
            'rule before it, as the shipped rules have it:\n  when: {model: "*gauge*"}\n  leave: true'
        )


def _evaluate(path: Path) -> int:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror}; wanted a filled-in reading sheet") from None
    try:
        reading = read_reading(data, str(path))
        heights = edge_heights(reading)
    except RulesError as error:
        # Its faults are told as those of rules are; but rules are in order.
        raise UsageError(str(error)) from None
    print(f"{plain(path)}: curl of {plain(reading.material)} on {plain(reading.printer)}, one reading\n")
    print(table(("fin", "share", "edge stood, mm"), _edge_rows(heights)))
    for note in heights.notes:
        print(f"\nnote: {note}")
    print("\n" + "\n".join(_answer(reading, heights, fit_curl(heights))))
    return 0


def _edge_rows(heights: EdgeHeights) -> list[tuple[object, ...]]:
    rows = zip(heights.shares, heights.low, heights.high, strict=True)
    return [
        (number, share, f"above {low:g}" if high is None else f"{low:g} to {high:g}")
        for number, (share, low, high) in enumerate(rows, 2)
    ]


def _answer(reading: Reading, heights: EdgeHeights, found: CurlEstimate | None) -> Iterator[str]:
    if found is None:
        least = min(high for high in heights.high if high is not None)
        yield (
            f"no fin was touched: at these settings no edge up to a share of {max(heights.shares):g} stands higher "
            f"than {least:g} mm, and no numbers can be drawn from that"
        )
        return
    yield "what fits the reading, for the material's entry in your rules (nothing was changed there):"
    yield ""
    rows = (("onset", found.onset, ""), ("gain", found.gain, ""), ("cap_mm", found.cap, " mm"))
    yield pairs([(name, _range(one, unit)) for name, one, unit in rows])
    yield ""
    yield f"  - name: {plain(reading.material)}"
    yield f"    curl: {_entry(found.onset.value, found.gain.value, found.cap.value)}"
    yield "the tallest edges that fit it as well, if you would rather lift once too often:"
    yield f"    curl: {_entry(*found.cautious)}"
    if found.misfit_mm > 0.005:
        yield f"no numbers fit every crossing; the best miss by {found.misfit_mm:.2f} mm in all"
    yield "decay is not measured. One reading is one print: repeat it before you trust it."


def _entry(onset: float, gain: float, cap: float) -> str:
    return f"{{onset: {onset:.2f}, gain: {gain:.2f}, cap_mm: {cap:.2f}}}"


def _range(one: Estimate, unit: str) -> str:
    if one.open_above:
        return f"{one.low:.2f}{unit} or more: the reading sets no upper bound"
    return f"{one.value:.2f}{unit} ({one.low:.2f} to {one.high:.2f})"
