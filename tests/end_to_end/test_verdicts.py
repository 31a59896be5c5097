"""Verdicts dropped into the share of a real daemon: recorded in its ledger, refused with a word, jobs undisturbed."""

from pathlib import Path

from end_to_end.farm import Farm
from liftwright.spool import ledger


def test_a_verdict_dropped_into_the_share_is_recorded_and_a_faulty_one_gets_a_word(farm: Farm) -> None:
    farm.start()
    farm.drop("pot.gcode")
    (record,) = farm.wait_for_records(1)
    folder = farm.folder("verdicts")
    farm.wait_for(lambda: record["id"] in ledger.jobs_in(farm.folder("records")), "the job's line in the ledger")
    (folder / "good.yaml").write_text(f"job: {record['id']}\nstayed: true\nstrings: 1\nfinish: 5\n")
    (folder / "bad.yaml").write_text(f"job: {record['id']}\nstayed: maybe\nstrings: 1\nfinish: 5\n")
    farm.wait_for(lambda: (folder / "recorded" / "good.yaml").exists(), "the good one to be put aside")
    farm.wait_for(lambda: (folder / "bad.yaml.why.txt").exists(), "a word beside the bad one")
    assert "bad.yaml:2: stayed:" in (folder / "bad.yaml.why.txt").read_text()
    farm.check()
    assert _verdicts(farm.folder("records")) == [(record["id"], record["sha256_in"])]
    assert ledger.verify(farm.folder("records")) == []


def _verdicts(records: Path) -> list[tuple[str, str]]:
    return [(line["id"], line["sha256_in"]) for line in ledger.events(records) if line["event"] == "verdict"]
