"""The rule's thresholds, and what the shapes of fixed height make of a travel; each key changes bytes."""

import pytest

from unit.small_jobs import AFTER, BEFORE, PLAIN_GAP, PRIME, RETRACT, TRAVEL, gap_of, job, lines_of, rules, run

SQUARE = [
    RETRACT,
    "G1 X20.000 Y10.000 Z0.600 F600 ;lw square +0.40",
    "G1 X60.000 Y10.000 Z0.600 F9000",
    "G1 X60.000 Y10.000 Z0.200 F600",
    PRIME,
]


def counts(*gap: str, before: list[str] = BEFORE, after: list[str] = AFTER, **lift: object) -> dict[str, int]:
    """What became of the travels, without the one before the print."""
    result, _ = run(job(*gap, before=before, after=after), **lift)
    return {reason: n for reason, n in result.travels.items() if reason != "before the print begins"}


def own_lift(height: float, *, z: float = 0.2) -> list[str]:
    return [RETRACT, f"G1 Z{z + height:.3f} F600", TRAVEL, f"G1 Z{z:g} F600", PRIME]


def test_a_square_of_the_asked_height_stands_on_a_plain_travel():
    assert gap_of(*PLAIN_GAP) == SQUARE


def test_travels_below_the_least_length_are_left_alone():
    """40 mm: admitted at 40, left at 40.001."""
    assert counts(*PLAIN_GAP, min_travel_mm=40.0) == {"rewritten": 1}
    assert counts(*PLAIN_GAP, min_travel_mm=40.001) == {"too short": 1}


@pytest.mark.parametrize(("start", "end"), [("0.8", "2.3"), ("2.6", "4.1"), ("7.2", "8.7")])
def test_a_travel_of_exactly_the_least_length_is_long_enough(start, end):
    """Differences of decimals aren't exact in binary: 2.3 − 0.8 is a little below 1.5 as a double."""
    before = [*BEFORE[:-1], f"G1 X{start} Y10 E0.5 F1200"]
    gap = [RETRACT, f"G1 X{end} F9000", PRIME]
    assert counts(*gap, before=before, min_travel_mm=1.5) == {"rewritten": 1}


def test_unretracted_travels_are_left_by_fixed_shapes_unless_the_rule_lifts_them():
    assert counts(TRAVEL) == {"not retracted": 1}
    assert counts(TRAVEL, unretracted="leave") == {"not retracted": 1}
    assert counts(TRAVEL, unretracted="lift") == {"rewritten": 1}


def test_own_lifts_are_replaced_up_to_the_stated_height_and_kept_beyond():
    """No taller than 2 mm by default: 2 mm itself is replaced."""
    assert gap_of(*own_lift(0.8)) == SQUARE
    assert counts(*own_lift(2.0)) == {"rewritten": 1}
    assert counts(*own_lift(2.001)) == {"own lift deliberate": 1}
    assert gap_of(*own_lift(2.001)) == own_lift(2.001)
    assert counts(*own_lift(3.0), own_lift_max_mm=3.0) == {"rewritten": 1}
    assert counts(*own_lift(0.8), own_lift_max_mm=0.5) == {"own lift deliberate": 1}


@pytest.mark.parametrize("z", [0.2, 2.4, 6.3, 14.1])
def test_an_own_lift_of_exactly_the_stated_height_is_replaced_at_any_z(z):
    """4.4 − 2.4 is a little above 2 as a double."""
    before = [*BEFORE[:2], f"G1 X10 Y10 Z{z:g} F6000", BEFORE[3]]
    assert counts(*own_lift(2.0, z=z), before=before) == {"rewritten": 1}


@pytest.mark.parametrize(
    "gap",
    [
        ["G1 Z0.8 F600", TRAVEL, "G1 Z0.2 F600"],
        ["G1 X40 Z0.8 F9000", "G1 X60 Z0.2"],
        ["G3 Z0.8 I-1.069 J.582 P1 F9000", TRAVEL, "G1 Z0.2 F600"],
        ["G1 X30 Z0.5 F9000", "G1 Z0.8", "G1 X60", "G1 Z0.5", "G1 Z0.2"],
    ],
)
def test_own_lifts_straight_sloped_and_helical_are_replaced(gap):
    """Nothing of their height is left; way-points are."""
    out = gap_of(RETRACT, *gap, PRIME)
    assert not any("0.8" in line or "Z0.5" in line for line in out)
    assert max(float(line.split("Z")[1].split()[0]) for line in out if "Z" in line) == 0.6


def test_own_lifts_are_kept_when_the_rule_says_so():
    """From 0.01 mm on a raise counts as one; plain travels are lifted all the same."""
    assert counts(*own_lift(0.8), own_lifts="keep") == {"own lift kept": 1}
    assert counts(*own_lift(0.011), own_lifts="keep") == {"own lift kept": 1}
    assert counts(*own_lift(0.01), own_lifts="keep") == {"rewritten": 1}
    assert counts(*PLAIN_GAP, own_lifts="keep") == {"rewritten": 1}


