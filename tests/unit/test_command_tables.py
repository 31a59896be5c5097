"""What the command line prints: aligned, and safe to show on a terminal."""

import io
import sys

import pytest

from liftwright.command_progress import Progress, bar
from liftwright.command_tables import pairs, plain, table


def test_columns_stand_under_their_heads_and_numbers_to_the_right():
    text = table(("job", "lifted"), [("pot.gcode", 12), ("a.gcode", 7)])
    assert text.splitlines() == ["job        lifted", "pot.gcode      12", "a.gcode         7"]


def test_a_missing_number_stands_to_the_right_too():
    assert table(("lifted", "job"), [("-", "a"), (7, "-")]).splitlines()[1:] == ["     -  a", "     7  -"]


def test_a_table_without_rows_is_its_heads():
    assert table(("job", "lifted"), []) == "job  lifted"


def test_lines_are_cut_to_the_width_of_the_terminal():
    assert table(("reason",), [("no printer entry matches",)], width=11).splitlines()[1] == "no printer…"


@pytest.mark.parametrize(
    ("raw", "shown"),
    [
        ("pot\x1b[2J.gcode", "pot\\x1b[2J.gcode"),
        ("two\nlines", "two\\nlines"),
        ("\udcff.gcode", "\\udcff.gcode"),
        ("right\u202eleft", "right\\u202eleft"),
        ("Blüte 花", "Blüte 花"),
    ],
)
def test_nothing_from_a_file_reaches_the_terminal_as_a_command(raw, shown):
    """Escapes, line ends, undecodable bytes and direction marks are shown as text; letters stay as they are."""
    assert plain(raw) == shown


def test_pairs_line_up():
    assert pairs([("alive", "yes"), ("queue", 3)]) == "alive  yes\nqueue  3"


def test_the_bar_shows_the_share_done():
    assert bar("survey", 1, 2) == "survey   [###############...............]  50%"
    assert bar("proof", 0, 0).endswith("100%")


class _Terminal(io.StringIO):
    def isatty(self):
        return True


def test_no_bar_is_drawn_in_a_pipe(monkeypatch):
    pipe = io.StringIO()
    monkeypatch.setattr(sys, "stderr", pipe)
    monkeypatch.setattr("time.monotonic", iter([0.0, 50.0, 100.0]).__next__)
    progress = Progress()
    progress("survey", 1, 2)
    progress.close()
    assert pipe.getvalue() == ""


def test_a_bar_is_drawn_on_a_terminal_after_a_second_and_wiped_at_the_end(monkeypatch):
    terminal = _Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr("time.monotonic", iter([0.0, 0.5, 1.5, 1.5, 1.55]).__next__)
    progress = Progress()
    progress("survey", 1, 4)
    assert terminal.getvalue() == ""
    progress("survey", 2, 4)
    progress("survey", 3, 4)
    assert terminal.getvalue().count("survey") == 1
    assert " 50%" in terminal.getvalue()
    progress.close()
    assert terminal.getvalue().endswith("\r\x1b[K")
