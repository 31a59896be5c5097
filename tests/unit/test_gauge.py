"""The gauges: what they print, judged by the separate judge of the tests; what a reading of one says; wrong input."""

import io
import math
import re
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from evaluator.judge import Verdict, judge
from evaluator.numbers import Numbers
from liftwright.command import main
from liftwright.errors import RulesError, UsageError
from liftwright.evidence.gauge import CLEARANCES_MM, SHARES, curl_figure, curl_gauge
from liftwright.evidence.gauge_limits import check_figure
from liftwright.evidence.gauge_pen import GaugeTerms
from liftwright.evidence.gauge_sheet import curl_sheet
from liftwright.evidence.gauge_strings import HEIGHT_MM, PAIRS, side_view, string_gauge, string_layers
from liftwright.evidence.reading import UPRIGHT, Reading, edge_heights, read_reading
from liftwright.evidence.reading_fit import fit_curl
from liftwright.rewrite import rewrite
from liftwright.rules.load import load_rules
from liftwright.rules.schema import Printer, RectBed, RoundBed

ROOT = Path(__file__).parents[2]
RULES = load_rules({path.name: path.read_bytes() for path in sorted((ROOT / "rules").glob("*.yaml"))})
LIFTING = b"""
rules:
  - {name: all, when: {}, lift: {shape: terrain, caution: 0}}
when_unmatched: held
when_refused: held
"""


def terms(printer: str = "bench-220", layer_height: float = 0.2, **changes: object) -> GaugeTerms:
    entry = next(one for one in RULES.printers if one.name == printer).model_copy(update=changes)
    return GaugeTerms(entry, "PETG", 240, 75, 50, layer_height, 0.8, 40.0)


def judged(data: bytes, entry: Printer, **numbers: float) -> Verdict:
    return judge(data, {}, Numbers(nozzle_mm=entry.nozzle_mm, flat_mm=entry.nozzle_flat_mm, **numbers))


KINDS = (("bench-220", 0.2), ("bench-220", 0.1), ("wide-500", 0.4))


@pytest.fixture(scope="module", params=KINDS, ids=lambda kind: f"{kind[0]} {kind[1]}")
def curl(request: pytest.FixtureRequest) -> tuple[GaugeTerms, Verdict]:
    said = terms(*request.param)
    return said, judged(curl_gauge(said), said.printer)


