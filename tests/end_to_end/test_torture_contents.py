"""Contents, through the real core: whatever bytes come, each job has one clear end and no byte is lost."""

import zlib
from collections.abc import Callable
from pathlib import Path

import pytest

from end_to_end.farm import JOB, Farm

JOBS = Path(__file__).parents[3] / "shared/jobs"


@pytest.fixture
def real(make_farm: Callable[..., Farm]) -> Farm:
    farm = make_farm(worker="real", slots=1)
    farm.start()
    return farm


REFUSED = {
    "50 only a line end": b"\n",
    "50 only comments": b"; a clip\n; and nothing else\n",
    "52 a NUL inside": JOB.replace(b"nursery", b"nurs\0ery"),
    "52 a picture": b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(range(256)) * 20 + b"\n",
    "52 an archive": b"PK\x03\x04" + zlib.compress(JOB * 100) + b"\n",
    "52 a web page": b"<!DOCTYPE html>\n<html><body>not found</body></html>\n",
    "unfilled template": JOB.replace(b"F1200", b"F{speed}"),
    "milling": b"%\nN10 G21\nN20 M3 S10000\nN30 G1 X1 Y1 Z-1 F100\nN40 M5\n%\n",
}

PASSED = {
    "53 CRLF": JOB.replace(b"\n", b"\r\n"),
    "53 byte order mark": b"\xef\xbb\xbf" + JOB,
    "54 Latin-1 in a comment": JOB.replace(b"nursery", b"G\xe4rtnerei"),
    "54 invalid UTF-8 in a comment": JOB.replace(b"nursery", b"\xff\xfe\x80"),
    "56 unknown commands": JOB.replace(b"G28\n", b"G28\nFROBNICATE LEVEL=3\nM9999 X1\n"),
}


def test_what_is_no_print_job_is_held_with_a_clear_reason(real: Farm) -> None:
    """Torture cases 50 and 52: held, copied whole, a sentence beside each."""
    for number, (name, data) in enumerate(REFUSED.items()):
        real.drop(f"{number}-{name}.gcode", data)
    real.wait_for_records(len(REFUSED), patience=120)
    for record in real.records():
        assert record["outcome"] == "held", record["name"]
        assert len(record["reason"].split()) >= 3, record["reason"]
    assert real.outbox() == {}
    real.check()


def test_odd_bytes_outside_of_travels_come_out_as_they_are(real: Farm) -> None:
    """Torture cases 53, 54 and 56: every line but those of travels is the same, in order."""
    for number, (name, data) in enumerate(PASSED.items()):
        real.drop(f"{number}-{name}.gcode", data)
    real.wait_for_records(len(PASSED), patience=120)
    outbox = real.outbox()
    for number, (name, data) in enumerate(PASSED.items()):
        out = outbox[f"{number}-{name}.gcode"]
        kept = [line for line in data.splitlines(keepends=True) if not line.startswith(b"G1 X30")]
        rest = iter(out.splitlines(keepends=True))
        assert all(line in rest for line in kept), name
    real.check()


@pytest.mark.parametrize(
    "megabytes", [pytest.param(20, id="20 MB"), pytest.param(400, id="400 MB", marks=pytest.mark.long)]
)
def test_a_single_line_of_many_megabytes_is_refused_in_bounded_memory(real: Farm, megabytes: int) -> None:
    """Torture case 51."""
    real.drop("line.gcode", JOB + b"G1 X" + b"1" * (megabytes * 1_000_000) + b"\n")
    (record,) = real.wait_for_records(1, patience=200)
    assert record["outcome"] == "held"
    assert record["attempts"] == 1
    real.check()


def test_a_job_that_comes_back_is_not_rewritten_twice(real: Farm) -> None:
    """Torture case 59: the stamp is valid, so it comes out byte for byte the same."""
    real.drop("clip.gcode")
    real.wait_for_records(1)
    out = real.outbox()["clip.gcode"]
    assert real.record_of("clip.gcode")["outcome"] == "rewritten"
    real.drop("again.gcode", out)
    real.wait_for_records(2)
    again = real.record_of("again.gcode")
    assert (again["outcome"], again["reason_code"]) == ("unchanged", "already_rewritten")
    assert real.outbox()["again.gcode"] == out
    real.check()


