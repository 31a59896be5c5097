"""The rules that ship with the project load, and do what their comments say."""

import re
from pathlib import Path

import pytest

from liftwright.job.facts import Fact
from liftwright.rules.load import load_rules
from liftwright.rules.match import match

FOLDER = Path(__file__).parents[2] / "rules"
FILES = {path.name: path.read_bytes() for path in FOLDER.glob("*.yaml")}
RULES = load_rules(FILES)


def decide(**values: str | float) -> str | None:
    facts = {key: Fact(key, value, "test") for key, value in {"printer": "bench-220", **values}.items()}
    rule = match(RULES, facts).rule
    return rule.name if rule else None


def test_the_shipped_set_holds_six_printers_and_seven_materials() -> None:
    assert sorted(FILES) == ["10-printers.yaml", "20-materials.yaml", "30-rules.yaml"]
    assert len(RULES.printers) == 6
    assert [material.name for material in RULES.materials] == ["PLA", "PETG", "ABS", "ASA", "TPU", "PA", "PC"]


@pytest.mark.parametrize(
    ("name", "speed", "accel"),
    [("bench-220", 5, 100), ("quick-300", 15, 100), ("belted-250", 20, 1000), ("cabinet-180", 10, 100)],
)
def test_z_limits_are_pairs_that_published_sample_configurations_hold(name: str, speed: float, accel: float) -> None:
    """Klipper sample configurations at commit 84104bbb, kinematics cartesian or corexy, 98 files: pairs (mm/s, mm/s²)
    (5, 100) 46 times, (10, 100) 7, (15, 100) 4, (20, 1000) 2."""
    printer = next(printer for printer in RULES.printers if printer.name == name)
    assert (printer.z_speed_mm_s, printer.z_accel_mm_s2) == (speed, accel)


@pytest.mark.parametrize(
    ("model", "material", "rule"),
    [
        ("lattice-pot-12", "PETG", "lattice pots in a stringy material"),
        ("lattice-pot-12", "PLA", "lattice pots"),
        ("hose-bracket", "ASA", "hose brackets that curl"),
        ("hose-bracket", "PLA", "everything else"),
        ("seed-tray-clips-x40", "PLA", "seed-tray clips"),
        ("tall stake", "PLA", "tall stakes"),
        ("calibration cube", "PETG", "leave test prints alone"),
        ("watering can", "PC", "everything else"),
    ],
)
def test_models_of_the_nursery_come_to_their_rules(model: str, material: str, rule: str) -> None:
    assert decide(model=model, material=material) == rule


def test_slender_parts_are_found_by_their_measures_alone() -> None:
    assert decide(slenderness=7.0) == "anything as slender as a stake"
    assert decide(slenderness=5.0) == "everything else"


def test_a_belted_machine_lifts_soft_parts_its_own_way() -> None:
    assert decide(printer="belted-250", material="TPU") == "soft parts on belted machines"


@pytest.mark.parametrize(
    "written", ["PETG black", "petg-clear", "PCTG", "PA12-CF", "Nylon 6", "ABS+", "PLA pro", "TPE 83A"]
)
def test_the_usual_ways_to_write_a_material_find_their_entry(written: str) -> None:
    """Common practice, no source."""
    facts = {"material": Fact("material", written, "test"), "printer": Fact("printer", "bench-220", "test")}
    assert match(RULES, facts).material is not None


@pytest.mark.parametrize("written", ["pattern", "PACKAGE", "plastic", "PCB"])
def test_words_that_only_begin_alike_are_no_material(written: str) -> None:
    facts = {"material": Fact("material", written, "test"), "printer": Fact("printer", "bench-220", "test")}
    assert match(RULES, facts).material is None


def test_what_cannot_be_rewritten_is_held_and_what_nobody_described_passes() -> None:
    assert (RULES.when_refused, RULES.when_unmatched) == ("held", "unchanged")


def test_the_files_warn_where_they_can_do_harm_and_call_assumptions_by_their_name() -> None:
    texts = {name: re.sub(r"\s*#\s*", " ", data.decode()) for name, data in FILES.items()}
    assert all("CAUTION" in text for text in texts.values())
    assert "assumptions to begin with, not measurements" in texts["20-materials.yaml"]
    assert texts["10-printers.yaml"].count("counted in published firmware sample configurations") >= 5
