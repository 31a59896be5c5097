"""Rules files: whatever is done to them, jobs run by the last good set and the operator is told once."""

import os
from pathlib import Path

from end_to_end.farm import RULES, Farm

BROKEN = {
    "62 empty": b"",
    "63 syntax": b"rules: [\n",
    "63 tab": b"rules:\n\t- name: x\n",
    "63 two documents": RULES + b"---\n" + RULES,
    "64 key twice": RULES + b"when_refused: held\n",
    "65 no": RULES.replace(b"when_refused: held", b"when_refused: no"),
    "65 sixty": RULES.replace(b"z_max_mm: 340", b"z_max_mm: 5:40"),
    "65 octal": RULES.replace(b"z_max_mm: 340", b"z_max_mm: 0340"),
    "66 nan": RULES.replace(b"z_max_mm: 340", b"z_max_mm: .nan"),
    "66 negative": RULES.replace(b"z_max_mm: 340", b"z_max_mm: -1"),
    "67 aliases": b"a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n",
    "67 nesting": b"rules: " + b"[" * 5000 + b"\n",
    "67 ten megabytes": b"# " + b"x" * 10_000_000 + b"\n",
    "68 object": b"rules: !!python/object/apply:os.system ['touch /tmp/x']\n",
    "70 unknown key": RULES.replace(b"min_travel_mm", b"min_travl_mm"),
    "not text": b"\xff\xfe\x00rules",
}


def replace(place: Path, data: bytes) -> None:
    """In one step: half a file would be one broken file more."""
    new = place.with_name(".new")
    new.write_bytes(data)
    new.rename(place)


def test_a_broken_file_keeps_the_last_good_set_in_force(farm: Farm) -> None:
    """Torture cases 62 to 68 and 70, by their numbers; 69 and 72 have no place: rules hold globs, and no templates."""
    farm.start()
    place, word = farm.folder("rules") / "10-all.yaml", farm.folder("rules") / "RULES-BROKEN.txt"
    before = farm.status()["rules_sha256"]
    for number, (name, data) in enumerate(BROKEN.items(), 1):
        replace(place, data)
        farm.wait_for(word.exists, f"the word beside the rules: {name}")
        farm.drop(f"clip-{number}.gcode")
        farm.wait_for_records(number)
        farm.wait_for(lambda: farm.status()["rules_broken"], f"the status to say so: {name}")
        assert farm.status()["rules_sha256"] == before, name
        assert len(farm.log_lines("rules_broken")) == number, name
        replace(place, RULES)
        farm.wait_for(lambda: not word.exists(), f"the rules to be good again after: {name}")
        farm.wait_for(lambda: not farm.status()["rules_broken"], f"the status to say so after: {name}")
    farm.check()


def test_a_missing_folder_a_folder_as_file_and_a_link_are_told_apart_from_rules(farm: Farm, tmp_path: Path) -> None:
    """Torture cases 62 and 71."""
    farm.start()
    rules = farm.folder("rules")
    broken = rules / "RULES-BROKEN.txt"
    (rules / "20-folder.yaml").mkdir()
    farm.wait_for(lambda: broken.exists() and "a folder" in broken.read_text(), "the folder to be named")
    (rules / "20-folder.yaml").rmdir()
    farm.wait_for(lambda: not broken.exists(), "the rules to be good again")
    (tmp_path / "elsewhere.yaml").write_bytes(RULES)
    os.symlink(tmp_path / "elsewhere.yaml", rules / "30-link.yaml")
    farm.wait_for(lambda: broken.exists() and "30-link.yaml" in broken.read_text(), "the link to be named")
    (rules / "30-link.yaml").unlink()
    farm.wait_for(lambda: not broken.exists(), "the rules to be good again")
    rules.rename(farm.share / "rules-away")
    farm.wait_for(lambda: farm.status()["rules_broken"], "the missing folder to be noticed")
    farm.drop("clip.gcode")
    farm.wait_for_records(1)
    (farm.share / "rules-away").rename(rules)
    farm.wait_for(lambda: not farm.status()["rules_broken"], "the rules to be good again")
    farm.check()


def test_rules_replaced_during_a_job_do_not_change_it(farm: Farm) -> None:
    """Torture case 71: a job has one rule set from start to end."""
    farm.start()
    before = farm.status()["rules_sha256"]
    farm.drop("slow.gcode", farm.job(b";stand-in hang 2\n"))
    farm.wait_for(farm.is_at_work, "the job to be in work")
    place = farm.folder("rules") / "10-all.yaml"
    replace(place, RULES.replace(b"0.4", b"0.6"))
    farm.wait_for(lambda: farm.status()["rules_sha256"] != before, "the new rules to be in force")
    farm.wait_for_records(1)
    assert farm.record_of("slow.gcode")["outcome"] == "rewritten"
    farm.check()
