"""Every refusal with its full sentence, and what looks like one but is a print."""

import gzip
from dataclasses import replace

import pytest

from unit.small_jobs import AFTER, BEFORE, PLAIN_GAP, PRIME, RETRACT, TRAVEL, job, rules, run

MILLING = b"%\nO1000\nN10 G21 G90\nN20 M3 S12000\nN30 G0 X10 Y10 Z5\nN40 G1 Z-1 F100\nX50\nY50\nN70 M5\n%\n"
HEADERLESS = job(*PLAIN_GAP)


@pytest.mark.parametrize(
    ("text", "code", "reason"),
    [
        (b"", "empty", "the file is empty; upload the job again"),
        (
            b"; a note\n\n(another)\n",
            "nothing_printed",
            "nothing is printed: found only comments; wanted extruding moves; upload a print",
        ),
        (b"\n", "nothing_printed", "nothing is printed: found only comments; wanted extruding moves; upload a print"),
        (
            b"G28\nG1 X10 Y10 Z0.2 F6000\nG1 X20\n",
            "nothing_printed",
            "nothing is printed: found 3 commands, 0 beads; wanted extruding moves; upload a print",
        ),
        (
            b"M83\nG28\nG1 X10 Y10 Z0.2 F6000\nG1 X20 E1\n",
            "nothing_printed",
            "nothing is printed: found 4 commands, 1 beads; wanted extruding moves; upload a print",
        ),
        (
            b"<!DOCTYPE html>\n<html><body>404</body></html>\n",
            "markup",
            "the file begins with '<': it is a web page or a pointer to a file, not G-code; upload the job itself",
        ),
        (
            b"\xef\xbb\xbf \n<pointer href='x'/>\n",
            "markup",
            "the file begins with '<': it is a web page or a pointer to a file, not G-code; upload the job itself",
        ),
        (
            MILLING,
            "not_a_filament_print",
            "this is no filament print: spindle or numbered lines, no E words; upload one",
        ),
        (
            HEADERLESS + b"\x00\x00",
            "nul_bytes",
            "the file holds NUL bytes: it is binary, or its upload was not finished; upload it again, as plain G-code",
        ),
        (
            b"\x89bin\x00\x01\x02\x03" + bytes(range(256)) * 40,
            "nul_bytes",
            "the file holds NUL bytes: it is binary, or its upload was not finished; upload it again, as plain G-code",
        ),
        (
            job(RETRACT, "G1 X60 Y10 F{travel_speed}", PRIME),
            "template",
            "6:12: found 'F{travel_speed}'; a template was not filled in: make the job anew with a value there",
        ),
        (
            job(RETRACT, "{if layer > 3}", TRAVEL, PRIME),
            "template",
            "line 6: found '{' or '['; a template was not filled in: make the job anew with values in their place",
        ),
        (
            job(RETRACT, "M104 S{temperature}", TRAVEL, PRIME),
            "template",
            "line 6: found '{' or '['; a template was not filled in: make the job anew with values in their place",
        ),
        *(
            (
                job(RETRACT, f"G1 X60 {what}", PRIME),
                "template",
                f"6:8: found '{what}'; a template was not filled in: make the job anew with a value there",
            )
            for what in ("{y}", "[y]", "Y{y}", "E[e]")
        ),
        *(
            (job(RETRACT, f"G2 P1 {what}", PRIME), "number", f"6:7: found '{what}'; wanted a number: correct the line")
            for what in ("X", "Y ", "Z-", "E.", "F+", "I", "J--1", "R", "#5", "!")
        ),
        (job(RETRACT, "G1 X Y10", PRIME), "number", "6:4: found 'X Y10'; wanted a number: correct the line"),
        (job(RETRACT, "G1 X60 Y-", PRIME), "number", "6:8: found 'Y-'; wanted a number: correct the line"),
        (
            job(RETRACT, "G1 X1234567890123456789 Y10", PRIME),
            "number",
            "6:4: found 'X1234567890123456789 Y10'; wanted a number of at most 18 digits that stays within "
            "100 m: correct the line",
        ),
        (
            job(RETRACT, "G1 X60 E-123456", PRIME),
            "number",
            "6:1: found 'G1 X60 E-123456'; wanted a number of at most 18 digits that stays within 100 m: correct the "
            "line",
        ),
        (
            job(RETRACT, "G1 X123456", PRIME),
            "number",
            "6:1: found 'G1 X123456'; wanted a number of at most 18 digits that stays within 100 m: correct the line",
        ),
        (job(RETRACT, "G1 X60 F0", PRIME), "number", "6:8: found 'F0'; wanted a feed above zero: correct the line"),
        (
            job("N10 G1 E-1", "N20 G1 X60"),
            "numbered",
            "lines are numbered or carry checksums, which inserted lines would break; save without them",
        ),
        (
            job("G1 X60 Y10 F9000*57"),
            "numbered",
            "lines are numbered or carry checksums, which inserted lines would break; save without them",
        ),
        (
            job("G92"),
            "bare_g92",
            "line 5: G92 without an axis or a number means different things to firmwares; write both",
        ),
        (
            job("G92 E", *PLAIN_GAP),
            "bare_g92",
            "line 5: G92 without an axis or a number means different things to firmwares; write both",
        ),
        *(
            (
                job(RETRACT, line, TRAVEL, PRIME),
                "optional_lines",
                "line 6: begins with '/', if, while or an O-word, so the machine may skip or repeat what follows; save "
                "the job without",
            )
            for line in (
                "/G1 Z9",
                "if heat.state",
                "IF{move.axes}",
                "  while iterations < 3",
                "o100 if [#1 GT 0]",
                "O200 sub",
            )
        ),
        (
            job(RETRACT, "G21 G90", TRAVEL, PRIME),
            "crowded_line",
            "line 6: G20, G21, M82 or M83 shares its line with more, and firmwares don't agree on what they obey then; "
            "give it a line of its own",
        ),
        *(
            (
                job(line, *PLAIN_GAP),
                "other_origin",
                "line 5: sets another origin, scale or meaning of feed or of arcs (G10 L, G54, G90.1 and the like); "
                "save the job without",
            )
            for line in ("G54", "G55", "G10 L2 P1 X5", "G43 H1", "G51 X2", "G95", "G92.2", "G92.3", "G90.1")
        ),
        (
            job("G93", TRAVEL),
            "inverse_time",
            "G93 counts feed as inverse time; save the job with feed per minute (G94)",
        ),
        (
            job("M103", TRAVEL, "M101"),
            "on_off_extrusion",
            "M101 to M103 switch extrusion on and off; save the job with E words",
        ),
        (
            b"M108\nG28\nG1 X10 Y10 Z0.2 F6000\nM101\nG1 X20\nM103\n",
            "on_off_extrusion",
            "M101 to M103 switch extrusion on and off; save the job with E words",
        ),
        (
            job("M207 S1 Z0.4", "G10", TRAVEL, "G11"),
            "firmware_lift",
            "M207 Z makes the firmware lift by itself at G10, on top of ours; set M207 Z0",
        ),
        *(
            (
                b"G28\nG1 X10 Y10 Z0.2 F6000\nG1 X20 %b1\nG1 X30 %b2\n" % (letter, letter),
                "extruder_letter",
                "the filament moves on another letter than E; write the job for an extruder on E",
            )
            for letter in (b"A", b"a", b"B", b"C", b"D", b"U", b"v", b"W")
        ),
        (
            job(*PLAIN_GAP, after=["G1 X270 Y10 E0.5 F1200"]),
            "wrong_printer",
            "beads lie at X 10 to 270, Y 10 to 10, outside the bed of bench (X 0 to 200, Y 0 to 200): make the job for "
            "this printer, name the one it was made for, or correct bed_mm of the entry",
        ),
        (
            job(*PLAIN_GAP, after=["G1 X70 Y10 Z100.2 E0.5 F1200"]),
            "wrong_printer",
            "the print is 100.2 mm tall, above z_max of bench (100 mm): make the job for this printer, name the one it "
            "was made for, or correct z_max_mm of the entry",
        ),
        (
            job("G92 E0", TRAVEL, before=["M83", "G90", *BEFORE[1:]]),
            "extrusion_mode",
            "whether G90 and G91 also switch the extruder can't be told from the job; state g90_sets_extrusion for the "
            "printer, or write M82 or M83 behind each G90 and G91",
        ),
        (
            job(*PLAIN_GAP, before=["M104 S200", *BEFORE], after=["G1 X70 Y10 E0.5", "G1 X80.1"])[:-2],
            "cut_off",
            "suspected cut: the last line has no line end and the heaters are still on; upload the job again",
        ),
        (
            job(*PLAIN_GAP, after=["M600", "G1 X70 Y10 E0.5"])[:-1],
            "cut_off",
            "suspected cut: the last line has no line end and it extrudes; upload the job again",
        ),
        (
            job(*PLAIN_GAP, after=["G1 X70 Y10 E0.5"])[:-1],
            "cut_off",
            "suspected cut: the last line has no line end and it extrudes; upload the job again",
        ),
        (
            job(*PLAIN_GAP, after=["G1 X70 Y10 E0.5", "G1 X1"])[:-1],
            "cut_off",
            "suspected cut: the last line has no line end and is a move, and no heater was switched off that could "
            "tell the end of the job; upload the job again, or give it a line end if it is whole",
        ),
    ],
)
def test_each_refusal_says_what_was_seen_and_what_to_do(text, code, reason):
    """The job is held, nothing is written, the record knows that the job itself was refused."""
    result, out = run(text)
    assert (result.outcome, result.reason_code, result.reason) == ("held", code, reason)
    assert result.refused
    assert out == text


