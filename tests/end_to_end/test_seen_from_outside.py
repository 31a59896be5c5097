"""Status, history, release, numbers for monitoring: what people see of the daemon."""

import json
from pathlib import Path

import pytest
import yaml
from prometheus_client.parser import text_string_to_metric_families

from end_to_end.farm import Farm
from end_to_end.stand_in import ADDED
from liftwright.errors import UsageError
from liftwright.spool import ledger
from liftwright.spool.durable import split_name
from liftwright.spool.history import history
from liftwright.spool.release import release
from liftwright.status import status

EXAMPLES = Path(__file__).parents[2] / "examples"


def held_farm(farm: Farm) -> bytes:
    farm.start()
    farm.drop("clip.gcode")
    data = farm.drop("pots/odd.gcode", farm.job(b";stand-in refuse\n"))
    farm.wait_for_records(2)
    return data


def test_the_status_tells_how_the_daemon_and_the_share_are_doing(farm: Farm) -> None:
    held_farm(farm)
    farm.wait_for(lambda: farm.status()["held"] == 1, "the status to count the held job")
    found = farm.status()
    assert found["alive"]
    assert found["last_job"]["outcome"] in ("held", "rewritten")
    assert len(found["rules_sha256"]) == 64
    farm.stop()
    assert not status(farm.settings)["alive"]
    assert status(farm.settings)["summary"] == "the daemon does not run"


def test_the_history_is_filtered_and_in_order(farm: Farm) -> None:
    held_farm(farm)
    farm.stop()
    assert {job["name"] for job in history(farm.settings)} == {"clip.gcode", "pots/odd.gcode"}
    assert [job["name"] for job in history(farm.settings, outcome="held")] == ["pots/odd.gcode"]
    assert list(history(farm.settings, rule="no such*")) == []
    (record,) = history(farm.settings, outcome="held")
    assert record["reason_code"] == "ordered"


def test_a_held_job_is_released_as_it_was_uploaded_and_the_ledger_says_so(farm: Farm) -> None:
    data = held_farm(farm)
    place = release(farm.settings, "pots/odd.gcode")
    assert Path(place) == farm.folder("outbox") / "pots/odd.gcode"
    assert Path(place).read_bytes() == data
    assert not [path for path in farm.folder("held").rglob("*") if path.is_file()]
    assert ledger.verify(farm.folder("records")) == []
    (job,) = history(farm.settings, outcome="held")
    assert job["released"]["folder"] == "outbox"
    with pytest.raises(UsageError, match="found no held job"):
        release(farm.settings, "pots/odd.gcode")
    farm.stop()


def test_a_held_job_is_queued_again_by_its_number(farm: Farm) -> None:
    """By the rules of now: here they let a refused job pass."""
    data = held_farm(farm)
    rules = farm.folder("rules") / "10-all.yaml"
    before = farm.status()["rules_sha256"]
    rules.write_bytes(rules.read_bytes().replace(b"when_refused: held", b"when_refused: unchanged"))
    farm.wait_for(lambda: farm.status()["rules_sha256"] != before, "the new rules to be in force")
    release(farm.settings, farm.record_of("pots/odd.gcode")["id"], again=True)
    farm.wait_for_records(3)
    assert farm.outbox()["pots/odd.gcode"] == data
    assert ADDED not in data
    assert ledger.verify(farm.folder("records")) == []
    farm.stop()


def test_the_numbers_are_in_the_text_format_and_the_alerts_name_them(farm: Farm) -> None:
    """Read back by the parser of the client library; a name in the alerts that nothing writes would never fire."""
    held_farm(farm)
    place = farm.folder("working") / "metrics.prom"
    farm.wait_for(lambda: place.exists() and b'outcome="held"' in place.read_bytes(), "the numbers", 30)
    names = set()
    for family in text_string_to_metric_families(place.read_text()):
        names.update(sample.name for sample in family.samples)
    assert "liftwright_jobs_total" in names
    alerts = yaml.safe_load((EXAMPLES / "alerts.yaml").read_text())
    used = set()
    for rule in alerts["groups"][0]["rules"]:
        words = rule["expr"].replace("(", " ").replace(")", " ").replace("[", " ").split()
        used.update(word for word in words if word.startswith("liftwright_"))
    assert used
    assert used <= names
    farm.stop()


def test_the_log_holds_one_line_a_job_and_each_is_json(farm: Farm) -> None:
    held_farm(farm)
    farm.stop()
    lines = (farm.root / "daemon.log").read_text("ascii").splitlines()
    assert sum(json.loads(line)["event"] == "job" for line in lines) == 2


@pytest.mark.parametrize("path", ["", "/", "../x", "a/../b", "a//b", ".", "a/.", "x\0y"])
def test_no_path_leads_out_of_a_folder(path: str) -> None:
    with pytest.raises(ValueError, match="no path inside a folder"):
        split_name(path)
