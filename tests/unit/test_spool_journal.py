"""The journal: what is written is read back, what is torn is ignored, what is foreign is refused."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from liftwright import states
from liftwright.errors import DeliveryError
from liftwright.spool.journal import HEADER, Entry, Journal


def entry(number: int = 1) -> Entry:
    return Entry(f"20261125T104512-00000000{number:02d}", f"pots/\udcff{number}.gcode", side=(".tags.yaml",))


def test_an_entry_comes_back_with_its_odd_name_and_its_steps(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal")
    one = entry()
    journal.claim(one)
    journal.note("begun", one)
    journal.note("failed", one, why="it raised")
    journal.note("begun", one)
    journal.sync()
    journal.close()
    (back,) = Journal(tmp_path / "journal").entries.values()
    assert back == one
    assert back.interruptions == 1


def test_a_step_that_may_not_follow_is_refused(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal")
    one = entry()
    journal.claim(one)
    with pytest.raises(DeliveryError, match="is claimed; 'published' can't follow"):
        journal.note(states.PUBLISHED, one)
    journal.close()


def test_the_sets_of_states_agree() -> None:
    """Every state has its followers, and each follower is a state."""
    names = {states.CLAIMED, states.PROVED, states.PUBLISHED, states.CLOSED, states.DROPPED}
    assert set(states.MAY_FOLLOW) == names
    assert all(follower in names for followers in states.MAY_FOLLOW.values() for follower in followers)


@given(st.data())
def test_a_journal_cut_anywhere_gives_a_prefix_of_its_steps(tmp_path_factory: pytest.TempPathFactory, data) -> None:
    """A crash may cut the file at any byte: the entries are those of the whole lines before the cut."""
    place = tmp_path_factory.mktemp("cut") / "journal"
    journal = Journal(place)
    for number in range(5):
        journal.claim(entry(number))
        journal.sync()
    journal.close()
    whole = place.read_bytes()
    cut = data.draw(st.integers(len(HEADER), len(whole)))
    place.write_bytes(whole[:cut])
    journal = Journal(place)
    journal.close()
    lines = whole[:cut].count(b"\n") - 1
    assert list(journal.entries) == [entry(number).id for number in range(lines)]


@given(st.integers(0, 10_000), st.integers(1, 255))
def test_a_garbled_byte_costs_at_most_the_line_it_stands_in(
    tmp_path_factory: pytest.TempPathFactory, place: int, change: int
) -> None:
    folder = tmp_path_factory.mktemp("garbled")
    journal = Journal(folder / "journal")
    for number in range(3):
        journal.claim(entry(number))
    journal.sync()
    journal.close()
    data = bytearray((folder / "journal").read_bytes())
    at = len(HEADER) + place % (len(data) - len(HEADER))
    data[at] ^= change
    (folder / "journal").write_bytes(data)
    journal = Journal(folder / "journal")
    journal.close()
    # A garbled line end joins two lines: both are lost then, never misread.
    assert len(journal.entries) >= 1
    assert all(found == entry(int(job[-2:])) for job, found in journal.entries.items())


def test_a_journal_of_another_format_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "journal").write_bytes(b"liftwright journal 2\n")
    with pytest.raises(DeliveryError, match="wanted 'liftwright journal 1'"):
        Journal(tmp_path / "journal")
    assert (tmp_path / "journal").read_bytes() == b"liftwright journal 2\n"


def test_compaction_forgets_what_is_not_kept(tmp_path: Path) -> None:
    journal = Journal(tmp_path / "journal")
    for number in range(3):
        journal.claim(entry(number))
    journal.sync()
    journal.compact([journal.entries[entry(1).id]])
    journal.close()
    back = Journal(tmp_path / "journal")
    back.close()
    assert list(back.entries) == [entry(1).id]
