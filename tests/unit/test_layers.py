"""Layers in the record: time, fan, overhang; which are short of cooling; how far progress marks are off."""

import numpy as np
import pytest

from liftwright.plan.cost import LayerTimes
from liftwright.plan.layers import MOST_LISTED, LayerShares, listed, progress_off, short_of_cooling
from unit.small_jobs import job, run


def stack(layers: int, lean: float = 0.0, fan: dict[int, str] | None = None) -> bytes:
    """A box of single walls, 20 mm wide at first, that grows by `lean` mm a layer on every side; 0.2 mm layers.

    `fan`: a line before the layer of that number, counted from 0. The first layer's way is 80 mm long.
    """
    lines = ["M83", "G28"]
    for k in range(layers):
        r = 10 + lean * k
        lines += [(fan or {}).get(k, "M117 layer"), f"G1 X{50 - r} Y{50 - r} Z{0.2 * (k + 1):.1f} F6000"]
        corners = ((50 + r, 50 - r), (50 + r, 50 + r), (50 - r, 50 + r), (50 - r, 50 - r))
        lines += [f"G1 X{x} Y{y} E{0.0366 * 2 * r:.5f} F1200" for x, y in corners]
    return job("G1 E-1 F1800", "G1 X20 Y10 Z5 F9000", "G1 E1 F1800", before=lines)


def layers_of(text: bytes, **lift: object) -> dict[str, list[float]]:
    return dict(run(text, **lift)[0].details["layers"])


def test_every_layer_is_listed_with_its_height_and_time():
    """80 mm at 20 mm/s, and two corners' worth of slowing down; the last layer holds the end as well."""
    found = layers_of(stack(4))
    assert found["z_mm"][:4] == [0.2, 0.4, 0.6, 0.8]
    assert found["seconds_before"][1] == pytest.approx(4.0, abs=0.2)
    assert len({len(column) for column in found.values()}) == 1


def test_times_of_layers_add_up_to_the_job_but_for_what_comes_before_the_first():
    result, _ = run(stack(5))
    assert sum(result.details["layers"]["seconds_after"]) == pytest.approx(result.measures["seconds_after"], rel=0.03)


@pytest.mark.parametrize(
    ("line", "speed"),
    [
        ("M106 S255", 1.0),
        ("M106 S51", 0.2),
        ("m106 s127.5 ; half", 0.5),
        ("M106", 1.0),
        ("M106 P0 S255", 1.0),
        ("M106 P1 S255", 0.0),
        ("M106 S0", 0.0),
        ("M106 S900", 1.0),
    ],
)
def test_the_fan_of_the_part_is_read_from_its_command_on(line, speed):
    """Marlin and Klipper, docs of M106: S0 to S255, none is full speed, P names another fan."""
    assert layers_of(stack(4, fan={1: line}))["fan"][:4] == [0.0, speed, speed, speed]


def test_m107_stops_the_fan():
    assert layers_of(stack(4, fan={1: "M106 S255", 2: "M107"}))["fan"][:4] == [0.0, 1.0, 0.0, 0.0]


def test_a_fan_that_changes_within_a_layer_counts_by_the_length_of_the_beads():
    """Half of the last layer's 40 mm with the fan on."""
    start = ["M83", "G28", "G1 X20 Y10 Z0.2"]
    text = job("M106 S255", "G1 X40 Y10 E0.5 F1200", "M107", "G1 X60 Y10 E0.5", before=start)
    text = text.replace(b"G1 X70 Y10 E0.5 F1200\n", b"")
    assert layers_of(text)["fan"] == [0.5]


def test_overhang_is_listed_where_the_terrain_was_looked_at():
    """Walls that lean out by 0.3 mm a layer of 0.2 hang over by more than half their width; upright ones don't."""
    assert "overhang" not in layers_of(stack(6))
    assert max(layers_of(stack(6), shape="terrain")["overhang"]) == 0.0
    leaning = layers_of(stack(6, lean=0.3), shape="terrain")["overhang"]
    assert leaning[0] == 0.0
    assert min(leaning[1:6]) > 0.9


def test_windows_change_nothing():
    text = stack(8, lean=0.3, fan={2: "M106 S100", 5: "M106 S200"})
    whole, cut = (layers_of(text, shape="terrain", chunk=chunk) for chunk in (1 << 19, 150))
    assert whole == cut


def test_layers_that_lean_and_are_soon_over_are_short_of_cooling_unless_the_fan_is_full():
    slow, quick, cool = (
        run(text, shape="terrain")[0].details["layers_short_of_cooling"]
        for text in (
            stack(6).replace(b"F1200", b"F120"),
            stack(6, lean=0.3, fan={1: "M106 S128"}),
            stack(6, lean=0.3, fan={1: "M106 S255"}),
        )
    )
    assert slow == cool == {"count": 0, "z_mm": []}
    assert quick == {"count": 5, "z_mm": [0.4, 1.2]}


def times(before: list[float], after: list[float]) -> LayerTimes:
    return LayerTimes(np.arange(1.0, len(before) + 1), np.array(before), np.array(after))


def test_strong_overhang_alone_or_short_time_alone_is_no_fault():
    """Layer by layer: short and leaning; long and leaning; short and upright; short, leaning, full fan."""
    shares = LayerShares(fan=np.array([0.5, 0.5, 0.5, 1.0]), curled=np.array([0.3, 0.3, 0.0, 0.3]))
    assert short_of_cooling(times([5, 20, 5, 5], [5, 20, 5, 5]), shares).tolist() == [0]
    blind = LayerShares(fan=shares.fan, curled=None)
    assert short_of_cooling(times([5, 20, 5, 5], [5, 20, 5, 5]), blind).tolist() == []


def test_progress_is_off_where_time_is_added_unevenly():
    """Added all along: never off. 10 s added in the first of two layers of 10 s: 50 % by the job, 67 % in truth."""
    assert progress_off(times([10, 10], [15, 15])) == 0.0
    assert progress_off(times([10, 10], [20, 10])) == pytest.approx(2 / 3 - 1 / 2)
    assert progress_off(times([], [])) == 0.0


def test_a_very_tall_print_is_listed_up_to_a_bound_and_the_rest_counted():
    n = MOST_LISTED + 7
    shares = LayerShares(fan=np.zeros(n), curled=np.zeros(n))
    assert {len(column) for column in listed(times([1.0] * n, [1.0] * n), shares).values()} == {MOST_LISTED}
    turns = [f"G1 X{10 + k % 2} Y10 Z{0.03 * k + 0.2:.2f} E0.01 F3000" for k in range(n)]
    gap = ["G1 E-1 F1800", "G1 X60 Y10 F9000", "G1 E1 F1800"]
    result, _ = run(job(*gap, before=["M83", "G28", "G1 X9 Y10 Z0.2", *turns]))
    assert (len(result.details["layers"]["z_mm"]), result.details["layers_not_listed"]) == (MOST_LISTED, 7)


def test_progress_marks_are_said_to_be_off_in_time_and_share():
    marked, _ = run(job("M73 P50 R1", "G1 E-1 F1800", "G1 X60 Y10 F9000", "G1 E1 F1800"))
    assert marked.counts["progress_marks"] == 1
    assert marked.details["progress_off_percent"] >= 0.0
    assert any("progress marks (M73)" in warning and "share done" in warning for warning in marked.warnings)
    plain, _ = run(job("G1 E-1 F1800", "G1 X60 Y10 F9000", "G1 E1 F1800"))
    assert "progress_off_percent" not in plain.details
