"""What the README shows is what the program prints. `python tests/readme_output.py` brings the README up to date."""

from pathlib import Path

import pytest

from liftwright.command_outcome import SHOWN
from readme_output import STANDINGS, STANDINGS_COMMAND, output_of, prepare, shown


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place: Path = tmp_path_factory.mktemp("readme")
    prepare(place)
    return place


def test_the_readme_shows_outputs() -> None:
    assert len(shown()) >= 4


def test_every_output_shown_in_the_readme_is_real(folder: Path) -> None:
    """In order: a command may need what one before it wrote."""
    for command, output in shown():
        assert output_of(command, folder) == output, f"{command}: run python tests/readme_output.py"


def test_the_standings_beside_the_finished_trial_are_real(folder: Path) -> None:
    """They are invented verdicts, and what follows from them is not."""
    assert output_of(STANDINGS_COMMAND, folder) == STANDINGS.read_text(encoding="utf-8")


def test_the_summary_shows_every_quantity_it_names(folder: Path) -> None:
    """A key that the core no longer gives would vanish from the summary unseen."""
    said = output_of("liftwright explain jobs/bench-220/lattice-pot.gcode --rules rules", folder)
    assert not [name for name in SHOWN.values() if f"\n{name} " not in said]
    assert "the riskiest travels:" in said
