"""Edited lines as bytes: what is emitted, in which mode, with which feed, and what stays of the job's own text."""

from decimal import Decimal

import pytest

from unit.small_jobs import BEFORE, PLAIN_GAP, PRIME, RETRACT, TRAVEL, gap_of, job, lines_of, run


def emitted(text: bytes, **lift: object) -> list[str]:
    """The lines that the original does not hold."""
    _, out = run(text, **lift)
    own = set(lines_of(text))
    return [line for line in lines_of(out) if line not in own]


def test_way_points_stay_and_the_profile_holds_between_them():
    """A triangle over three moves: its peak in the middle of the second, way-points at their heights on the slopes."""
    assert gap_of(RETRACT, "G1 X30 Y10 F9000", "G1 X30 Y20", "G1 X40 Y20", PRIME, shape="triangle", height_mm=0.3) == [
        RETRACT,
        "G1 X30.000 Y10.000 Z0.400 F9000 ;lw triangle +0.30",
        "G1 X30.000 Y15.000 Z0.500",
        "G1 X30.000 Y20.000 Z0.400",
        "G1 X40.000 Y20.000 Z0.200",
        PRIME,
    ]


def test_a_peak_on_a_way_point_is_one_line():
    lines = gap_of(RETRACT, "G1 X30 Y10 F9000", "G1 X40 Y10", PRIME, shape="triangle")
    assert lines[1:3] == ["G1 X30.000 Y10.000 Z0.600 F9000 ;lw triangle +0.40", "G1 X40.000 Y10.000 Z0.200"]


def test_g0_stays_g0_and_g1_stays_g1():
    lines = gap_of(RETRACT, "G0 X30 Y10 F9000", "G1 X40 Y10", PRIME)
    assert [line[:2] for line in lines[1:-1]] == ["G0", "G0", "G1", "G1"]


def test_moves_that_raise_alone_go_and_their_feed_goes_with_them():
    """The Z-only lines vanish; the XY move keeps the feed that they left to it."""
    assert gap_of(RETRACT, "G1 Z0.8 F600", "G1 X60 Y10", "G1 Z0.2", PRIME, shape="triangle") == [
        RETRACT,
        "G1 X40.000 Y10.000 Z0.600 F600 ;lw triangle +0.40",
        "G1 X60.000 Y10.000 Z0.200",
        PRIME,
    ]


# Feeds


def test_the_modal_feed_is_restored_by_a_bare_line_when_the_next_motion_brings_none():
    """The square's step down was slowed; the bead behind it was to run at the travel's feed."""
    after = ["G1 X70 Y10 E0.5", "M104 S0"]
    _, out = run(job(TRAVEL, after=after), unretracted="lift")
    assert lines_of(out)[-4:] == ["G1 X60.000 Y10.000 Z0.200 F600", "G1 F9000", *after]


@pytest.mark.parametrize("between", [["M106 S5"], ["; pot"], ["G92 E0"], ["M486 S1", "M204 S900"]])
def test_lines_that_use_no_feed_may_stand_between(between):
    after = [*between, "G1 X70 Y10 E0.5", "M104 S0"]
    _, out = run(job(TRAVEL, after=after), unretracted="lift")
    assert "G1 F9000" in lines_of(out)


@pytest.mark.parametrize("line", ["G1 X70 Y10 E0.5 F1200", "G1 E1 F1800", "G1 F1200", "G0 F1200 X65 Y10 E.1"])
def test_no_bare_feed_line_where_the_next_motion_brings_its_own(line):
    _, out = run(job(TRAVEL, after=[line, "G1 X80 Y10 E0.5", "M104 S0"]), unretracted="lift")
    assert not [text for text in lines_of(out) if text.startswith("G1 F") and text != line]


def test_a_feed_line_inside_a_travel_stays_where_it_is():
    assert gap_of(RETRACT, "G1 X40 Y10 F9000", "G1 F3000", "G1 X60 Y10", PRIME, shape="sawtooth") == [
        RETRACT,
        "G1 X40.000 Y10.000 Z0.400 F9000 ;lw sawtooth +0.40",
        "G1 F3000",
        "G1 X60.000 Y10.000 Z0.600",
        "G1 X60.000 Y10.000 Z0.200 F600",
        PRIME,
    ]