def beads_of(said: GaugeTerms, verdict: Verdict) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(y in the figure, height of the top, share, whether it is one of the fins' or bars' long beads)."""
    figure = curl_figure(said)
    ends = verdict.beads.ends
    is_long = np.abs(np.abs(ends[:, 3] - ends[:, 0]) - figure.length) < 0.01
    return ends[:, 1] - (said.middle[1] - figure.depth / 2), ends[:, 5], verdict.ground.share, is_long


def test_the_judge_sees_the_share_of_every_fin(curl: tuple[GaugeTerms, Verdict]) -> None:
    """Each leaning layer's outermost bead has its fin's share, to what samples of 0.0125 mm can tell; no other has."""
    said, verdict = curl
    figure = curl_figure(said)
    y, z, share, is_long = beads_of(said, verdict)
    leaning = z > said.layer_height * (figure.layers - figure.leaning + 0.5)
    for fin in figure.fins:
        beyond = fin.y + figure.leaning * fin.share * said.width + 4 * said.pitch + said.width
        mine = is_long & leaning & (y > fin.y) & (y < beyond)
        tops = np.unique(z[mine])
        assert len(tops) == figure.leaning
        for top in tops:
            layer = np.flatnonzero(mine & (z == top))
            outermost = layer[np.argmax(y[layer])]
            assert share[outermost] == pytest.approx(fin.share, abs=0.03), f"fin {fin.number} at {top}"
            others = layer[layer != outermost]
            assert len(others) == 4
            # With layers as tall as beads are pitched apart, the second bead may stand out by a hair too.
            assert share[others].max() <= max(0.02, fin.share - said.pitch / said.width + 0.03)


def test_nothing_hangs_over_but_the_fins_that_lean(curl: tuple[GaugeTerms, Verdict]) -> None:
    """But for the notches between the round ends of beads, under the short turns there: a tenth, and never an edge."""
    said, verdict = curl
    figure = curl_figure(said)
    _, z, share, is_long = beads_of(said, verdict)
    upright = z < said.layer_height * (figure.layers - figure.leaning + 0.5)
    assert share[upright & is_long].max() == 0.0
    assert share[upright].max() < 0.15


def test_every_bead_has_the_width_and_height_that_were_meant(curl: tuple[GaugeTerms, Verdict]) -> None:
    """Worked out again from the volume by the judge: A = (w - h) h + π h² / 4."""
    said, verdict = curl
    is_sure = np.hypot(*(verdict.beads.ends[:, 3:5] - verdict.beads.ends[:, 0:2]).T) > 1.0
    assert verdict.ground.width[is_sure] == pytest.approx(said.width, abs=0.002)
    assert verdict.ground.height == pytest.approx(said.layer_height, abs=1e-6)


def crossings(said: GaugeTerms, verdict: Verdict) -> list[np.ndarray]:
    """Level rows of the ways that go across the fins, below the height of the ways back."""
    figure, ways = curl_figure(said), verdict.ways["as it came"]
    top = figure.layers * said.layer_height
    left = said.middle[0] - figure.length / 2
    found = []
    for gap in range(ways.after.size):
        rows = ways.ends[ways.at[gap] : ways.at[gap + 1]]
        level = rows[np.hypot(*(rows[:, 3:5] - rows[:, 0:2]).T) > 0.5 * figure.depth]
        if len(level) and top < level[0, 2] < top + 2 and left < level[0, 0] < left + figure.length:
            found.append(level[0])
    return found


def test_each_crossing_goes_over_every_fin_at_its_clearance(curl: tuple[GaugeTerms, Verdict]) -> None:
    """Level, straight, from before the first fin to behind the last, each at a place of its own, from safe to low."""
    said, verdict = curl
    figure = curl_figure(said)
    top = figure.layers * said.layer_height
    found = crossings(said, verdict)
    assert [round(row[2] - top, 6) for row in found] == [pytest.approx(c) for c in CLEARANCES_MM]
    assert list(CLEARANCES_MM) == sorted(CLEARANCES_MM, reverse=True)
    origin = said.middle[1] - figure.depth / 2
    for row in found:
        assert row[2] == row[5]
        assert row[0] == row[3]
        assert row[1] - origin < figure.fins[0].y - 1
        assert row[4] - origin > figure.fins[-1].y + figure.leaning * SHARES[-1] * said.width + 1
    places = np.sort([row[0] for row in found])
    assert np.diff(places).min() > said.printer.nozzle_flat_mm + 1


def test_by_the_judges_allowance_exactly_the_low_crossings_strike(curl: tuple[GaugeTerms, Verdict]) -> None:
    """An edge of 0.5 mm, the cap, is touched by whatever passes more than the judge's 0.03 mm below it; and no way on
    which the gauge is built touches anything."""
    _, verdict = curl
    low = [clearance for clearance in CLEARANCES_MM if clearance < 0.5 - 0.03]
    assert verdict.rows["as it came"].strikes == len(low)


@pytest.mark.parametrize("numbers", [(0.4, 0.5, 0.5), (0.35, 0.6, 0.7), (0.3, 0.25, 0.4), (0.5, 0.8, 0.6)])
def test_a_reading_gives_back_the_numbers_that_made_the_edges(numbers: tuple[float, float, float]) -> None:
    """The judge grows edges by known numbers on the gauge's own bytes; what touches first is read off its ground. An
    allowance grows by whole thousandths there and here alike, so a gauge of other geometry would fail."""
    onset, gain, cap = numbers
    said = terms()
    verdict = judged(curl_gauge(said), said.printer, onset=onset, gain=gain, cap_mm=cap)
    found = fit_curl(edge_heights(read_as_seen(said, verdict)))
    assert found is not None
    assert found.misfit_mm < 0.02
    assert found.onset.low - 0.02 <= onset <= found.onset.high + 0.02
    assert found.gain.low * 0.93 <= gain <= found.gain.high * 1.07
    assert found.cap.low - 0.011 <= cap <= found.cap.high + 0.011


def read_as_seen(said: GaugeTerms, verdict: Verdict) -> Reading:
    """What somebody would write down who watched the crossings over the judge's ground."""
    figure, ground = curl_figure(said), verdict.ground
    nominal = figure.layers * said.layer_height
    origin = said.middle[1] - figure.depth / 2
    lines = []
    for clearance, crossing in zip(CLEARANCES_MM, crossings(said, verdict), strict=True):
        column = int((crossing[0] - ground.origin[0]) / ground.step)
        first = 0
        for fin in reversed(figure.fins):
            y = origin + fin.y + figure.leaning * fin.share * said.width + 4 * said.pitch
            rows = slice(*(int((v - ground.origin[1]) / ground.step) for v in (y, y + said.width)))
            edge = (ground.top[rows, column] + ground.curl[rows, column]).max() - nominal
            first = fin.number if edge > clearance + 1e-6 else first
        lines.append(f"  - {{clearance_mm: {clearance:g}, first_touched: {first}}}")
    text = f"gauge: curl\nprinter: a\nmaterial: b\nlayer_height: {said.layer_height}\ncrossings:\n" + "\n".join(lines)
    return read_reading(text.encode(), "seen.yaml")


