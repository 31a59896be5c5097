"""What a page is made from: heights under a travel, allowances, layers chosen, numbers packed, text escaped."""

import html.parser
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright.errors import JobError
from liftwright.evidence.drawing import DIGITS, packed
from liftwright.evidence.page import BLIND, page
from liftwright.evidence.picture import Picture, draw
from liftwright.evidence.tally import BEADS, LIFTS, N_COUNTS, STRIKES_AFTER, STRIKES_BEFORE, TRAVELS, Tally, chosen
from liftwright.job.moves import MoveReader
from liftwright.plan.travels import TravelFinder
from liftwright.rules.schema import RuleSet
from unit.page_jobs import GIVEN, HOSTILE, leaning_job, rules, wall_job


def unpacked(text: str) -> list[int]:
    """The numbers again, by the sentence in drawing.py: base 32, lowest digit first, digits but the last plus 32."""
    out, value, place = [], 0, 0
    for symbol in text:
        digit = DIGITS.decode().index(symbol)
        value += (digit % 32) << (5 * place)
        place += 1
        if digit < 32:
            out.append(-(value + 1) // 2 if value % 2 else value // 2)
            value = place = 0
    return out


@given(st.lists(st.integers(-(2**43), 2**43)))
def test_packed_numbers_can_be_read_again(numbers: list[int]) -> None:
    assert unpacked(packed(np.array(numbers, np.int64))) == numbers


def picture_of(text: bytes, ruleset: RuleSet | None = None, **options: Any) -> Picture:
    return draw(io.BytesIO(text), io.BytesIO(), ruleset or rules(), GIVEN, **options)


def travels_of(picture: Picture, layer: int) -> list[dict[str, Any]]:
    """The travels drawn in a layer (index from 0), unpacked by the order that drawing.py states."""
    numbers = iter(unpacked(next(each["d"] for each in picture.layers if each["i"] == layer)))
    for _ in range(next(numbers)):
        next(numbers)
        for _ in range(2 * (next(numbers) + 1)):
            next(numbers)
    return [_travel(numbers, after=picture.changed) for _ in range(next(numbers))]


def _travel(numbers: Iterator[int], *, after: bool) -> dict[str, Any]:
    found: dict[str, Any] = {"line": next(numbers), "retracted": next(numbers), "before": next(numbers)}
    found["points"] = _points(numbers, 3)
    if after:
        found |= {"after": next(numbers), "reason": next(numbers), "side": _points(numbers, 2)}
    return found | {"ground": _points(numbers, 3)}


def _points(numbers: Iterator[int], columns: int) -> np.ndarray:
    count = next(numbers)
    return np.cumsum([[next(numbers) for _ in range(columns)] for _ in range(count)] or np.zeros((0, columns)), 0) / 100


def test_the_ground_under_a_travel_is_the_wall_where_the_wall_stands():
    """A wall 1.0 mm tall at X 50, about 0.5 mm wide; the nozzle's flat is 1 mm wide, and travels from X 20 to 80."""
    picture = picture_of(wall_job(), rules(caution=0.0))
    (travel,) = [each for each in travels_of(picture, 4) if each["points"][0].tolist() == [20.0, 10.0, 0.8]]
    ways, printed, _ = travel["ground"].T
    assert printed.max() == 1.0
    tall = ways[printed == 1.0]
    # Half the flat, half the bead; a place lies every 0.2 mm and the picture's squares are 0.1 mm.
    assert tall.min() == pytest.approx(30 - 0.75, abs=0.35)
    assert tall.max() == pytest.approx(30 + 0.75, abs=0.35)
    assert printed[abs(ways - 30.0) > 2.0].max() <= 0.8
    assert travel["before"] == 1


def test_the_side_view_after_is_that_of_the_bytes_that_leave():
    """Read back from the rewritten job by the reader: every travel of every layer, before and after."""
    source, sink = io.BytesIO(leaning_job()), io.BytesIO()
    picture = draw(source, sink, rules(), GIVEN)
    assert picture.changed
    drawn = [travel for layer in picture.layers for travel in travels_of(picture, layer["i"])]
    before, after = (_sides(text) for text in (leaning_job(), sink.getvalue()))
    assert len(before) == len(after) == len(drawn) > 10
    changed = 0
    for travel, came, leaves in zip(drawn, before, after, strict=True):
        points = travel["points"]
        ways = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points[:, :2], axis=0).T))])
        assert np.interp(came[0], ways, points[:, 2]) == pytest.approx(came[1], abs=0.02)
        if len(travel["side"]):
            changed += 1
            assert travel["side"] == pytest.approx(leaves.T, abs=0.011)
    assert changed == picture.result.travels["rewritten"] > 0