def test_flat_takes_the_own_lift_away_and_finds_nothing_to_do_without_one():
    assert gap_of(*own_lift(0.8), shape="flat") == [
        RETRACT, "G1 X60.000 Y10.000 Z0.200 F9000 ;lw flat +0.00", PRIME,
    ]  # fmt: skip
    assert counts(*PLAIN_GAP, shape="flat") == {"nothing to take away": 1}


def stack(layers: int) -> bytes:
    """Two beads and a retracted travel in each layer of 0.2 mm."""
    lines = ["M83", "G28", "G1 X10 Y10 Z0.2 F6000"]
    for number in range(1, layers + 1):
        lines += [f"G1 X10 Y10 Z{number / 5:g} F9000", "G1 X20 Y10 E0.5 F1200", RETRACT, "G1 X30 F9000", PRIME]
        lines += ["G1 X40 E0.5 F1200"]
    return "\n".join([*lines, "M104 S0", ""]).encode()


def lifted_from(text: bytes, **lift: object) -> list[float]:
    """Heights from which the travels of 10 mm were lifted."""
    _, out = run(text, height_mm=0.05, **lift)
    tops = [float(line.split("Z")[1].split()[0]) for line in lines_of(out) if ";lw" in line]
    return [round(top - 0.05, 3) for top in tops]


def test_layers_between_heights_and_first_layer_choose_by_where_the_travel_starts():
    """Both ends included; the bounds are decimals of the layer heights themselves."""
    text = stack(6)
    assert lifted_from(text) == [0.2, 0.4, 0.6, 0.8, 1.0, 1.2]
    assert lifted_from(text, layers=(2, 4)) == [0.4, 0.6, 0.8]
    assert lifted_from(text, between_mm=(0.6, 1.0)) == [0.6, 0.8, 1.0]
    assert lifted_from(text, first_layer=False) == [0.4, 0.6, 0.8, 1.0, 1.2]


def test_heights_that_grew_by_relative_steps_still_meet_the_bounds():
    """Sums of 0.2 in G91 stand on the same decimals as the bounds of the rule."""
    two = "G1 X10 E0.5 F1200\nG1 E-1 F1800\nG1 X10 F9000\nG1 E1 F1800\nG1 X10 E0.5 F1200\n"
    text = "M83\nG28\nG1 X10 Y10 Z0.2 F6000\nG91\n" + f"{two}G1 X-30 Z0.2 F9000\n" * 6 + f"{two}M104 S0\n"
    result, _ = run(text.encode(), between_mm=(0.6, 1.0))
    assert result.travels["rewritten"] == 3


@pytest.mark.parametrize(("glob", "lifted"), [("pot*", 1), ("POT_1", 1), ("bracket", 0), ("*", 1)])
def test_an_object_glob_chooses_by_the_label_where_the_travel_starts(glob, lifted):
    """Labels of both kinds; compared without case. A travel that starts outside every object has no label."""
    for start, end in (
        (["EXCLUDE_OBJECT_START NAME=pot_1"], ["EXCLUDE_OBJECT_END NAME=pot_1"]),
        (["M486 S3", "M486 A pot_1"], ["M486 S-1"]),
        (["M486 S3", 'M486 A"pot_1"'], ["M486 S-1"]),
    ):
        before = [*BEFORE[:3], *start, BEFORE[3]]
        after = [AFTER[0], *end, "G1 X75 E0.1", RETRACT, "G1 X90 F9000", PRIME, "G1 X99 E0.5 F1200", "M104 S0"]
        found = counts(*PLAIN_GAP, before=before, after=after, object=glob)
        assert found == {k: n for k, n in {"rewritten": lifted, "left out by the rule": 2 - lifted}.items() if n}


def test_height_above_the_higher_end_counts_at_a_layer_change():
    """From 0.2 up to 0.4: the top is 0.8, and the step of the job is part of the lift."""
    after = ["G1 X70 Y10 E0.5 F1200", "M104 S0"]
    for gap in (["G1 Z0.4 F600", TRAVEL], [TRAVEL, "G1 Z0.4 F600"], ["G1 X60 Y10 Z0.4 F9000"]):
        _, out = run(job(RETRACT, *gap, PRIME, after=after))
        assert lines_of(out)[5:8] == [
            "G1 X20.000 Y10.000 Z0.800 F600 ;lw square +0.40",
            "G1 X60.000 Y10.000 Z0.800 F9000",
            "G1 X60.000 Y10.000 Z0.400 F600",
        ]


# The printer's limits


def test_no_lift_passes_z_max():
    """0.5 leaves not quite 0.3 of the 0.4 asked for; 0.2 leaves no room at all."""
    printer = {"z_max_mm": 0.5}
    _, out = run(job(*PLAIN_GAP), rules(printer=printer))
    top = max(float(line.split("Z")[1].split()[0]) for line in lines_of(out) if "Z" in line)
    assert 0.49 < top <= 0.5
    result, _ = run(job(*PLAIN_GAP), rules(printer={"z_max_mm": 0.2}))
    assert result.travels["no room below z_max"] == 1