def test_a_job_that_no_printer_entry_fits_goes_as_the_rules_say(real: Farm) -> None:
    """Torture case 60: deterministic, and the record tells which rules were tried."""
    real.drop("stray.gcode", JOB.replace(b"gantry-300", b"unheard-of"))
    (record,) = real.wait_for_records(1)
    assert record["outcome"] == "held"
    assert record["choice"]["printer"] is None
    real.check()


def test_numbers_that_are_none_are_never_rewritten_wrong(real: Farm) -> None:
    """Torture case 58: refused, or passed with every such line as it was."""
    for number, word in enumerate((b"nan", b"inf", b"1e999", b"9" * 400)):
        real.drop(f"odd-{number}.gcode", JOB.replace(b"G1 X30 Y20", b"G1 X" + word + b" Y20"))
    records = real.wait_for_records(4)
    for record in records:
        number = int(record["name"][4])
        word = (b"nan", b"inf", b"1e999", b"9" * 400)[number]
        if record["outcome"] != "held":
            assert b"G1 X" + word + b" Y20" in real.outbox()[record["name"]]
    real.check()


@pytest.mark.skipif(not JOBS.is_dir(), reason="the collection of real jobs is not here")
def test_real_jobs_pass_through_the_daemon_and_come_out_as_recorded(real: Farm) -> None:
    """Torture case 55 is among them: one job was cut inside a number, and is held."""
    for path in sorted(JOBS.glob("*.gcode")):
        real.drop(path.name, path.read_bytes())
    real.wait_for_records(len(list(JOBS.glob("*.gcode"))), patience=200)
    assert all(record["attempts"] == 1 for record in real.records())
    assert real.record_of("cut-off-inside-a-number.gcode")["outcome"] == "held"
    real.check()


def test_side_file_name_and_folder_give_facts_with_their_origin(make_farm: Callable[..., Farm]) -> None:
    """Facts from outside reach the core, strongest first; the record says where each came from."""
    farm = make_farm(worker="real", name_pattern="{model}__{nozzle}.gcode", folder_pattern="{printer}")
    farm.start()
    (farm.folder("inbox") / "gantry-300").mkdir()
    (farm.folder("inbox") / "gantry-300/pot__wide.gcode.tags.yaml").write_bytes(b"material: PETG\nmodel: lattice\n")
    farm.drop("gantry-300/pot__wide.gcode", JOB.replace(b"gantry-300", b"unheard-of"))
    (record,) = farm.wait_for_records(1)
    facts = {fact["key"]: (fact["value"], fact["origin"].split(",")[0]) for fact in record["facts"]}
    assert facts["material"] == ("PETG", "side file")
    assert facts["model"] == ("lattice", "side file")
    assert facts["nozzle"] == ("wide", "file name")
    assert facts["printer"] == ("gantry-300", "folder")
    assert record["outcome"] == "rewritten"
    farm.check()


def test_a_side_file_that_makes_no_sense_refuses_the_job(real: Farm) -> None:
    """It must not leave the job to weaker facts."""
    (real.folder("inbox") / "clip.gcode.tags.yaml").write_bytes(b"material: [\n")
    real.drop("clip.gcode")
    (record,) = real.wait_for_records(1)
    assert (record["outcome"], record["reason_code"]) == ("held", "side-file")
    real.check()


def test_the_memory_of_a_worker_with_the_real_core_stays_below_its_limit(make_farm: Callable[..., Farm]) -> None:
    """The default limit must not strike an honest worker: half of it is enough for any job."""
    farm = make_farm(worker="real", job_memory_limit_mb=500)
    farm.start()
    farm.drop("big.gcode", farm.job(size=20_000_000))
    (record,) = farm.wait_for_records(1, patience=200)
    assert record["attempts"] == 1
    farm.check()
