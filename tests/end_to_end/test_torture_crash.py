"""Signals, crash and restart: whatever the moment, each job is handed on once and recorded once."""

import contextlib
import random
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from end_to_end.farm import Farm
from liftwright.spool.faults import STEPS

BY_THE_DAEMON = [step for step in STEPS if not step.startswith(("work.", "recover.", "compact."))]


def fault(root: Path, plan: str) -> dict[str, str]:
    return {"LIFTWRIGHT_TEST_FAULT": plan, "LIFTWRIGHT_TEST_FAULT_MARK": str(root / "mark")}


def drop_three(farm: Farm) -> None:
    """A job with a side file, a held one, and one in a subfolder: together they come by every step."""
    farm.make_folders()
    (farm.folder("inbox") / "clip.gcode.tags.yaml").write_bytes(b"material: PETG\n")
    farm.drop("clip.gcode")
    farm.drop("odd.gcode", farm.job(b";stand-in refuse\n"))
    farm.drop("pots/lattice.gcode")


# Steps that each job comes by for itself: there the second time may be another job of the same group.
OF_EACH_JOB = ("claim.rename", "publish.rename", "close.original", "close.record")


@pytest.mark.parametrize(
    ("step", "nth"),
    [
        *((step, 1) for step in BY_THE_DAEMON),
        *((step, 2) for step in OF_EACH_JOB),
        *(pytest.param(step, 2, marks=pytest.mark.long) for step in BY_THE_DAEMON if step not in OF_EACH_JOB),
    ],
)
def test_SIGKILL_at_any_step_loses_nothing_and_repeats_nothing(farm: Farm, step: str, nth: int) -> None:
    """Torture case 83: the daemon dies as it comes to the step for the first, or the second time."""
    drop_three(farm)
    farm.start(fault(farm.root, f"die:{step}:{nth}"), wait=False)
    farm.wait_for(lambda: farm.process.poll() is not None or len(farm.records()) == 3, "death or the end of the work")
    if nth == 1:
        assert farm.process.wait() == -signal.SIGKILL
    farm.kill()
    farm.start()
    farm.wait_for_records(3)
    assert sorted(farm.outbox()) == ["clip.gcode", "pots/lattice.gcode"]
    assert sorted(path.name for path in farm.folder("held").iterdir()) == ["odd.gcode", "odd.gcode.why.txt"]
    farm.check()


@pytest.mark.parametrize("step", ["work.open", "work.write", "work.sync"])
def test_a_worker_that_is_killed_once_costs_an_attempt_and_nothing_else(farm: Farm, step: str) -> None:
    """Torture cases 83 and 91: the worker alone dies, as when the machine runs out of memory."""
    farm.start(fault(farm.root, f"die:{step}:1"))
    farm.drop("clip.gcode")
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["attempts"]) == ("rewritten", 2)
    farm.check()


@pytest.mark.parametrize(
    "step",
    [
        *("recover.entry", "compact.rename", "publish.rename"),
        *(pytest.param(step, marks=pytest.mark.long) for step in ("compact.write", "close.ledger", "sync")),
    ],
)
def test_a_recovery_that_crashes_five_times_in_a_row_converges(farm: Farm, step: str) -> None:
    """Torture case 89."""
    drop_three(farm)
    farm.start(fault(farm.root, "die:publish.rename:2"), wait=False)
    assert farm.process.wait(60) == -signal.SIGKILL
    for _ in range(5):
        (farm.root / "mark").unlink(missing_ok=True)
        assert farm.run_to_its_end(fault(farm.root, f"die:{step}:1")) == -signal.SIGKILL
    farm.start()
    farm.wait_for_records(3)
    farm.check()


