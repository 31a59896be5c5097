"""The daemon on a real share: one job, many jobs, refusals, modes, stop and restart."""

import hashlib
import signal
from collections.abc import Callable

from end_to_end.farm import Farm
from end_to_end.stand_in import ADDED


def test_a_dropped_job_comes_out_rewritten_proved_and_recorded(farm: Farm) -> None:
    farm.start()
    data = farm.drop("clip.gcode")
    (record,) = farm.wait_for_records(1)
    assert farm.outbox() == {"clip.gcode": data + ADDED}
    assert record["outcome"] == "rewritten"
    assert record["sha256_in"] == hashlib.sha256(data).hexdigest()
    assert record["sha256_out"] == hashlib.sha256(data + ADDED).hexdigest()
    assert record["delivered"] == {"folder": "outbox", "name": "clip.gcode", "name_hex": None}
    farm.check()
    assert next(line["name"] for line in farm.log_lines("job")) == "clip.gcode"


def test_files_present_at_start_are_processed(farm: Farm) -> None:
    farm.make_folders()
    for number in range(5):
        farm.drop(f"early-{number}.gcode")
    farm.start()
    farm.wait_for_records(5)
    farm.check()


def test_two_hundred_at_once_all_come_out(make_farm: Callable[..., Farm]) -> None:
    farm = make_farm(slots=2)
    farm.start()
    for number in range(200):
        farm.drop(f"batch-{number}.gcode")
    farm.wait_for_records(200)
    assert len(farm.outbox()) == 200
    farm.check()


def test_a_subfolder_of_the_inbox_is_kept_in_the_outbox(farm: Farm) -> None:
    farm.start()
    farm.drop("gantry-300/PETG/clip.gcode")
    (record,) = farm.wait_for_records(1)
    assert list(farm.outbox()) == ["gantry-300/PETG/clip.gcode"]
    assert record["facts"][0]["value"] == "gantry-300/PETG"
    farm.check()


def test_a_refused_job_is_held_with_the_reason_in_plain_words(farm: Farm) -> None:
    farm.start()
    data = farm.drop("odd.gcode", farm.job(b";stand-in refuse\n"))
    (record,) = farm.wait_for_records(1)
    assert record["outcome"] == "held"
    assert record["reason_code"] == "ordered"
    assert (farm.folder("held") / "odd.gcode").read_bytes() == data
    why = (farm.folder("held") / "odd.gcode.why.txt").read_text()
    assert "the job ordered its refusal" in why
    assert record["id"] in why
    assert farm.outbox() == {}
    farm.check()


def test_a_refused_job_passes_unchanged_where_the_operator_chose_so(farm: Farm) -> None:
    rules = farm.folder("rules") / "10-all.yaml"
    rules.write_bytes(rules.read_bytes().replace(b"when_refused: held", b"when_refused: unchanged"))
    farm.start()
    data = farm.drop("odd.gcode", farm.job(b";stand-in refuse\n"))
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["reason_code"]) == ("unchanged", "ordered")
    assert farm.outbox() == {"odd.gcode": data}
    farm.check()


def test_a_job_that_fails_its_proof_is_held_with_both_files(farm: Farm) -> None:
    farm.start()
    data = farm.drop("odd.gcode", farm.job(b";stand-in unproved\n"))
    (record,) = farm.wait_for_records(1)
    assert record["violations"] == ["promise 1: a bead moved"]
    assert (farm.folder("held") / "odd.gcode").read_bytes() == data
    assert (farm.folder("held") / "odd.gcode.unproved").read_bytes() == data
    farm.check()


def test_observing_hands_on_the_original_and_records_what_would_have_been(make_farm: Callable[..., Farm]) -> None:
    farm = make_farm(mode="observe")
    farm.start()
    data = farm.drop("clip.gcode")
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["reason_code"], record["mode"]) == ("unchanged", "observed", "observe")
    assert record["would_be"]["sha256_out"] == hashlib.sha256(data + ADDED).hexdigest()
    assert farm.outbox() == {"clip.gcode": data}
    farm.check()


