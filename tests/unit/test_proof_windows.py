"""The proof in bounded memory: window size, odd reads and long gaps don't change what it says; limits are stated."""

import dataclasses
import io
import random

import pytest

from liftwright import proof, proof_names, proof_run, proof_window
from reference.proof_pairs import LIMITS, fast, stamped

START = b"G28\nG90\nM83\nG1 X10 Y10 Z0.2 F6000\n"
LAYER = b"""G1 X20 E1 F1200
G1 Y20 E1
; seed-tray clip
G1 E-1 F2400
G1 X%d Y50 F9000
M106 S255
G1 E1 F2400
G1 X10 E1 F1200
G1 X10 Y10 E1
"""
TRAVEL = b"G1 X%d Y50 F9000\n"
LIFT = b"G1 X20 Y20 Z0.600 F600 ;lw square +0.40\nG1 X%d Y50 Z0.600 F9000\nG1 X%d Y50 Z0.2 F600\n"


def pair(layers: int = 40) -> tuple[bytes, bytes]:
    job = START + b"".join(LAYER % (50 + k) for k in range(layers))
    good = job
    for k in range(0, layers, 2):
        good = good.replace(TRAVEL % (50 + k), LIFT % (50 + k, 50 + k))
    return job, good


@pytest.fixture(params=[300, 347, 512, 1000, 4096])
def window(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    """A window hardly larger than a gap."""
    for module in (proof_run, proof_window):
        monkeypatch.setattr(module, "WINDOW", request.param)
    return int(request.param)


@pytest.mark.parametrize("size", [300, 347, 512, 1000, 4096])
def test_the_windows_size_does_not_change_what_is_found(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    job, good = pair()
    bad = good.replace(b"G1 X77 Y50 F9000", b"G1 X77 Y51 F9000").replace(b"G1 X66 Y50 Z0.600", b"G1 X66 Y50 Z0.100")
    wide = [fast(job, stamped(text)) for text in (good, bad)]
    for module in (proof_run, proof_window):
        monkeypatch.setattr(module, "WINDOW", size)
    assert [fast(job, stamped(text)) for text in (good, bad)] == wide
    assert wide[0].holds
    assert (wide[0].counts["touched"], wide[0].counts["travels"], wide[0].counts["own_lines"]) == (20, 41, 60)
    assert {v.promise for v in wide[1].violations} >= {3, 4}


def test_files_that_give_few_bytes_at_a_time_are_read_to_the_end(window: int) -> None:
    class Slow(io.BytesIO):
        def readinto(self, room: memoryview) -> int:  # type: ignore[override]
            return super().readinto(room[: random.Random(len(room)).randint(1, 60)])

    job, good = pair(8)
    assert proof.prove(Slow(job), Slow(stamped(good)), LIMITS).holds


@pytest.mark.parametrize("seed", range(8))
def test_a_job_is_proved_while_it_is_being_written(seed: int, window: int) -> None:
    """In parts cut anywhere, within lines and line ends too: the same verdict; both files stand where they stood."""
    job, good = pair(8)
    if seed % 2:
        job, good = job.replace(b"\n", b"\r\n"), good.replace(b"\n", b"\r\n")
    bad = good.replace(b"X54 Y50 F9000", b"X54 Y51 F9000")
    chance = random.Random(seed)
    for text in (good, bad):
        original, rewritten = io.BytesIO(job), io.BytesIO()
        original.seek(7)
        proving = proof.Proving(original, rewritten, LIMITS)
        cuts = sorted(chance.sample(range(len(text)), 12))
        for begin, end in zip([0, *cuts], [*cuts, len(text)], strict=True):
            rewritten.write(text[begin:end])
            proving.go_on(end)
            assert (original.tell(), rewritten.tell()) == (7, end)
        whole = proof.prove(io.BytesIO(job), io.BytesIO(text), LIMITS, stamped=False)
        assert proving.finish(len(text)) == whole
        assert whole.holds == (text is good)
        assert proving.finish(len(text)).sha.digest() == whole.sha.digest()


def test_line_ends_at_the_edge_of_a_window_stay_whole(window: int) -> None:
    job, good = (text.replace(b"\n", b"\r\n") for text in pair())
    for shift in range(12):
        note = b";" + b"x" * shift + b"\r\n"
        assert fast(note + job, stamped(note + good, b"\r\n")).holds


def test_a_long_gap_left_alone_holds_and_an_edited_one_is_named(window: int) -> None:
    job, good = pair(4)
    long = b"".join(b"; picture %d\n" % k for k in range(1000))
    place = b"G1 E-1 F2400\nG1 X52"
    assert fast(job.replace(b"G1 E-1 F2400\nG1 X53", long + b"G1 E-1 F2400\nG1 X53"), stamped(
        good.replace(b"G1 E-1 F2400\nG1 X53", long + b"G1 E-1 F2400\nG1 X53"))).holds  # fmt: skip
    assert good.count(b"G1 E-1 F2400\nG1 X20 Y20 Z0.600 F600 ;lw square +0.40\nG1 X52") == 1
    edited = good.replace(b"G1 E-1 F2400\nG1 X20 Y20 Z0.600 F600 ;lw square +0.40\nG1 X52", long + place)
    found = fast(job.replace(place, long + place), stamped(edited))
    assert not found.holds
    behind = good.replace(b"G1 X20 Y20 Z0.600 F600 ;lw square +0.40\nG1 X52", long + b"G1 X20 Y20 Z0.600 F600\nG1 X52")
    found = fast(job.replace(b"G1 X52 Y50 F9000\n", long + b"G1 X52 Y50 F9000\n"), stamped(behind))
    assert not found.holds
    assert found.violations[0].promise == 3
    told = found.violations[-1].expected + found.violations[0].expected
    assert "longer than the proof can hold" in told or "gaps that fit" in told


def test_a_line_longer_than_the_window_is_a_violation_and_no_endless_loop(window: int) -> None:
    job, good = pair(4)
    line = b"; " + b"x" * (2 * window) + b"\n"
    found = fast(job + line, stamped(good + line))
    assert not found.holds
    assert not found.complete
    assert "lines of at most" in found.violations[-1].expected


def test_more_lines_in_an_edited_gap_than_there_is_room_for_are_a_violation(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof_run, "ROWS", 30)
    job, good = pair(4)
    few, many = b"M106 S1\n" * 20, b"M106 S1\n" * 40
    assert fast(job.replace(b"M106 S255\n", few), stamped(good.replace(b"M106 S255\n", few))).holds
    found = fast(job.replace(b"M106 S255\n", many), stamped(good.replace(b"M106 S255\n", many)))
    assert not found.holds
    assert not found.complete
    assert "longer than the proof can hold" in found.violations[-1].expected


def test_thousands_of_unknown_names_are_asked_for_only_as_long_as_there_is_room() -> None:
    """Noise of ever new names must not fill the table; what stands behind it is still judged."""
    noise = b"".join(b"NOISE_%d\n" % k for k in range(3 * proof_names.MOST_NAMES))
    job, good = pair(4)
    limits = dataclasses.replace(LIMITS, neutral=("FAN_*",))
    assert fast(noise + job, stamped(noise + good), limits).holds


def test_commands_are_asked_for_however_far_into_a_line_and_however_long() -> None:
    job, good = pair(4)
    limits = dataclasses.replace(LIMITS, neutral=("LIGHTS_*", "M7??"))
    odd = b"(%s) LIGHTS_ON\nN%s M700\n(%s)LIGHTS_%s X=1\n" % (b"x" * 900, b"1" * 700, b"y" * 300, b"Z" * 5000)
    plain = odd.replace(b"N" + b"1" * 700 + b" ", b"")
    for text, holds in ((plain, True), (odd, False), (plain.replace(b"LIGHTS_ON", b"LIGHT_ON"), False)):
        changed = [one.replace(b"M106 S255\n", text) for one in (job, good)]
        assert fast(changed[0], stamped(changed[1]), limits).holds == holds


def test_empty_files_hold_nothing_and_break_only_the_stamp() -> None:
    assert [v.promise for v in fast(b"", b"").violations] == [7]
    assert fast(b"", stamped(b"")).holds
    assert {v.promise for v in fast(b"", stamped(b"G1 X1 E1\n")).violations} == {1, 6}
    assert {v.promise for v in fast(b"G1 X1 E1\n", stamped(b"")).violations} == {1, 6}
