"""Is this a filament print that can be rewritten safely? Each refusal tells the user what was seen and what to change.

It sees the survey's counters and the first bytes, nothing else.
"""

from liftwright.errors import UnreadableJob, UnsupportedJob
from liftwright.job.columns import (
    S_BARE_G92,
    S_CHECKSUMS,
    S_COMMANDS,
    S_CROWDED,
    S_E_WORDS,
    S_FW_LIFT,
    S_HEATERS,
    S_INVERSE_TIME,
    S_LAST_IS_MACRO,
    S_NUL,
    S_NUMBERED,
    S_ON_OFF_EXTRUSION,
    S_OPTIONAL,
    S_ORIGINS,
    S_OTHER_AXES,
    S_PERCENT,
    S_SPINDLE,
    S_TEMPLATE,
)
from liftwright.job.survey import Survey

FEWEST_BEADS = 2  # a travel has a bead at both ends


def refuse_unfit(found: Survey, head: bytes) -> None:
    """Raise UnreadableJob or UnsupportedJob for a job that must not be rewritten; `head`: its first bytes."""
    state = found.state
    if found.size == 0:
        raise UnreadableJob("empty", "the file is empty; upload the job again")
    if state[S_NUL]:
        seen = "the file holds NUL bytes: it is binary, or its upload was not finished"
        raise UnreadableJob("nul_bytes", f"{seen}; upload it again, as plain G-code")
    if head.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<":
        seen = "the file begins with '<': it is a web page or a pointer to a file, not G-code"
        raise UnreadableJob("markup", f"{seen}; upload the job itself")
    if state[S_TEMPLATE]:
        line = int(state[S_TEMPLATE])
        seen = "found '{' or '['; a template was not filled in: make the job anew with values in their place"
        raise UnreadableJob("template", f"line {line}: {seen}", line)
    _refuse_other_trades(found)
    _refuse_dialects(found)  # before beads are counted: without E words the reason is the dialect
    if not found.ambiguous:
        refuse_empty(found)
    if not found.ends_in_newline and not state[S_LAST_IS_MACRO]:
        _refuse_cut(found)


def _refuse_cut(found: Survey) -> None:
    """The last line has no end: a whole job nevertheless if its heaters were switched off, or it ends in no move."""
    begin = "suspected cut: the last line has no line end and"
    if found.state[S_HEATERS] or found.ends_in_bead:
        seen = "the heaters are still on" if found.state[S_HEATERS] else "it extrudes"
        raise UnreadableJob("cut_off", f"{begin} {seen}; upload the job again")
    if found.ends_in_motion and found.nozzle_temperature == 0:
        seen = "is a move, and no heater was switched off that could tell the end of the job"
        raise UnreadableJob("cut_off", f"{begin} {seen}; upload the job again, or give it a line end if it is whole")


def refuse_empty(found: Survey) -> None:
    """Raise UnreadableJob where nothing is printed; where E words are ambiguous, only once their reading is known."""
    commands = int(found.state[S_COMMANDS])
    if found.beads < FEWEST_BEADS:
        what = f"{commands} commands, {found.beads} beads" if commands else "only comments"
        raise UnreadableJob(
            "nothing_printed", f"nothing is printed: found {what}; wanted extruding moves; upload a print"
        )


def _refuse_other_trades(found: Survey) -> None:
    state = found.state
    other_trade = state[S_SPINDLE] or state[S_PERCENT] or state[S_NUMBERED]
    if found.beads < FEWEST_BEADS and other_trade and not state[S_E_WORDS]:
        raise UnsupportedJob(
            "not_a_filament_print", "this is no filament print: spindle or numbered lines, no E words; upload one"
        )
    if state[S_OTHER_AXES] and not state[S_E_WORDS]:
        raise UnsupportedJob(
            "extruder_letter", "the filament moves on another letter than E; write the job for an extruder on E"
        )


def _refuse_dialects(found: Survey) -> None:
    state = found.state
    if state[S_NUMBERED] or state[S_CHECKSUMS]:
        raise UnsupportedJob(
            "numbered", "lines are numbered or carry checksums, which inserted lines would break; save without them"
        )
    if state[S_BARE_G92]:
        line = int(state[S_BARE_G92])
        seen = "G92 without an axis or a number means different things to firmwares"
        raise UnsupportedJob("bare_g92", f"line {line}: {seen}; write both", line)
    if state[S_OPTIONAL]:
        line = int(state[S_OPTIONAL])
        seen = "begins with '/', if, while or an O-word, so the machine may skip or repeat what follows"
        raise UnsupportedJob("optional_lines", f"line {line}: {seen}; save the job without", line)
    if state[S_CROWDED]:
        line = int(state[S_CROWDED])
        seen = "G20, G21, M82 or M83 shares its line with more, and firmwares don't agree on what they obey then"
        raise UnsupportedJob("crowded_line", f"line {line}: {seen}; give it a line of its own", line)
    if state[S_ORIGINS]:
        line = int(state[S_ORIGINS])
        seen = "sets another origin, scale or meaning of feed or of arcs (G10 L, G54, G90.1 and the like)"
        raise UnsupportedJob("other_origin", f"line {line}: {seen}; save the job without", line)
    if state[S_INVERSE_TIME]:
        raise UnsupportedJob("inverse_time", "G93 counts feed as inverse time; save the job with feed per minute (G94)")
    if state[S_ON_OFF_EXTRUSION]:
        raise UnsupportedJob("on_off_extrusion", "M101 to M103 switch extrusion on and off; save the job with E words")
    if state[S_FW_LIFT]:
        raise UnsupportedJob(
            "firmware_lift", "M207 Z makes the firmware lift by itself at G10, on top of ours; set M207 Z0"
        )