@pytest.mark.parametrize(("z_max", "lifted"), [(0.207, False), (0.209, True)])
def test_a_lift_of_less_than_half_a_hundredth_is_none(z_max, lifted):
    """Above beads at 0.2, with 0.003 kept for rounding up: room of 0.004 or of 0.006."""
    result, _ = run(job(*PLAIN_GAP), rules(printer={"z_max_mm": z_max}))
    assert result.travels.get("no room below z_max", 0) == (0 if lifted else 1)
    assert (result.outcome == "rewritten") == lifted


@pytest.mark.parametrize("z_max", [0.5005, 0.50004, 0.499999])
@pytest.mark.parametrize("units", ["G21", "G20"])
def test_rounding_up_does_not_pass_z_max_either(z_max, units):
    """Limits finer than the grain of inserted numbers, in millimetres and in inches."""
    text = job(*PLAIN_GAP)
    if units == "G20":
        text = inches("G1 E-0.04 F70", "G1 X2.4 Y0.4 F350", "G1 E0.04 F70")
    result, out = run(text, rules(printer={"z_max_mm": z_max}))
    scale = 25.4 if units == "G20" else 1.0
    tops = [float(line.split("Z")[1].split()[0]) * scale for line in lines_of(out) if "Z" in line]
    assert result.outcome == "rewritten"
    assert 0.45 < max(tops) <= z_max


def inches(*gap: str) -> bytes:
    """The same job in inches: beads at Z 0.008."""
    return "\n".join(
        ["G20", "M83", "G28", "G1 X0.4 Y0.4 Z0.008 F240", "G1 X0.8 Y0.4 E0.02 F50", *gap, "G1 X2.8 Y0.4 E0.02 F50",
         "M104 S0", ""]
    ).encode()  # fmt: skip


def test_slopes_and_steps_are_slowed_down_for_the_limit_of_z_alone():
    """0.4 mm up on 40 mm at 150 mm/s asks 1.5 mm/s of Z on a sawtooth: no need below 10 mm/s, need at 1 mm/s.

    sources: v ≤ v_z · path / |Δz| on a mixed move (published firmware kinematics), here 1 · 40.002 / 0.4 = 100.005.
    """
    fast = gap_of(*PLAIN_GAP, shape="sawtooth")
    assert fast[1] == "G1 X60.000 Y10.000 Z0.600 F9000 ;lw sawtooth +0.40"
    slow = gap_of(*PLAIN_GAP, ruleset=rules(printer={"z_speed_mm_s": 1.0}, shape="sawtooth"))
    assert slow[1] == "G1 X60.000 Y10.000 Z0.600 F6000 ;lw sawtooth +0.40"
    assert slow[2] == "G1 X60.000 Y10.000 Z0.200 F60"


def test_the_free_slope_follows_each_limit_of_the_printer():
    """Trapezoids of one travel under four printers: the foot of the cruise moves by 0.4 / slope.

    The first is bounded by its bends: a square corner of 5 mm/s lets a bend of 0.0607 pass at 150 mm/s
    (`test_slopes.py`); the others by 5/150, 40/1000 and 100/2500.
    """
    for printer, foot in (
        ({}, 26.585),
        ({"z_speed_mm_s": 5.0}, 32.0),
        ({"z_accel_mm_s2": 40.0}, 30.0),
        ({"travel_accel_mm_s2": 2500.0}, 30.0),
    ):
        out = gap_of(*PLAIN_GAP, ruleset=rules(printer=printer, shape="trapezoid"))
        assert float(out[1].split("X")[1].split()[0]) == pytest.approx(foot, abs=1e-3)


def test_the_free_slope_follows_what_the_job_has_set_by_then():
    """Twice the same travel, M204 S4000 between: 100/4000 allows 1 in 40, so the foot moves to 16 mm."""
    again = [*PLAIN_GAP, "G1 X70 Y10 E0.5 F1200", "M204 S4000", "G1 X20 Y10 E2 F1200", *PLAIN_GAP]
    for chunk in (1 << 19, 60):
        _, out = run(job(*again), shape="trapezoid", chunk=chunk)
        tops = [float(line.split("X")[1].split()[0]) for line in lines_of(out) if ";lw" in line]
        assert tops == [pytest.approx(26.585, abs=1e-3), pytest.approx(36.0, abs=1e-3)]


def test_beyond_the_steepest_slope_a_straight_step_of_the_missing_height_is_taken():
    """0.5 mm of way at 1 in 2 climbs 0.25 of 0.4: 0.15 straight up first."""
    before = [*BEFORE[:3], "G1 X59.5 Y10 E0.5 F1200"]
    out = gap_of(*PLAIN_GAP, before=before, shape="sawtooth", min_travel_mm=0.1)
    assert [line.split(" F")[0].split(" ;")[0] for line in out[1:4]] == [
        "G1 X59.500 Y10.000 Z0.350",
        "G1 X60.000 Y10.000 Z0.600",
        "G1 X60.000 Y10.000 Z0.200",
    ]
    steeper = gap_of(*PLAIN_GAP, before=before, shape="sawtooth", min_travel_mm=0.1, max_slope=0.8)
    assert len(steeper) == 4