@pytest.mark.parametrize("make", [curl_gauge, string_gauge])
@pytest.mark.parametrize("printer", ["bench-220", "delta-240", "wide-500", "cabinet-180"])
def test_a_gauge_is_a_job_that_our_own_reading_planning_and_proof_accept(make, printer) -> None:
    said = terms(printer, 0.4 if printer == "wide-500" else 0.2)
    files = {path.name: path.read_bytes() for path in (ROOT / "rules").glob("[12]0-*.yaml")}
    sink = io.BytesIO()
    result = rewrite(io.BytesIO(make(said)), sink, load_rules({**files, "30.yaml": LIFTING}))
    assert result.outcome == "rewritten", result.reason
    assert result.decision is not None
    assert result.decision.printer is not None
    assert result.decision.printer.name == printer
    if make is curl_gauge:
        assert result.travels["dwell"] == len(CLEARANCES_MM)
        assert result.counts["strikes_before"] == result.counts["strikes_after"] > 0


@pytest.mark.parametrize("make", [curl_gauge, string_gauge])
def test_the_shipped_rules_leave_a_gauge_alone(make) -> None:
    assert rewrite(io.BytesIO(make(terms())), io.BytesIO(), RULES).reason_code == "left_alone"


@pytest.mark.parametrize("make", [curl_gauge, string_gauge])
def test_no_z_move_is_faster_than_the_printer_says(make) -> None:
    """Of straight ones the feed, of sloped ones the share of it that is Z's."""
    said = terms("wide-500", 0.4)
    at = [0.0, 0.0, 0.0]
    checked = 0
    for line in make(said).decode().splitlines():
        if not line.startswith("G0"):
            words = dict(re.findall(r"([XY])([-\d.]+)", line)) if line.startswith("G1 X") else {}
            at = [float(words.get("X", at[0])), float(words.get("Y", at[1])), at[2]]
            continue
        words = dict(re.findall(r"([XYZF])([-\d.]+)", line))
        to = [float(words.get(axis, old)) for axis, old in zip("XYZ", at, strict=True)]
        if to[2] != at[2]:
            speed = float(words["F"]) / 60 * abs(to[2] - at[2]) / math.dist(at, to)
            assert speed <= said.printer.z_speed_mm_s * 1.001
            checked += 1
        at = to
    assert checked > 10


def test_the_string_gauge_travels_between_the_rows_in_every_shape() -> None:
    """In each layer above the plate one way across for each pair, lifted by its shape and not in the pair called flat;
    nothing is struck on any way."""
    said = terms()
    verdict = judged(string_gauge(said), said.printer)
    ways = verdict.ways["as it came"]
    row = verdict.rows["as it came"]
    assert row.strikes == 0
    across = np.abs(ways.ends[ways.at[1:] - 1, 4] - ways.ends[ways.at[:-1], 1]) > 20
    above = ways.ends[ways.at[:-1], 2] > said.layer_height * 2.5
    layers = string_layers(said.layer_height) - 2
    lift = row.measures.lift[across & above]
    assert len(lift) == layers * len(PAIRS)
    by_pair = lift.reshape(layers, len(PAIRS))
    assert by_pair[:, 0].max() == 0.0
    assert by_pair[:, 1:] == pytest.approx(HEIGHT_MM, abs=1e-6)
    early = row.measures.early[across & above].reshape(layers, len(PAIRS)).mean(0)
    assert early[1] == pytest.approx(HEIGHT_MM, abs=1e-6)
    assert early[3] < early[2] < early[1]


