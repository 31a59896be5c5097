"""The README keeps up with the program: commands, options, exit codes, rule keys, files it names."""

import argparse
import ast
import re
import shlex
import tomllib
from pathlib import Path

import pytest
import yaml

from liftwright import errors
from liftwright.command import EXIT_CODES, build_parser
from liftwright.errors import JobTooLarge, UnreadableJob, UnsupportedJob
from liftwright.plan.travels import REASONS
from liftwright.rules.key_table import keys_table
from liftwright.settings import Folders, Settings, load_settings
from readme_output import KEYS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def _commands() -> dict[str, argparse.ArgumentParser]:
    parser = build_parser()
    (action,) = (a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
    return dict(action.choices)


def _summaries() -> dict[str, str]:
    (action,) = (a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction))
    return {choice.dest: choice.help or "" for choice in action._choices_actions}


def _section(name: str) -> str:
    """The text of README under the heading `### liftwright NAME`, up to the next heading."""
    match = re.search(rf"^### liftwright {name}$(.*?)(?=^##)", README, re.MULTILINE | re.DOTALL)
    return match.group(1) if match else ""


def _options() -> list[tuple[str, str]]:
    return [
        (name, option)
        for name, parser in _commands().items()
        for action in parser._actions
        for option in (action.option_strings[-1:] or [action.metavar])
        if option != "--help"
    ]


@pytest.mark.parametrize("name", _commands())
def test_every_command_has_a_section_in_the_readme(name):
    assert _section(name), f"README.md lacks the heading `### liftwright {name}`"


@pytest.mark.parametrize(("name", "option"), _options())
def test_every_option_of_a_command_stands_in_its_section(name, option):
    assert str(option) in _section(name)


@pytest.mark.parametrize("name", _commands())
def test_every_command_and_option_has_help(name):
    assert _summaries()[name]
    parser = _commands()[name]
    assert parser.description
    assert all(action.help for action in parser._actions)


def _exit_codes() -> set[int]:
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type) and hasattr(kind, "exit_code")]
    return {0, *(kind.exit_code for kind in kinds)}


@pytest.mark.parametrize("code", sorted(_exit_codes()))
def test_every_exit_code_stands_in_the_readme_and_in_the_help(code):
    assert re.search(rf"^\| `?{code}`? ", README, re.MULTILINE)
    assert re.search(rf"^ +{code} ", EXIT_CODES, re.MULTILINE)


def test_the_table_of_rule_keys_is_the_one_made_from_the_models():
    match = KEYS.search(README)
    assert match, "README.md lacks the marks around the table of rule keys"
    assert match.group(2) == keys_table(), "run python tests/readme_output.py"


def _shown_commands() -> list[str]:
    return re.findall(r"^ *\$ (liftwright .*)$", README, re.MULTILINE)


@pytest.mark.parametrize("line", _shown_commands())
def test_every_command_line_shown_can_be_parsed(line):
    """A shown command that argparse refuses would leave with SystemExit."""
    words = shlex.split(line.partition(" | ")[0], comments=True)[1:]
    if words != ["--help"]:
        build_parser().parse_args(words)


def test_commands_are_shown():
    assert len(_shown_commands()) >= len(_commands())


@pytest.mark.parametrize(("where", "text"), [("README.md", README), ("DEVELOPERS.md", DEVELOPERS)])
def test_every_file_of_ours_named_in_the_documents_exists(where, text):
    named = set(re.findall(r"(?<![\w/])(?:daemon|tests|examples|rules|systemd|\.ci)/[\w./-]*\w", text))
    assert named
    assert not [name for name in sorted(named) if not (ROOT / name).exists()]


def test_the_trade_word_for_a_lift_stands_in_the_readme_once():
    assert len(re.findall(r"z[- ]?hop", README, re.IGNORECASE)) == 1


def test_the_cautions_are_in_the_readme():
    """Heat, motion and fire; and who has the last word."""
    for word in ("burn", "crush", "fire", "unattended", "manual", "local codes", "qualified people"):
        assert word in README


EXAMPLE = ROOT / "examples" / "settings.yaml"


def test_the_example_settings_load_and_state_the_defaults() -> None:
    assert load_settings(EXAMPLE) == Settings(share="/srv/farm")


def test_the_example_settings_name_every_key() -> None:
    """Those that are commented out are tried too."""
    text = re.sub(r"^# ((?:\w+:| {2}\w+:).*)$", r"\1", EXAMPLE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    found = yaml.safe_load(text)
    assert set(found) == set(Settings.model_fields)
    assert set(found["folders"]) == set(Folders.model_fields)


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = [*project["dependencies"], *project["optional-dependencies"]["tests"]]
    names = {re.split(r"[<>=]", entry)[0] for entry in needed if not entry.startswith("types-")}
    assert not [name for name in sorted(names) if name not in DEVELOPERS]


REFUSALS = (UnreadableJob, UnsupportedJob, JobTooLarge)


def _refusal_codes() -> set[str]:
    """The first argument wherever a refusal of a job is raised, read from the source."""
    kinds = {kind.__name__ for kind in REFUSALS}
    found = set()
    for path in (ROOT / "daemon").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in kinds:
                code = node.args[0]
                found |= {code.value} if isinstance(code, ast.Constant) else set()
    return found


def test_every_refusal_stands_in_the_readme_under_its_code() -> None:
    codes = _refusal_codes()
    assert "cut_off" in codes
    assert _named("| code | the job |") >= {f"`{code}`" for code in codes}


def test_every_reason_to_leave_a_travel_stands_in_the_readme() -> None:
    """But for two that no record shows: a free travel, and one without a way."""
    assert _named("| reason | the travel |") >= set(REASONS) - {"free", "no way"}


def _named(head: str) -> set[str]:
    """What the first column of the table under this head names; a cell may name several, with commas between."""
    rows = README.partition(head)[2].partition("\n\n")[0].splitlines()
    return {name.strip() for row in rows if row.startswith("| ") for name in row.split("|")[1].split(",")}