def test_each_piece_has_the_feed_of_its_own_row():
    lines = gap_of(RETRACT, "G1 X40 Y10 F9000", "G1 X60 Y10 F3000", PRIME, shape="sawtooth")
    assert [line.split(" F")[1].split()[0] for line in lines[1:3]] == ["9000", "3000"]


def test_a_feed_with_decimals_is_restored_as_it_was():
    before = [*BEFORE[:3], "G1 X20 Y10 E0.5 F1200.5"]
    _, out = run(job("G1 X60 Y10", before=before, after=["G1 X70 Y10 E0.5", "M104 S0"]), unretracted="lift")
    assert "G1 F1200.5" in lines_of(out)


# Modes


def relative(*gap: str, after: tuple[str, ...] = ("G1 X10 E0.5 F1200",)) -> bytes:
    """A gap of 40 mm in X whose body is written in increments."""
    return job(*gap, before=[*BEFORE[:3], "G91", "G1 X10 E0.5 F1200"], after=[*after, "M104 S0"])


def test_in_g91_the_words_are_increments_that_add_up_exactly():
    text = relative(RETRACT, "G1 Z.6 F600", "G1 X40 F9000", "G1 Z-.6", PRIME)
    assert emitted(text, shape="triangle") == [
        "G1 X20.000 Y0.000 Z0.400 F9000 ;lw triangle +0.40",
        "G1 X20.000 Y0.000 Z-0.400",
    ]


def test_increments_add_up_when_the_grain_does_not_divide_the_way():
    """A third of a millimetre a step, and a height of the job that is no multiple of the grain."""
    text = relative(RETRACT, "G1 X0.3333 F9000", "G1 X40.0001", "G1 X-0.0007 Z0.12345", PRIME)
    lines = emitted(text, shape="trapezoid")
    for letter, whole in (("X", "40.3327"), ("Y", "0"), ("Z", "0.12345")):
        assert sum(Decimal(line.split(letter)[1].split()[0]) for line in lines) == Decimal(whole)


def test_g90_and_g91_may_change_inside_a_travel():
    """M83 keeps the extruder's mode certain in every dialect."""
    up, down = ["G91", "M83", "G1 X10 Z0.4 F9000", "G90", "M83"], ["G91", "M83", "G1 Z-0.4 F600", "G90", "M83"]
    text = job(RETRACT, *up, "G1 X60 Y10", *down, PRIME)
    assert emitted(text, shape="triangle") == [
        "G1 X10.000 Y0.000 Z0.200 F9000 ;lw triangle +0.40",
        "G1 X40.000 Y10.000 Z0.600",
        "G1 X60.000 Y10.000 Z0.200",
    ]


def inches(*gap: str) -> bytes:
    before = ["G20", "M83", "G28", "G1 X0.4 Y0.4 Z0.008 F240", "G1 X0.8 Y0.4 E0.02 F50"]
    return job(*gap, before=before, after=["G1 X2.8 Y0.4 E0.02 F50", "M104 S0"])


def test_in_inches_the_words_are_inches_of_at_least_four_decimals():
    """0.4 mm = 0.015748 in, rounded up: 0.008 + 0.0158; feeds in inches a minute: 10 mm/s = 23.62."""
    assert emitted(inches("G1 E-.04 F70", "G1 X2.4 Y.4 F350", "G1 E.04 F70")) == [
        "G1 X0.8000 Y0.4000 Z0.0238 F23 ;lw square +0.40",
        "G1 X2.4000 Y0.4000 Z0.0238 F350",
        "G1 X2.4000 Y0.4000 Z0.0080 F23",
    ]


@pytest.mark.parametrize(
    "gap",
    [
        [RETRACT, "G1 X40 Y10 F9000", "G20", "G1 X2 Y.4", "G21", PRIME],
        [RETRACT, "G20", "G1 X2 Y.4 F350", "G21", PRIME],
        [RETRACT, "G20", "G91", "G1 X1.5 F350", "G90", "G21", "M83", PRIME],
    ],
)
def test_a_travel_whose_ends_have_no_exact_number_in_its_units_is_left_alone(gap):
    """Z 0.2 mm is 0.007874015748… in: no decimal meets it, and beads would start elsewhere."""
    result, _ = run(job(*gap))
    assert result.travels["not exact in these units"] == 1