def _sides(text: bytes) -> list[np.ndarray]:
    """(way, Z) of every travel of a job that goes anywhere, as its lines say."""
    out = []
    finder = TravelFinder(0)
    for window in MoveReader(io.BytesIO(text)).windows():
        moves, travels = window.moves, finder.find(window.moves)
        for t in range(len(travels)):
            rows = np.arange(travels.first[t] - 1, travels.last[t])
            way = np.concatenate([[0], np.cumsum(np.hypot(np.diff(moves.x[rows]), np.diff(moves.y[rows])))])
            if way[-1] > 0 and len(rows) > 1 and travels.layer[t] > 0:
                out.append(np.stack([way, moves.z[rows].copy()]))
    return out


def test_beads_that_lean_out_show_an_allowance_and_those_below_show_none():
    picture = picture_of(leaning_job())
    classes = {layer["i"]: set() for layer in picture.layers}
    for layer in picture.layers:
        numbers = iter(unpacked(layer["d"]))
        for _ in range(next(numbers)):
            classes[layer["i"]].add(next(numbers))
            for _ in range(2 * (next(numbers) + 1)):
                next(numbers)
    assert classes[0] == {0}
    assert max(classes[max(classes)]) > 0


def test_the_strip_counts_what_the_passes_count():
    picture = picture_of(leaning_job())
    counts = picture.tally.counts.sum(axis=1)
    assert counts[LIFTS] == picture.result.travels["rewritten"]
    assert counts[BEADS] <= picture.result.counts["beads"]
    assert counts[TRAVELS] <= picture.result.counts["travels"]
    assert counts[STRIKES_BEFORE] == picture.result.counts["strikes_before"]
    assert counts[STRIKES_AFTER] == picture.result.counts["strikes_after"] == 0


@pytest.mark.parametrize("chunk", [300, 1 << 19])
def test_cutting_the_job_elsewhere_draws_the_same(chunk, monkeypatch):
    whole = picture_of(leaning_job())
    monkeypatch.setattr("liftwright.evidence.picture.CHUNK", chunk)
    assert picture_of(leaning_job()).layers == whole.layers


def test_a_job_that_no_rule_fits_is_drawn_as_it_came_and_says_what_was_assumed():
    picture = draw(io.BytesIO(leaning_job()), io.BytesIO(), rules())
    assert not picture.changed
    assert "nozzle of 0.4 mm" in picture.assumed[0]
    assert "no printer" in picture.result.reason


def test_a_job_that_was_rewritten_before_is_drawn_and_strikes_nothing():
    sink = io.BytesIO()
    draw(io.BytesIO(leaning_job()), sink, rules(), GIVEN)
    again = picture_of(sink.getvalue())
    assert again.result.reason_code == "already_rewritten"
    assert again.tally.counts[STRIKES_BEFORE].sum() == 0


def test_what_a_rewrite_refuses_is_not_drawn():
    with pytest.raises(JobError, match="nothing is printed"):
        picture_of(b"G21\nG90\nG1 X1 Y1 F600\n")


def _tally(costs: list[int], strikes: list[int]) -> Tally:
    counts = np.zeros((N_COUNTS, len(costs)), np.int64)
    counts[BEADS], counts[STRIKES_BEFORE] = costs, strikes
    return Tally(counts)


