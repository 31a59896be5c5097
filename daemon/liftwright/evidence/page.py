"""A picture as one static page.

In: a `Picture` and the names to show. Out: bytes of HTML that need no server and no network. Whatever comes from a job
or from rules is escaped, and no text of a job reaches a script: scripts get numbers and words of ours.
"""

import base64
import hashlib
import html
import json
import re
from collections.abc import Iterable, Sequence
from importlib.metadata import version
from importlib.resources import files
from typing import Any

import numpy as np

from liftwright.evidence.drawing import CLASSES_MM, DIGITS
from liftwright.evidence.picture import Picture
from liftwright.evidence.tally import LIFTS, STRIKES_AFTER, STRIKES_BEFORE, TRAVELS
from liftwright.job.facts import Fact
from liftwright.plan.travels import REASONS

MOST_IN_STRIP = 1000  # points along the strip; more layers are added up in groups
WORST_LISTED = 8
BLIND = "shown as it came, so that nothing here tells the arms of the trial apart"
CAUTIONS = (
    "A printer has parts that burn and parts that crush. Keep hands out of it while it is hot or moving.",
    "A printer can start a fire. Don't leave it unattended unless its maker says you may, and your smoke alarms, your "
    "insurer and local codes agree.",
    "Strikes are foretold, against an allowance for curled edges that you chose; nobody has observed them. The picture "
    "shows what was planned with, not what is on your bed.",
    "Watch the first rewritten jobs on each machine from the first layer. The machine's manual, local codes and "
    "qualified people have the last word.",
)


def page(picture: Picture, title: str, script_at: str, *, blind: bool = False) -> bytes:
    """The page of the job that people know as `title`; `script_at`: where the script lies, relative to the page.

    blind: say nothing of what a rewrite would do, for the page of a trial.
    """
    own = _resource("page.js")
    digest = base64.b64encode(hashlib.sha256(own.encode("utf-8")).digest()).decode("ascii")
    values = {
        "title": html.escape(title),
        # Scripts: this one by its digest, and files; nothing that a job could have smuggled in between.
        "policy": f"default-src 'none'; script-src 'sha256-{digest}' file: http: https:; style-src 'unsafe-inline'; "
        "img-src data: blob:",
        "style": _resource("page.css"),
        "outcome": html.escape(BLIND if blind else _outcome(picture)),
        "cautions": _list(CAUTIONS),
        "assumed": "".join(f"<p>{html.escape(each)}</p>" for each in picture.assumed),
        "numbers": _numbers(picture),
        "worst": _worst(picture),
        "shown": html.escape(_shown(picture)),
        "sides": _SIDES if picture.changed else "",
        "reasons": "" if blind else f"<h2>Reasons</h2>{_reasons(picture)}",
        "facts": _facts(picture.result.facts.values()),
        "tried": "" if blind else _tried(picture),
        "cap": f"{picture.curl_cap_mm:g}",
        "version": html.escape(version("liftwright")),
        "script_at": html.escape(script_at, quote=True),
        "data": _data(picture),
        "script": own,
    }
    # In one go, so that a name that looks like one of these marks stays what it is.
    text = _MARK.sub(lambda mark: values[mark[1]], _resource("page.html"))
    return text.encode("utf-8", "replace")


_MARK = re.compile("@([a-z_]+)@")
_SIDES = """<fieldset><legend>travels</legend>
<label><input type="radio" name="side" value="before"> as they came</label>
<label><input type="radio" name="side" value="after" checked> rewritten</label>
</fieldset>"""

# Numbers of the record, in this order: key without _before and _after, and what people call it.
_SHOWN = {
    "seconds": "time, s",
    "air_s": "time above both ends of a travel, s",
    "unretracted_s": "time travelling unretracted, s",
    "z_stroke_mm": "way of Z, mm",
    "z_reversals": "turns of Z",
    "tallest_lift_mm": "tallest lift, mm",
}


def _resource(name: str) -> str:
    return files("liftwright.evidence").joinpath(name).read_text("utf-8")