@pytest.mark.parametrize("kills", [pytest.param(6, id="short"), pytest.param(300, id="full", marks=pytest.mark.long)])
def test_SIGKILL_at_random_times_loses_nothing(make_farm: Callable[..., Farm], kills: int) -> None:
    """Torture case 84: the moments are drawn from a fixed seed, so that a failure can be looked into."""
    farm = make_farm(slots=2)
    farm.make_folders()
    moments = random.Random(84)
    dropped = 0
    for _ in range(kills):
        farm.start(wait=False)
        for _ in range(moments.randrange(1, 12)):
            extra = moments.choice([b"", b"", b"", b";stand-in refuse\n", b";stand-in hang 0.1\n"])
            farm.drop(f"job-{dropped}.gcode", farm.job(extra))
            dropped += 1
        with contextlib.suppress(subprocess.TimeoutExpired):
            farm.process.wait(moments.uniform(0.3, 3.0))
        farm.kill()
    farm.start()
    farm.wait_for_records(len(farm.uploads), patience=120)
    farm.check()


def test_what_was_taken_from_the_outbox_during_a_crash_is_not_handed_on_again(farm: Farm) -> None:
    """A consumer fetched the job between its publication and the crash: held, not printed twice."""
    farm.start(fault(farm.root, "die:published.journal:1"))
    farm.drop("clip.gcode")
    assert farm.process.wait(60) == -signal.SIGKILL
    taken = farm.folder("outbox") / "clip.gcode"
    data = taken.read_bytes()
    taken.unlink()
    farm.start()
    farm.wait_for_records(1)
    record = farm.record_of("clip.gcode")
    assert (record["outcome"], record["reason_code"]) == ("held", "may_have_been_taken")
    assert record["would_be"]["outcome"] == "rewritten"
    assert "clip.gcode" not in farm.outbox()
    assert (farm.folder("held") / "clip.gcode").read_bytes() != data
    assert "no longer in the outbox" in (farm.folder("held") / "clip.gcode.why.txt").read_text()
    farm.check()


@pytest.mark.parametrize("misdeed", ["exit", "segfault", "raise"])
def test_a_poison_job_is_held_after_its_third_attempt_while_the_others_flow(farm: Farm, misdeed: str) -> None:
    """Torture cases 61 and 95."""
    farm.start()
    farm.drop("poison.gcode", farm.job(f";stand-in {misdeed}\n".encode()))
    for number in range(5):
        farm.drop(f"clip-{number}.gcode")
    farm.wait_for_records(6)
    record = farm.record_of("poison.gcode")
    assert (record["outcome"], record["reason_code"]) == ("held", "failed_repeatedly")
    assert "3 times" in record["reason"]
    assert len(farm.outbox()) == 5
    farm.check()


def test_a_job_that_hangs_is_ended_by_the_time_limit(make_farm: Callable[..., Farm]) -> None:
    """Torture cases 57 and 61: the daemon answers all the while."""
    farm = make_farm(job_time_limit_s=1.0, slots=2)
    farm.start()
    farm.drop("hang.gcode", farm.job(b";stand-in hang\n"))
    farm.drop("clip.gcode")
    farm.wait_for_records(2)
    assert "longer than 1 s" in farm.record_of("hang.gcode")["reason"]
    farm.check()


def test_a_job_that_eats_memory_is_ended_by_the_memory_limit(make_farm: Callable[..., Farm]) -> None:
    """Torture case 61."""
    farm = make_farm(job_memory_limit_mb=300, slots=2)
    farm.start()
    farm.drop("greedy.gcode", farm.job(b";stand-in eat\n"))
    farm.drop("clip.gcode")
    farm.wait_for_records(2)
    assert "300 MB" in farm.record_of("greedy.gcode")["reason"]
    farm.check()


def test_a_second_daemon_on_the_same_working_folder_refuses_to_start(farm: Farm) -> None:
    """Torture case 90."""
    farm.start()
    first = farm.process
    assert farm.run_to_its_end() == 6
    assert "another daemon works in this folder" in farm.tail()
    farm.process = first
    farm.check()


def test_a_torn_or_garbled_last_line_of_the_journal_is_ignored(farm: Farm) -> None:
    """Torture case 97."""
    farm.start()
    farm.drop("slow.gcode", farm.job(b";stand-in hang 2\n"))
    farm.wait_for(lambda: list(farm.folder("working").glob("*.in")), "the claim")
    farm.kill()
    with (farm.folder("working") / "journal").open("ab") as journal:
        journal.write(b'00000000 {"step":"proved","id":"x"}\n' + b'1234abcd {"step":"clo')
    farm.start()
    assert farm.log_lines("journal_damaged")[-1]["lines"] == 2
    farm.wait_for_records(1)
    farm.check()