@pytest.mark.parametrize(
    "text",
    [
        gzip.compress(HEADERLESS, mtime=0),
        b"PK\x03\x04\x14\x00\x00\x00" + HEADERLESS,
        HEADERLESS.decode().encode("utf-16"),
        bytes(range(256)) * 4,
        b"\xff" * 3000,
        b"(" * 3000,
        b"G" * 3000,
    ],
)
def test_whatever_is_no_gcode_is_held_with_some_sentence(text):
    result, _ = run(text)
    assert result.outcome == "held"
    assert result.refused
    assert result.reason


@pytest.mark.parametrize("size", [(1 << 20) + 1, 5 << 20])
@pytest.mark.parametrize("fill", [b"G1 X5 ", b";" * 6, b"x" * 6])
def test_a_line_longer_than_a_mebibyte_is_refused(size, fill):
    """Before it fills the memory: nobody writes such lines, and a lost line end makes them."""
    result, _ = run(b"G28\n" + fill * (size // 6 + 1) + b"\n" + job())
    assert (result.outcome, result.reason_code) == ("held", "line_too_long")
    assert result.reason == "line 2: longer than 1 MiB; wanted lines of G-code: make the job anew"


def test_a_comment_of_twenty_thousand_bytes_is_no_reason():
    result, _ = run(job(";" + "k" * 21_000, *PLAIN_GAP))
    assert result.outcome == "rewritten"


def test_the_operator_chooses_what_becomes_of_a_refused_job():
    result, out = run(b"G28\n", replace(rules(), when_refused="unchanged"))
    assert (result.outcome, result.reason_code, result.refused) == ("unchanged", "nothing_printed", True)
    assert out == b"G28\n"


@pytest.mark.parametrize(
    "text",
    [
        job(*PLAIN_GAP)[:-1],
        job(*PLAIN_GAP, before=["M104 S200", "M140 S60", *BEFORE], after=[AFTER[0], "M104 S0", "M140 S0"])[:-1],
        job(*PLAIN_GAP, before=["M104 S200", *BEFORE], after=[AFTER[0], "END_PRINT"])[:-1],
        job(*PLAIN_GAP, before=["M104 S200", *BEFORE], after=[*AFTER, "G1 X1"])[:-1],
        job(*PLAIN_GAP, after=[AFTER[0], "G1 X1"]),
        job("M117 {not a template}", *PLAIN_GAP),
        job("; {if layer > 3}", *PLAIN_GAP),
        job("M207 S1 Z0", *PLAIN_GAP),
        job("M118 *done*", *PLAIN_GAP),
        job(*PLAIN_GAP, before=["O1000", "IF_HOT S1", "WHILE_HOT", "IFX", "G92.1", *BEFORE]),
    ],
)
def test_what_only_looks_like_a_fault_is_rewritten(text):
    """No final line end with heaters off or a macro; whole lines at the end; braces and stars in texts; no lift."""
    result, _ = run(text)
    assert result.outcome == "rewritten", result.reason