def _list(sentences: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{html.escape(each)}</li>" for each in sentences) + "</ul>"


def _outcome(picture: Picture) -> str:
    result = picture.result
    return f"{result.outcome}: {result.reason}" if picture.changed else f"shown as it came. {result.reason}"


def _table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Texts to the left, numbers to the right, everything escaped."""
    head = "".join(f'<th scope="col">{html.escape(each)}</th>' for each in heads)
    body = "".join("<tr>" + "".join(map(_cell, row)) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _cell(value: object) -> str:
    if isinstance(value, int | float):
        text = f"{value:,d}" if isinstance(value, int) else f"{value:,.2f}".rstrip("0").rstrip(".")
        return f'<td class="number">{text}</td>'
    return f"<td>{html.escape(str(value))}</td>"


def _numbers(picture: Picture) -> str:
    """What the record holds; strikes as the page counted them, so that every shape has them."""
    counts, numbers = picture.tally.counts.sum(axis=1), {**picture.result.counts, **picture.result.measures}
    rows: list[tuple[object, ...]] = [("layers", len(picture.tally.counts[0])), ("travels", int(counts[TRAVELS]))]
    if not picture.changed:
        rows.append(("strikes foretold", int(counts[STRIKES_BEFORE])))
        return _table(("", "as it came"), rows)
    rows = [(*row, row[1]) for row in rows]
    rows.append(("travels rewritten", 0, int(counts[LIFTS])))
    rows.append(("strikes foretold", int(counts[STRIKES_BEFORE]), int(counts[STRIKES_AFTER])))
    for key, words in _SHOWN.items():
        if f"{key}_after" in numbers:
            rows.append((words, float(numbers[f"{key}_before"]), float(numbers[f"{key}_after"])))
        elif key in numbers:
            rows.append((words, float(numbers.get(f"{key[:-3]}_before_mm", 0.0)), float(numbers[key])))
    return _table(("", "as it came", "rewritten"), rows) + _list(picture.result.warnings)


def _worst(picture: Picture) -> str:
    worst = picture.tally.worst(WORST_LISTED)
    if not worst:
        return "<p>In no layer would a travel strike the allowance as the job came.</p>"
    counts, heights = picture.tally.counts, picture.times["z_mm"]
    heads = ["layer", "Z, mm", "strikes as it came", *(["strikes rewritten"] if picture.changed else [])]
    rows = []
    for layer in worst:
        height = f"{heights[layer]:g}" if layer < len(heights) else "–"
        button = f'<td><button type="button" data-layer="{layer + 1}">layer {layer + 1}</button></td>'
        numbers = [int(counts[STRIKES_BEFORE, layer])] + (
            [int(counts[STRIKES_AFTER, layer])] if picture.changed else []
        )
        rows.append(f"<tr>{button}{_cell(height)}{''.join(map(_cell, numbers))}</tr>")
    head = "".join(f'<th scope="col">{each}</th>' for each in heads)
    said = f"<p>The {len(worst)} layers with the most strikes:</p>" if len(worst) > 1 else ""
    return f'{said}<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>'


def _shown(picture: Picture) -> str:
    """What was left out, said plainly."""
    layers, drawn = picture.tally.counts.shape[1], len(picture.layers)
    said = []
    if drawn < layers:
        said.append(
            f"So that the page stays small, {drawn:,} of {layers:,} layers are drawn: those with the most strikes, and "
            "others at even steps; a number in between shows the nearest that is drawn. The strip and all numbers are "
            "of the whole job."
        )
    else:
        said.append(f"All {layers:,} layers are drawn.")
    said.append(
        "Within a layer, where a sentence says that only some travels or beads are drawn, those that strike or are "
        "rewritten come first. The ground under a travel is looked at every 0.2 mm, or at 160 places if that is fewer."
    )
    group = _group(layers)
    if group > 1:
        said.append(f"Each point of the strip adds up {group} layers.")
    if layers > len(picture.times["z_mm"]):
        said.append(f"Seconds are known for the first {len(picture.times['z_mm']):,} layers.")
    return " ".join(said)


def _reasons(picture: Picture) -> str:
    rows = [(words, count) for words, count in picture.result.travels.items()] if picture.changed else []
    if not rows:
        return f"<p>{html.escape(picture.result.reason)}</p>"
    return "<p>What became of the travels:</p>" + _table(("the travel", "how many"), rows)


def _facts(facts: Iterable[Fact]) -> str:
    rows = [(fact.key, fact.text, fact.origin) for fact in facts]
    return _table(("fact", "value", "from"), rows) if rows else "<p>No fact was read.</p>"


def _tried(picture: Picture) -> str:
    decision = picture.result.decision
    if decision is None or not decision.tried:
        return "<p>No rule was tried.</p>"
    names = [("printer", decision.printer.name if decision.printer else "none")]
    names.append(("material", decision.material.name if decision.material else "none"))
    return _table(("entry", "name"), names) + _table(("rule", "found"), decision.tried)


def _group(layers: int) -> int:
    """Layers that one point of the strip stands for."""
    return max(1, -(-layers // MOST_IN_STRIP))


def _data(picture: Picture) -> str:
    """The numbers for the script, as JSON that can't end its element."""
    counts = picture.tally.counts
    layers = counts.shape[1]
    group = _group(layers)
    data: dict[str, Any] = {
        "changed": picture.changed,
        "digits": DIGITS.decode("ascii"),
        "classes": CLASSES_MM,
        "reasons": REASONS,
        "bounds": [round(bound, 2) for bound in picture.bounds],
        "layersInAll": layers,
        "layers": picture.layers,
        "all": {
            "before": counts[STRIKES_BEFORE].tolist(),
            **({"after": counts[STRIKES_AFTER].tolist(), "lifts": counts[LIFTS].tolist()} if picture.changed else {}),
        },
        "strip": {
            "layer": list(range(1, layers + 1, group)),
            "before": _summed(counts[STRIKES_BEFORE], group),
            "seconds": _summed(picture.times["seconds_before"], group),
            **(
                {
                    "after": _summed(counts[STRIKES_AFTER], group),
                    "lifts": _summed(counts[LIFTS], group),
                    "secondsAfter": _summed(picture.times["seconds_after"], group),
                }
                if picture.changed
                else {}
            ),
        },
    }
    return json.dumps(data, separators=(",", ":"), ensure_ascii=True).replace("<", "\\u003c")


def _summed(values: Any, group: int) -> list[float]:
    column = np.asarray(values)
    sums: list[float] = np.add.reduceat(column, np.arange(0, len(column), group)).tolist() if len(column) else []
    return [round(value, 2) for value in sums]