def test_all_layers_are_drawn_where_there_is_room():
    assert chosen(_tally([10] * 50, [0] * 50), 100_000) == list(range(50))


@given(st.lists(st.tuples(st.integers(1, 500), st.integers(0, 9)), min_size=2, max_size=80), st.integers(1000, 40_000))
def test_where_there_is_none_the_ends_stay_the_worst_come_first_and_the_room_holds(layers, room):
    tally = _tally([cost for cost, _ in layers], [strikes for _, strikes in layers])
    found = chosen(tally, room)
    assert found[0] == 0
    assert found[-1] == len(layers) - 1
    costs = [60 + 4.5 * cost for cost, _ in layers]
    ends = costs[0] + costs[-1]
    assert sum(costs[k] for k in found) <= max(room, ends)
    worst = tally.worst(1)
    if worst and costs[worst[0]] + ends <= 0.3 * room:
        assert worst[0] in found


class _Reader(html.parser.HTMLParser):
    """What a browser would find: elements, attributes that load or run something, and the text of scripts."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.loads: list[str] = []
        self.handlers: list[str] = []
        self.texts: dict[str, list[str]] = {}
        self._inside = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._inside = tag
        for name, value in attrs:
            if name in ("src", "href"):
                self.loads.append(value or "")
            if name.startswith("on"):
                self.handlers.append(name)

    def handle_data(self, data: str) -> None:
        self.texts.setdefault(self._inside, []).append(data)


def _hostile_page() -> tuple[bytes, _Reader]:
    text = leaning_job().replace(b";material = PETG", b"; model: " + HOSTILE.encode() + b"\n;material = PETG")
    made = page(picture_of(text), HOSTILE, "drawing.js")
    reader = _Reader()
    reader.feed(made.decode())
    return made, reader


def test_hostile_names_and_comments_stay_text():
    made, reader = _hostile_page()
    assert reader.tags.count("script") == 3
    assert "img" not in reader.tags
    assert reader.handlers == []
    assert any("onerror=alert(2)" in text for text in reader.texts["td"] + reader.texts["h1"])
    assert made.count(b"@data@") >= 2, "a name that looks like a mark of the page stays what it is"


def test_a_page_loads_nothing_but_the_script_beside_it():
    made, reader = _hostile_page()
    assert [load for load in reader.loads if load != "data:,"] == ["drawing.js"]
    assert not re.search(rb"https?://", made)


def test_the_data_of_a_page_are_json_that_no_element_can_end():
    made, _ = _hostile_page()
    data = made.partition(b'id="data">')[2].partition(b"</script>")[0]
    assert b"<" not in data
    assert json.loads(data)["layersInAll"] == 8


def test_a_page_has_the_cautions_the_palettes_source_and_what_an_allowance_is():
    text = page(picture_of(leaning_job()), "pot", "drawing.js").decode()
    for word in ("burn", "crush", "fire", "unattended", "manual", "local codes", "qualified people"):
        assert word in text
    assert "Okabe" in text
    assert "not a prediction" in text
    assert "foretold" in text


def test_a_blind_page_tells_nothing_of_the_rewrite():
    picture = picture_of(leaning_job(), before_only=True)
    text = page(picture, "pot", "drawing.js", blind=True).decode()
    assert BLIND in text
    assert "travels rewritten" not in text.partition('id="data"')[0]
    data = json.loads(text.partition('id="data">')[2].partition("</script>")[0])
    assert "after" not in data["strip"]
    assert "lifts" not in data["all"]


def test_a_thinned_page_says_what_it_shows():
    picture = picture_of(leaning_job(), room=700)
    assert len(picture.layers) < 8
    text = page(picture, "pot", "drawing.js").decode()
    assert f"{len(picture.layers)} of 8 layers are drawn" in text
    whole = page(replace(picture, layers=picture_of(leaning_job()).layers), "pot", "drawing.js").decode()
    assert "All 8 layers are drawn" in whole
