"""Rule and printer as plain numbers: what a key becomes, which beds hold a job, which names are neutral."""

import io

import numpy as np
import pytest

from liftwright.job.commands import name_hash
from liftwright.job.survey import Survey, survey
from liftwright.rules.schema import Lift, Printer, RoundBed
from liftwright.terms import beyond_bed, lift_terms, neutral_hashes, proof_limits, splice_terms
from unit.small_jobs import PRINTER, job


def printer(**more: object) -> Printer:
    return Printer(**PRINTER | more)


def surveyed(text: bytes) -> Survey:
    nothing = np.zeros(0, np.uint64)
    return survey(
        io.BytesIO(text),
        g90_sets_extrusion=True,
        keys=nothing,
        neutral=nothing,
        filament_area=2.405,
        tick=lambda n: None,
    )


def box(*corners: tuple[float, float], z: float = 0.2) -> Survey:
    """A survey of beads through these points."""
    x, y = corners[0]
    lines = ["M83", "G28", f"G1 X{x} Y{y} Z{z} F6000"] + [f"G1 X{x} Y{y} E0.5 F1200" for x, y in corners[1:]]
    return surveyed(job(before=lines, after=["M104 S0"]))


@pytest.mark.parametrize(("shape", "lifts"), [("square", False), ("flat", False), ("terrain", True)])
def test_unretracted_travels_are_lifted_by_default_where_a_strike_is_known(shape, lifts):
    for stated, wanted in ((None, lifts), ("lift", True), ("leave", False)):
        assert lift_terms(Lift(shape=shape, unretracted=stated), printer(), shape).lift_unretracted is wanted


def test_decimals_are_three_at_least_as_many_as_the_job_writes_and_nine_at_most():
    for word, places in (
        ("X1", 3),
        ("X1.25", 3),
        ("X1.23456", 5),
        ("Y1.2345", 4),
        ("Z1.2345", 4),
        ("X1.1234567890", 9),
    ):
        found = surveyed(job(f"G1 {word}"))
        assert splice_terms(Lift(shape="square"), printer(), "square", found).places == places


def test_the_note_is_the_word_of_the_shape_that_was_used_or_nothing():
    found = surveyed(job())
    assert splice_terms(Lift(shape="square"), printer(), "flat", found).note == b"flat"
    assert splice_terms(Lift(shape="square", annotate=False), printer(), "square", found).note == b""


def test_beads_on_the_bed_and_up_to_its_edge_are_fine():
    assert beyond_bed(printer(), box((0, 0), (200, 200))) is None


def test_beads_outside_the_bed_are_told_with_the_numbers():
    found = beyond_bed(printer(), box((10, 10), (200.5, 20)))
    assert found == (
        "beads lie at X 10 to 200.5, Y 10 to 20, outside the bed of bench (X 0 to 200, Y 0 to 200): "
        "make the job for this printer, name the one it was made for, or correct bed_mm of the entry"
    )


def test_a_print_taller_than_z_max_is_told():
    assert beyond_bed(printer(z_max_mm=50.0), box((10, 10), (20, 20), z=50.5)) == (
        "the print is 50.5 mm tall, above z_max of bench (50 mm): make the job for this printer, name the one it was "
        "made for, or correct z_max_mm of the entry"
    )


def test_a_round_bed_holds_what_lies_within_its_radius():
    delta = printer(bed_mm=RoundBed(radius=100.0))
    assert beyond_bed(delta, box((-99, 0), (0, 99), (99, 0), (0, -99))) is None
    assert "radius 100" in str(beyond_bed(delta, box((-101, 0), (0, 0))))


def test_a_bead_in_the_corner_of_the_box_around_a_round_bed_is_outside():
    """140 mm from the centre on a bed of 100 mm."""
    delta = printer(bed_mm=RoundBed(radius=100.0))
    assert "radius 100" in str(beyond_bed(delta, box((0, 0), (99, 99), (98, 99))))


def test_neutral_globs_pick_names_among_the_unknown_commands_of_the_job():
    names = ("LIGHTS_ON", "lights_off", "PARK", "M622.1")
    hashes = neutral_hashes(printer(neutral=("LIGHTS_*", "M622*")), names)
    assert set(hashes.tolist()) == {int(name_hash(name)) for name in ("LIGHTS_ON", "LIGHTS_OFF", "M622.1")}


def test_the_proof_is_told_the_limits_of_the_printer_and_the_height_of_own_lifts():
    limits = proof_limits(printer(neutral=("LIGHTS_*",)), Lift(shape="square", own_lift_max_mm=1.5), False)
    assert (limits.bed, limits.z_max_mm, limits.z_speed_mm_s) == ((0.0, 200.0, 0.0, 200.0), 100.0, 10.0)
    assert (limits.g90_sets_extrusion, limits.neutral, limits.own_lift_max_mm) == (False, ("LIGHTS_*",), 1.5)
    assert proof_limits(printer(bed_mm=RoundBed(radius=9.0)), Lift(shape="flat"), True).bed == 9.0