@pytest.mark.parametrize("shape", PAIRS)
def test_every_shape_ends_where_it_should(shape: str) -> None:
    assert side_view(terms(), shape, 22.0, 1.0)[-1] == (22.0, 1.0)


def test_a_bed_too_small_for_the_gauge_is_refused() -> None:
    small = {"bed_mm": RectBed(x=(0.0, 60.0), y=(0.0, 60.0))}
    for changes in (small, {"bed_mm": RoundBed(radius=40.0)}, {"z_max_mm": 5.0}):
        for kind in ("curl", "strings"):
            with pytest.raises(UsageError, match="the gauge"):
                check_figure(terms(**changes), kind)


def test_layers_too_tall_for_the_nozzle_are_refused() -> None:
    with pytest.raises(UsageError, match=r"at most 0\.3"):
        check_figure(terms(layer_height=0.35), "curl")


SAID = ["--nozzle-temp", "240", "--bed-temp", "75", "--fan", "50", "--layer-height", "0.2", "--retraction", "0.8"]


def gauge(tmp_path: Path, *words: str) -> int:
    return main(["gauge", "--to", str(tmp_path / "g.gcode"), "--rules", str(ROOT / "rules"), *words])


def test_the_command_writes_job_and_sheet_with_cautions_in_all_three(tmp_path, capsys) -> None:
    assert gauge(tmp_path, "--printer", "bench-220", "--material", "PETG", *SAID, "--speed", "40") == 0
    said, sheet = capsys.readouterr().out, (tmp_path / "g.md").read_text()
    job = (tmp_path / "g.gcode").read_text()
    for text in (said, sheet, job):
        for word in ("unattended", "burn", "fire", "manual", "qualified people", "stop"):
            assert word in text
    assert "M109 S240" in job
    assert "M190 S75" in job
    assert gauge(tmp_path, "--printer", "bench-220", "--material", "PETG", *SAID, "--speed", "40") == 2
    assert "--force" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "found no --printer, --material"),
        (["--printer", "bench-220", "--material", "PETG"], "found no --nozzle-temp, --bed-temp, --fan"),
        (["--printer", "bench-220", "--material", "PETG", *SAID], "found no --speed"),
        (["--printer", "bench-220", "--material", "PETG", *SAID, "--speed", "4000"], "wanted 1 to 300 mm/s"),
        (["--printer", "bench-220", "--material", "PETG", *SAID, "--speed", "nan"], "wanted 1 to 300 mm/s"),
        (["--printer", "nobody", "--material", "PETG", *SAID, "--speed", "40"], 'found "nobody"'),
        (["--printer", "bench-220", "--material", "wood", *SAID, "--speed", "40"], 'found "wood"'),
    ],
)
def test_what_is_missing_or_wrong_gets_a_sentence(tmp_path, capsys, words, said) -> None:
    assert gauge(tmp_path, *words) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def reading(*touched: object) -> bytes:
    lines = [f"  - {{clearance_mm: {c:g}, first_touched: {t}}}" for c, t in zip(CLEARANCES_MM, touched, strict=False)]
    head = "gauge: curl\nprinter: bench-220\nmaterial: PETG\nlayer_height: 0.2\ncrossings:\n"
    return (head + "\n".join(lines) + "\n").encode()