def test_a_journal_of_another_version_is_refused_not_misread(farm: Farm) -> None:
    """Torture case 98."""
    farm.start()
    farm.stop()
    journal = farm.folder("working") / "journal"
    kept = journal.read_bytes()
    journal.write_bytes(b"liftwright journal 9\n{}\n")
    assert farm.run_to_its_end() == 6
    assert "wanted 'liftwright journal 1'" in farm.tail()
    assert journal.read_bytes() == b"liftwright journal 9\n{}\n"
    journal.write_bytes(kept)
    farm.check()


def test_a_lost_journal_holds_claimed_uploads_instead_of_guessing(farm: Farm) -> None:
    """Torture case 97: the whole journal is gone."""
    farm.start()
    farm.drop("slow.gcode", farm.job(b";stand-in hang 2\n"))
    farm.wait_for(lambda: list(farm.folder("working").glob("*.in")), "the claim")
    farm.kill()
    (farm.folder("working") / "journal").unlink()
    farm.start()
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["reason_code"]) == ("held", "journal_lost")
    farm.check()


def test_a_stopped_and_continued_daemon_rejects_nothing_for_the_lost_time(make_farm: Callable[..., Farm]) -> None:
    """Torture case 87 (some seconds instead of five minutes; the count of a gap is bounded in any case)."""
    farm = make_farm(quiet_s=1.0)
    farm.start()
    farm.drop("clip.gcode")
    farm.process.send_signal(signal.SIGSTOP)
    farm.drop("late.gcode")
    farm.process.send_signal(signal.SIGCONT)
    farm.wait_for_records(2)
    assert {record["outcome"] for record in farm.records()} == {"rewritten"}
    farm.check()


def test_SIGHUP_during_jobs_disturbs_none(farm: Farm) -> None:
    """Torture case 86."""
    farm.start()
    for number in range(10):
        farm.drop(f"clip-{number}.gcode", farm.job(b";stand-in hang 0.1\n"))
        farm.process.send_signal(signal.SIGHUP)
    farm.wait_for_records(10)
    assert {record["attempts"] for record in farm.records()} == {1}
    farm.check()


def test_SIGUSR1_ends_the_process_and_SIGPIPE_does_not(farm: Farm) -> None:
    """Torture case 88: the default action of SIGUSR1 is an end like any crash; a broken pipe is an error code."""
    farm.start()
    farm.drop("slow.gcode", farm.job(b";stand-in hang 1\n"))
    farm.wait_for(lambda: list(farm.folder("working").glob("*.in")), "the claim")
    farm.process.send_signal(signal.SIGPIPE)
    assert farm.stop(signal.SIGUSR1) == -signal.SIGUSR1
    farm.start()
    farm.wait_for_records(1)
    farm.check()


def test_two_daemons_share_an_inbox_each_with_its_own_working_folder(make_farm: Callable[..., Farm]) -> None:
    """Every job is done by exactly one of them."""
    first, second = make_farm(), make_farm()
    own = {name: f"second-{name}" for name in ("working", "records", "originals")}
    for name in own.values():
        (first.share / name).mkdir()
    first.start()
    second.configure(share=str(first.share), folders=own)
    second.start()
    for number in range(60):
        (first.folder("inbox") / f"clip-{number}.gcode.tags.yaml").write_bytes(b"material: PETG\n")
        first.drop(f"clip-{number}.gcode")
    first.wait_for(lambda: len(first.records()) + len(second.records()) == 60, "60 records in both together")
    assert len(first.outbox()) == 60
    assert not list(first.folder("inbox").iterdir())
    names = [record["name"] for farm in (first, second) for record in farm.records()]
    assert len(set(names)) == 60
    assert first.stop() == second.stop() == 0
