"""The whole core on small jobs: outcomes, idempotence, cutting, facts, and what is never touched."""

import io
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from liftwright.job.facts import Fact
from liftwright.rewrite import rewrite
from liftwright.rules.schema import RoundBed
from unit.small_jobs import AFTER, BEFORE, GIVEN, PLAIN_GAP, PRIME, RETRACT, TRAVEL, job, lines_of, rules, run

SHAPES = ("flat", "square", "triangle", "sawtooth", "trapezoid")
EXAMPLES = Path(__file__).parents[2] / "examples" / "make_jobs.py"
REAL = Path(__file__).parents[3] / "shared" / "jobs"
FEW_REAL = ("object-labels-sloped-lift-arcs", "three-tools-rel-e", "helical-lift-conditional-blocks", "no-comments")
WIDE = {"bed_mm": RoundBed(radius=900.0), "z_max_mm": 900.0}


def test_the_sink_stays_empty_when_nothing_was_rewritten():
    for text, lift in ((job(*PLAIN_GAP), {"shape": "flat"}), (b"", {}), (job(TRAVEL), {})):
        sink = io.BytesIO()
        result = rewrite(io.BytesIO(text), sink, rules(**lift), GIVEN)
        assert result.outcome != "rewritten"
        assert sink.getvalue() == b""
        assert result.sha256_in == result.sha256_out


def test_a_rewritten_job_handed_in_again_comes_out_byte_for_byte_the_same():
    _, once = run(job(*PLAIN_GAP))
    result, twice = run(once)
    assert (result.outcome, result.reason_code) == ("unchanged", "already_rewritten")
    assert twice == once


@pytest.mark.parametrize("shape", SHAPES[1:])
def test_without_its_stamp_a_second_rewrite_lifts_no_higher(shape):
    """Our own lift is an own lift of the job now: replaced by the same."""
    _, once = run(job(*PLAIN_GAP), shape=shape)
    result, twice = run(once[: once.index(b";liftwright stamp")], shape=shape)
    assert result.outcome == "rewritten"
    tops = [
        max(float(line.split("Z")[1].split()[0]) for line in lines_of(out) if " Z" in line) for out in (once, twice)
    ]
    assert tops[1] <= tops[0]


def test_a_false_stamp_is_a_comment_like_any_other():
    text = job(*PLAIN_GAP, after=[*AFTER, ";liftwright stamp 1 sha256=" + "0" * 64])
    result, out = run(text)
    assert result.outcome == "rewritten"
    assert out.count(b";liftwright stamp") == 2


@pytest.mark.parametrize("chunk", [64, 65, 97, 1000])
@pytest.mark.parametrize("shape", SHAPES)
def test_cutting_a_small_job_at_other_beads_gives_the_same_bytes(shape, chunk):
    gap = [RETRACT, "G1 Z0.8 F600 ; up", TRAVEL, "M106 S5", "G1 Z0.2", PRIME, "G1 X10 E1 F1200", "G92 E0", "G91", "M83"]
    gap += ["G1 X1 F9000", "G1 X20 Z.4", "G1 Z-.4", "G1 X5 E.1", "G90", "M83", "M486 S1", TRAVEL, "G1 X10 E1"]
    text = job(*gap * 4, eol="\r\n")
    result, whole = run(text, shape=shape, unretracted="lift")
    cut, parts = run(text, shape=shape, unretracted="lift", chunk=chunk)
    assert parts == whole
    assert (cut.travels, cut.counts) == (result.travels, result.counts)


@pytest.fixture(scope="module")
def nursery(tmp_path_factory) -> dict[str, bytes]:
    """The example jobs of the nursery."""
    folder = tmp_path_factory.mktemp("jobs")
    subprocess.run((sys.executable, EXAMPLES, folder), check=True)
    return {path.stem: path.read_bytes() for path in folder.rglob("*.gcode")}


@pytest.mark.parametrize("name", ["lattice-pot", "hose-bracket", "seed-tray-clips", "tall-stakes", "gauge-block"])
@pytest.mark.parametrize("shape", ["flat", "trapezoid", "terrain"])
def test_cutting_the_nurserys_jobs_at_other_beads_gives_the_same_bytes(nursery, name, shape):
    """Windows of 4 kB against windows of half a megabyte, terrain included."""
    ruleset = rules(printer=WIDE, shape=shape, unretracted="lift")
    assert run(nursery[name], ruleset, chunk=4096)[1] == run(nursery[name], ruleset)[1]