def test_units_may_change_inside_a_travel_where_the_numbers_are_exact():
    """Z 0.254 mm is 0.01 in. The modal feed is a speed: it needs no new number behind G20."""
    before = [*BEFORE[:2], "G1 X10 Y25.4 Z0.254 F6000", "G1 X20.32 Y25.4 E0.5 F1200"]
    text = job(RETRACT, "G1 X50.8 F9000", "G20", "G1 X3 Y1", "G21", PRIME, before=before)
    assert emitted(text, shape="sawtooth") == [
        "G1 X50.800 Y25.400 Z0.473 F9000 ;lw sawtooth +0.40",
        "G1 X3.0000 Y1.0000 Z0.0258",
        "G1 X3.0000 Y1.0000 Z0.0100 F23",
    ]


def test_a_feed_number_that_is_the_same_in_other_units_is_not_taken_for_the_same_speed():
    """The slowed step of the mm part leaves F600; F600 in inches a minute is 25.4 times as fast and must be said."""
    before = [*BEFORE[:2], "G1 X10 Y25.4 Z0.254 F6000", "G1 X20.32 Y25.4 E0.5 F1200"]
    text = job(RETRACT, "G1 X25.4 F600", "G20", "G1 X3 Y1 F600", "G21", PRIME, before=before)
    assert [line.partition(" F")[2][:3] for line in emitted(text, shape="triangle")] == ["600", "600", ""]


def test_shifts_of_g92_are_kept_in_the_words():
    """X20 became X0, Z0.2 became Z1: the words are the job's numbers, the heights the bed's."""
    text = job(RETRACT, "G1 X40 Y10 F9000", PRIME, before=[*BEFORE, "G92 X0 Z1", "G1 X10 E0.5 F1200"],
               after=["G1 X50 Y10 E0.5 F1200", "M104 S0"])  # fmt: skip
    assert emitted(text, shape="triangle") == [
        "G1 X25.000 Y10.000 Z1.400 F9000 ;lw triangle +0.40",
        "G1 X40.000 Y10.000 Z1.000",
    ]


def test_a_repeated_axis_word_never_leads_to_a_failed_proof():
    """Firmware parsers let the later one hold, the standard calls it an error (NISTIR 6556 §3.3.2.9)."""
    result, _ = run(job(RETRACT, "G1 X5 X60 Y10 F9000", PRIME))
    assert result.reason_code != "proof_failed"


# Numbers


@pytest.mark.parametrize(("word", "decimals"), [("X60", 3), ("X60.12", 3), ("X60.1234", 4), ("X60.123456789", 9)])
def test_three_decimals_at_least_and_never_fewer_than_the_job_writes(word, decimals):
    lines = gap_of(RETRACT, f"G1 {word} Y10 F9000", PRIME, shape="triangle")
    for line in lines[1:3]:
        for letter in "XYZ":
            assert len(line.split(letter)[1].split()[0].partition(".")[2]) == decimals


def test_more_than_nine_decimals_leave_the_job_as_it_is():
    result, _ = run(job(RETRACT, "G1 X60.0000000001 Y10 F9000", PRIME))
    assert result.outcome == "unchanged"
    assert result.travels["more than nine decimals"] == 1


def test_heights_are_rounded_up_and_never_written_with_an_exponent():
    """A third of the way up 0.1 mm is 0.0333…: 0.234 at three decimals. Small increments stay plain decimals."""
    lines = gap_of(RETRACT, "G1 X50 Y10 F9000", "G1 X80 Y10", PRIME, shape="sawtooth", height_mm=0.05)
    assert lines[1].startswith("G1 X50.000 Y10.000 Z0.225 ")
    lines = gap_of(RETRACT, "G1 X21 Y10 F9000", "G1 X23 Y10", PRIME, shape="sawtooth", height_mm=0.1)
    assert lines[1].startswith("G1 X21.000 Y10.000 Z0.234 ")
    tiny = emitted(relative(RETRACT, "G1 X0.00001 F9000", "G1 X40.00002", PRIME), shape="triangle")
    assert all("E" not in line.split(";")[0].upper() for line in tiny)


def test_a_line_that_moves_filament_is_never_edited():
    """Retraction with Z, wipe, and prime with Z stay byte for byte."""
    own = ["G1 Z0.60 E-1.00000 F1800", "g1 x18.00 e-.1", "G1 Z0.20 E1.1 F1800"]
    lines = gap_of(*own[:2], TRAVEL, own[2])
    assert [line for line in lines if "e" in line.lower().split(";")[0]] == own
    assert "Z1.000" in lines[2]


