"""The sheet that goes with a gauge: Markdown for whoever stands at the machine, with cautions and what to write down.

What the operator said goes in; text comes out. Its YAML part, filled in, is what `reading` takes.
"""

import json
from collections.abc import Iterator
from math import atan2, degrees

from liftwright.evidence.gauge import CLEARANCES_MM, SHARES, curl_figure, leaning_layers
from liftwright.evidence.gauge_pen import GaugeTerms
from liftwright.evidence.gauge_strings import APART_MM, HEIGHT_MM, PAIRS

CAUTIONS = """\
**Cautions.** This job heats and moves a machine, and the curl gauge touches printed plastic on purpose.

- Parts burn and parts crush: keep hands out while it is hot or moving.
- It can start a fire. **Never leave it unattended**; keep a hand near the stop.
- It holds no start or end procedure of your machine: read it, and put in what your machine needs.
- Stop at once when a fin bends far, comes off, or the nozzle drags plastic along. What you saw until then still counts.
- The machine's manual, local codes and qualified people have the last word.
"""

_CURL = """\
# Curl gauge: {material} on {printer}

{cautions}
Printed with: nozzle {nozzle_temp} °C, bed {bed_temp} °C, fan {fan} %, layers of {h:g} mm, beads {w:g} mm wide,
retraction {retraction:g} mm, {speed:g} mm/s. It says nothing of other numbers: print it as you print your jobs.

## What it does

Seven fins stand side by side between two bars. Each leans to the back (to larger Y), more from fin to fin, over its
upper {leaning:.1f} mm ({layers} layers). Fin 1 is upright.

```text
back    ==================  last bar      ^
        ------------------  fin 7         |
               ...                        |  each crossing goes this way,
        ------------------  fin 2         |  the next one farther to the right
        ------------------  fin 1         |
front   ==================  first bar     |
```

| fin | share of each outer bead that hangs free | lean from the vertical |
| --- | --- | --- |
{fins}

Then the nozzle crosses all fins {count} times, each time at another place, from safe to low. It waits 4 s before each
crossing, and a display shows which one comes. The clearance is counted from where the fins' tops should be.

## What to do

1. Print it and watch it. Before the crossings begin, look at the fins along the bar: note what you see.
2. At each crossing, write down the number of the **first** fin that the nozzle touches: it scrapes, the fin moves, or
   there is a sound. 0 if it touches none. If you stopped, delete the lines of the crossings that were
   not made.
3. If fin 1 is touched, that is the machine's own error. Write 1; the evaluation leaves such crossings out.
4. Fill the numbers in below, save the part between the lines as a file of its own, such as `reading.yaml`, and ask:
   `liftwright gauge --reading reading.yaml`

```yaml
{yaml}```

One print is one reading. Edges differ from print to print, and from place to place on the bed: repeat it before you
trust it. `decay` of the entry is not measured here.
"""

_STRINGS = """\
# String gauge: {material} on {printer}

{cautions}
Printed with: nozzle {nozzle_temp} °C, bed {bed_temp} °C, fan {fan} %, layers of {h:g} mm, retraction {retraction:g} mm,
{speed:g} mm/s. It says nothing of other numbers: print it as you print your jobs.

## What it does

Two rows of posts, {apart:g} mm apart. In every layer the nozzle travels once from row to row at each pair of posts,
with that pair's own shape of lift, {height:g} mm high. Along the rows it travels without a lift, the same for all.

| pair | shape | strings between its posts, 0 (none) to 5 (a web) |
| --- | --- | --- |
{pairs}

`terrain` lifts nothing where nothing stands in the way: between posts it is what pair 1 is.

## What to do

1. Print it and watch it. Don't blow strings away or touch them before you have judged all pairs.
2. Under the same light, from the same side, give each pair its number. Judge twice, the second time from right to left.
3. Strings differ from print to print: print it three times before you change a rule for it. If all pairs string alike,
   look at retraction, temperature and dryness first; no shape of lift mends those.
"""


def curl_sheet(terms: GaugeTerms) -> str:
    """The sheet of the curl gauge."""
    figure = curl_figure(terms)
    layers = leaning_layers(terms.layer_height)
    fins = (
        f"| {fin.number} | {fin.share:g} | {degrees(atan2(fin.share * terms.width, terms.layer_height)):.0f}° |"
        for fin in figure.fins
    )
    return _CURL.format(
        **_said(terms), fins="\n".join(fins), layers=layers, leaning=layers * terms.layer_height,
        count=len(CLEARANCES_MM), yaml="\n".join(_empty_reading(terms)) + "\n",
    )  # fmt: skip


def string_sheet(terms: GaugeTerms) -> str:
    """The sheet of the string gauge."""
    pairs = "\n".join(f"| {number} | {shape} | |" for number, shape in enumerate(PAIRS, 1))
    return _STRINGS.format(**_said(terms), apart=APART_MM, height=HEIGHT_MM, pairs=pairs)


def _said(terms: GaugeTerms) -> dict[str, object]:
    return {
        "material": terms.material,
        "printer": terms.printer.name,
        "cautions": CAUTIONS,
        "nozzle_temp": terms.nozzle_temp,
        "bed_temp": terms.bed_temp,
        "fan": terms.fan_percent,
        "h": terms.layer_height,
        "w": terms.width,
        "retraction": terms.retraction_mm,
        "speed": terms.speed_mm_s,
    }


def _empty_reading(terms: GaugeTerms) -> Iterator[str]:
    """What the operator fills in; left as it is, it can't be read, so that an empty line is never taken for a 0."""
    yield "gauge: curl"
    # A text in JSON is one in YAML too, whatever characters it holds.
    yield f"printer: {json.dumps(terms.printer.name, ensure_ascii=False)}"
    yield f"material: {json.dumps(terms.material, ensure_ascii=False)}"
    yield f"layer_height: {terms.layer_height:g}"
    yield f"crossings:                      # first_touched: 0 for none, or the fin's number, 1 to {len(SHARES)}"
    for clearance in CLEARANCES_MM:
        yield f"  - {{clearance_mm: {clearance:g}, first_touched: fill in}}"