@pytest.mark.skipif(not REAL.exists(), reason="the collection of real jobs is not beside the repository")
@pytest.mark.parametrize("name", FEW_REAL)
@pytest.mark.parametrize("shape", ["flat", "sawtooth", "terrain"])
def test_cutting_real_jobs_at_other_beads_gives_the_same_bytes(name, shape):
    text = (REAL / f"{name}.gcode").read_bytes()
    ruleset = rules(printer=WIDE, shape=shape, unretracted="lift")
    assert run(text, ruleset, chunk=3001)[1] == run(text, ruleset)[1]


def test_a_job_of_no_known_printer_is_not_rewritten():
    for choice in ("unchanged", "held"):
        sink = io.BytesIO()
        ruleset = replace(rules(), when_unmatched=choice)
        result = rewrite(io.BytesIO(job(*PLAIN_GAP)), sink, ruleset, [Fact("printer", "other", "test")])
        assert (result.outcome, result.reason_code) == (choice, "unmatched")
        assert result.decision is not None
        assert result.decision.printer is None


def test_a_rule_may_leave_every_travel_alone():
    result, _ = run(job(*PLAIN_GAP), rules(leave=True))
    assert (result.outcome, result.reason_code) == ("unchanged", "left_alone")
    assert result.reason == 'rule "all" leaves every travel as it is'


def test_beads_outside_the_bed_hold_the_job_whatever_the_operator_chose():
    result, _ = run(job(*PLAIN_GAP, after=["G1 X300 Y10 E0.5", "M104 S0"]), replace(rules(), when_refused="unchanged"))
    assert (result.outcome, result.reason_code) == ("held", "wrong_printer")


def test_the_printers_neutral_commands_are_passed_over_and_all_others_are_walls():
    """Without the glob the command is a wall; with it the gap is lifted and the line stays in place."""
    gap = [RETRACT, "LIGHTS_ON C=1", TRAVEL, PRIME]
    text = job(*gap, before=[*BEFORE, "G1 X20 Y12 E0.1", "G1 X20 Y10 Z0.4 E0.1"])
    assert run(text)[0].travels["wall"] == 1
    result, out = run(text, rules(printer={"neutral": ("lights_*",)}))
    assert result.travels["rewritten"] == 1
    assert b"LIGHTS_ON C=1\n" in out


@pytest.mark.parametrize("stated", [True, False])
def test_a_stated_dialect_decides_what_m83_before_g90_means(stated):
    """Firmwares where G90 sets the extruder read E0.5 twice as a travel that says E; the others as two beads."""
    text = job("G1 X60 Y10 F9000", before=["M83", "G28", "G90", *BEFORE[2:]], after=["G1 X70 Y10 E1 F1200", "M104 S0"])
    result, _ = run(text, rules(printer={"g90_sets_extrusion": stated}, unretracted="lift"))
    assert result.outcome == "rewritten"


def test_facts_and_their_origins_are_in_the_result_even_where_nothing_fits():
    text = b"; material = PETG\n" + job(*PLAIN_GAP)
    result, _ = run(text)
    assert result.facts["material"].value == "PETG"
    assert result.facts["printer"].origin == "test"
    assert result.facts["layers"].value == 1


def test_progress_is_told_by_stage_in_bytes():
    told: list[tuple[str, int, int]] = []
    text = job(*PLAIN_GAP)
    rewrite(io.BytesIO(text), io.BytesIO(), rules(), GIVEN, tick=lambda *step: told.append(step))
    stages = [stage for stage, _, _ in told]
    assert list(dict.fromkeys(stages)) == ["survey", "write", "proof"]
    assert all(done <= of == len(text) for _, done, of in told)


def test_the_same_job_and_rules_give_the_same_bytes():
    assert run(job(*PLAIN_GAP))[1] == run(job(*PLAIN_GAP))[1]


def test_an_object_command_without_a_name_is_no_fault():
    """Nothing stands behind NAME=; a rule that asks for an object finds none."""
    text = job("EXCLUDE_OBJECT_START NAME=", *PLAIN_GAP)
    assert run(text, object="pot")[0].outcome == "unchanged"


def test_a_name_given_to_an_object_later_counts_from_there_on_however_the_job_is_cut():
    """Two gaps before the name, two behind it."""
    gap = [*PLAIN_GAP, "G1 X10 Y10 E1 F1200"]
    text = job("M486 S1", "G1 X21 E.1", *gap, *gap, "M486 A pot", *gap, *gap)
    whole, cut = run(text, object="pot"), run(text, object="pot", chunk=64)
    assert whole[1] == cut[1]


def test_a_comment_behind_an_objects_name_is_no_part_of_it():
    text = job(*PLAIN_GAP, before=[*BEFORE[:3], "M486 S1", "M486 A pot ; first", BEFORE[3]])
    assert run(text, object="pot")[0].outcome == "rewritten"