def test_while_PAUSE_lies_in_the_share_everything_passes_through_unchanged(farm: Farm) -> None:
    farm.start()
    farm.settings.pause_file.touch()
    data = farm.drop("clip.gcode")
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["reason_code"], record["mode"]) == ("unchanged", "paused", "pause")
    assert farm.outbox() == {"clip.gcode": data}
    farm.settings.pause_file.unlink()
    farm.drop("next.gcode")
    farm.wait_for_records(2)
    assert farm.record_of("next.gcode")["outcome"] == "rewritten"
    farm.check()


def test_a_side_file_is_claimed_with_its_job_and_kept(farm: Farm) -> None:
    farm.start()
    tags = b"material: PETG\n"
    (farm.folder("inbox") / "clip.gcode.tags.yaml").write_bytes(tags)
    farm.drop("clip.gcode")
    (record,) = farm.wait_for_records(1)
    kept = farm.folder("originals") / record["received"][:10] / f"{record['id']}.tags.yaml"
    assert kept.read_bytes() == tags
    assert not list(farm.folder("inbox").iterdir())
    farm.check()


def test_a_taken_name_in_the_outbox_is_never_overwritten(farm: Farm) -> None:
    farm.start()
    farm.drop("clip.gcode")
    farm.wait_for_records(1)
    farm.drop("clip.gcode")
    farm.wait_for_records(2)
    assert sorted(farm.outbox()) == ["clip-2.gcode", "clip.gcode"]
    farm.check()


def test_SIGTERM_in_mid_job_lets_it_end_and_leaves_the_rest_in_place(farm: Farm) -> None:
    farm.start()
    for number in range(3):
        farm.drop(f"slow-{number}.gcode", farm.job(b";stand-in hang 1.5\n"))
    farm.wait_for(farm.is_at_work, "a job in work")
    assert farm.stop() == 0
    ended = len(farm.records())
    assert ended in (0, 1)
    farm.start()
    farm.wait_for_records(3)
    assert all(record["attempts"] <= 2 for record in farm.records())
    farm.check()


def test_a_second_SIGTERM_rolls_the_job_in_work_back(farm: Farm) -> None:
    farm.start()
    farm.drop("slow.gcode", farm.job(b";stand-in hang 30\n"))
    farm.wait_for(farm.is_at_work, "a job in work")
    assert farm.process is not None
    farm.process.send_signal(signal.SIGTERM)
    farm.wait_for(lambda: farm.log_lines("stopping"), "the daemon to begin stopping")
    assert farm.stop() == 0
    assert farm.records() == []
    assert len(list(farm.folder("working").glob("*.in"))) == 1
    farm.check(good=False)


def test_a_broken_edit_of_the_rules_keeps_the_last_good_set_and_says_so(farm: Farm) -> None:
    farm.start()
    rules = farm.folder("rules") / "10-all.yaml"
    good = rules.read_bytes()
    rules.write_bytes(good.replace(b"shape: triangle", b"shape: triangel"))
    broken = farm.folder("rules") / "RULES-BROKEN.txt"
    farm.wait_for(broken.exists, "the file beside the rules")
    assert "triangel" in broken.read_text()
    farm.wait_for(lambda: farm.status()["rules_broken"], "the status to say so")
    assert farm.log_lines("rules_broken")
    farm.drop("clip.gcode")
    assert farm.wait_for_records(1)[0]["outcome"] == "rewritten"
    rules.write_bytes(good)
    farm.wait_for(lambda: not broken.exists(), "the file to go away")
    farm.check()


def test_without_any_good_rules_jobs_wait_in_the_inbox(farm: Farm) -> None:
    rules = farm.folder("rules") / "10-all.yaml"
    good = rules.read_bytes()
    rules.write_bytes(b"rules: [\n")
    farm.start()
    farm.drop("clip.gcode")
    farm.wait_for(lambda: farm.status()["in_inbox"] == 1, "the job to be seen")
    assert farm.records() == []
    rules.write_bytes(good)
    farm.wait_for_records(1)
    farm.check()


def test_SIGHUP_reads_the_rules_again(farm: Farm) -> None:
    farm.start()
    before = len(farm.log_lines("rules"))
    assert farm.process is not None
    farm.process.send_signal(signal.SIGHUP)
    farm.wait_for(lambda: len(farm.log_lines("rules")) > before, "the rules to be read again")
    farm.check()