def test_the_sheets_own_yaml_is_a_reading_once_it_is_filled_in() -> None:
    text = curl_sheet(terms()).partition("```yaml\n")[2].partition("```")[0]
    assert read_reading(text.replace("fill in", "0").encode(), "r.yaml").layer_height == 0.2
    with pytest.raises(RulesError, match=r'r.yaml:6: crossings\[1\].first_touched: found the text "fill in"'):
        read_reading(text.encode(), "r.yaml")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "an empty file"),
        (b"gauge: curl\n", "printer: found no such key"),
        (reading(0, 0).replace(b"0.2\n", b"0.2\nlayers: 3\n"), "layers: found an unknown key"),
        (reading(0, 0).replace(b"0.8", b"0.7"), "found 1, 0.7; wanted the gauge's"),
        (reading(0, 9), "less than or equal to 7"),
        (reading(0, "yes"), "take for true or false"),
        (b"- 1\n", "the keys of the reading sheet"),
        (b"gauge: &a curl\n", "a YAML anchor"),
    ],
)
def test_a_faulty_reading_is_refused_by_line_and_key(data: bytes, said: str) -> None:
    with pytest.raises(RulesError) as found:
        read_reading(data, "r.yaml")
    assert said in str(found.value)


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_any_bytes_are_a_reading_or_a_list_of_faults(data: bytes) -> None:
    with suppress(RulesError):
        assert isinstance(read_reading(data, "r.yaml"), Reading)


def test_bounds_of_the_edges_follow_from_the_first_touched() -> None:
    """0.5 touches fin 7 first, 0.3 touches fin 5: fins 5 and 6 stand between 0.3 and 0.4, fin 7 between 0.5 and 0.6."""
    heights = edge_heights(read_reading(reading(0, 0, 0, 7, 7, 5, 5, 5, 5, 5), "r.yaml"))
    assert heights.low == (0.0, 0.0, 0.0, 0.3, 0.3, 0.5)
    assert heights.high == (0.1, 0.1, 0.1, 0.4, 0.4, 0.6)
    assert heights.notes == ()


def test_crossings_that_touch_the_upright_fin_are_left_out() -> None:
    heights = edge_heights(read_reading(reading(0, 0, 0, 7, 7, 5, 5, UPRIGHT, UPRIGHT, UPRIGHT), "r.yaml"))
    assert heights.high[0] == 0.25
    assert "the machine itself errs" in heights.notes[0]
    with pytest.raises(RulesError, match="level the bed"):
        edge_heights(read_reading(reading(UPRIGHT), "r.yaml"))


def test_contradictions_are_said_and_widen_nothing_in_silence() -> None:
    heights = edge_heights(read_reading(reading(0, 0, 7, 0, 0, 6, 6, 6, 6, 6), "r.yaml"))
    assert "fin 7 was touched at 0.6 mm and passed free at 0.4 mm" in heights.notes[0]
    found = fit_curl(heights)
    assert found is not None
    assert found.misfit_mm == pytest.approx(0.2, abs=1e-6)


def test_no_touch_gives_no_numbers() -> None:
    assert fit_curl(edge_heights(read_reading(reading(*[0] * 10), "r.yaml"))) is None


def test_what_is_taller_than_the_gauge_is_open_above() -> None:
    found = fit_curl(edge_heights(read_reading(reading(7, 6, 5, 5, 5, 4, 4, 4, 4, 4), "r.yaml")))
    assert found is not None
    assert found.cap.open_above
    assert found.cap.low >= 1.0


def test_the_command_says_what_fits_and_that_nothing_was_changed(tmp_path, capsys) -> None:
    path = tmp_path / "r.yaml"
    path.write_bytes(reading(0, 0, 0, 0, 6, 5, 5, 5, 4, 4))
    assert main(["gauge", "--reading", str(path)]) == 0
    said = capsys.readouterr().out
    assert "nothing was changed there" in said
    assert re.search(r"curl: \{onset: 0\.\d\d, gain: 0\.\d\d, cap_mm: 0\.\d\d\}", said)
    path.write_bytes(reading(*[0] * 10))
    assert main(["gauge", "--reading", str(path)]) == 0
    assert "no fin was touched" in capsys.readouterr().out
    assert main(["gauge", "--reading", str(tmp_path / "none.yaml")]) == 2
    assert "wanted a filled-in reading sheet" in capsys.readouterr().err
    path.write_bytes(reading(0, 9))
    assert main(["gauge", "--reading", str(path)]) == 2
    assert "crossings[2].first_touched: found 9" in capsys.readouterr().err