# The job's own text


@pytest.mark.parametrize("eol", ["\n", "\r\n", "\r"])
def test_line_ends_are_those_of_the_job(eol):
    """Every emitted line ends as the line that it replaces; the stamp as the job's first."""
    result, out = run(job(RETRACT, TRAVEL + " ; way", PRIME, eol=eol))
    assert result.outcome == "rewritten"
    body = out[: out.index(b";liftwright")]
    assert body.replace(eol.encode(), b"").count(b"\r") + body.replace(eol.encode(), b"").count(b"\n") == 0
    assert out.endswith(eol.encode())


def test_a_carriage_return_before_a_pair_ends_a_line_of_its_own():
    """Behind `\\r\\r\\n` stands an empty line: it stays, and what replaces the line ends in the bare return."""
    _, out = run(job(*PLAIN_GAP, eol="\r\r\n"))
    lift = b"G1 X20.000 Y10.000 Z0.600 F600 ;lw square +0.40\rG1 X60.000 Y10.000 Z0.600 F9000\r"
    assert lift + b"G1 X60.000 Y10.000 Z0.200 F600\r\r\n" + PRIME.encode() in out


def test_a_line_keeps_its_own_end_in_a_job_that_mixes_them():
    text = job(*PLAIN_GAP).replace(b"G1 X60 Y10 F9000\n", b"G1 X60 Y10 F9000\r\n")
    _, out = run(text)
    assert out.count(b"\r\n") == 3
    assert out.count(b"\n") == text.count(b"\n") + 3


@pytest.mark.parametrize("comment", ["; to the rim", "(rim)", "(rim) ; rim", ";\xff\xfe Z9 G1", ";" + "k" * 21000, ";"])
def test_the_comment_of_an_edited_line_stays_on_its_own_line_before_what_replaces_it(comment):
    lines = gap_of(RETRACT, f"G1 X60 Y10 F9000   {comment}", PRIME)
    assert lines[1] == comment
    assert lines[2].startswith("G1 X20.000 Y10.000 Z0.600")


def test_the_comment_of_a_removed_line_stays():
    lines = gap_of(RETRACT, "G1 Z0.8 F600 ; up", TRAVEL, "G1 Z0.2 ; down", PRIME, shape="triangle")
    assert lines == [
        RETRACT, "; up", "G1 X40.000 Y10.000 Z0.600 F9000 ;lw triangle +0.40", "G1 X60.000 Y10.000 Z0.200", "; down",
        PRIME,
    ]  # fmt: skip


def test_lines_between_the_moves_stay_in_their_places():
    """Fan, message, label, blank line and comment, in order, byte for byte."""
    between = ["M106 S255 ; fan", "  M117 Z5 (hi)", "M486 S1", ";x", "\tM73 P5"]
    gap = [RETRACT, "G1 Z0.8 F600", between[0], between[1], TRAVEL, *between[2:], "G1 Z0.2", PRIME]
    lines = gap_of(*gap, shape="triangle")
    assert [line for line in lines if not line.startswith("G1")] == between


def test_notes_can_be_switched_off():
    lines = gap_of(*PLAIN_GAP, annotate=False)
    assert not any(";" in line for line in lines)
    assert [line.split(" ;")[0] for line in gap_of(*PLAIN_GAP)] == lines


def test_the_note_stands_once_and_states_the_height_rounded_up():
    _, out = run(job(*PLAIN_GAP), height_mm=0.401)
    assert out.count(b";lw") == 1
    assert b";lw square +0.41" in out


def test_a_job_without_a_final_line_end_gets_one_before_the_stamp():
    text = job(*PLAIN_GAP)[:-1]
    result, out = run(text)
    assert result.outcome == "rewritten"
    assert b"\nM104 S0\n;liftwright stamp 1 sha256=" in out


def test_every_emitted_move_states_all_three_axes():
    """A firmware that skips an object is never left at a wrong height."""
    for shape in ("square", "triangle", "sawtooth", "trapezoid"):
        for line in emitted(
            job(RETRACT, "G1 Z0.8 F600", "G1 X40", "G1 Y20", "G1 X60 Y10", "G1 Z.2", PRIME), shape=shape
        ):
            assert all(letter in line.split(";")[0] for letter in "XYZ")
