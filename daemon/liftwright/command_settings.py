"""Which settings count on the command line: those of --settings, else those of the installation, else none."""

import argparse
from pathlib import Path

from liftwright.command import SETTINGS_FILE
from liftwright.errors import UsageError
from liftwright.settings import Settings, load_settings


def find_settings(arguments: argparse.Namespace) -> Settings | None:
    """The settings asked for, else those of the installation, else None; RulesError lists their faults."""
    if arguments.settings is not None:
        return load_settings(Path(arguments.settings))
    installed = Path(SETTINGS_FILE)
    return load_settings(installed) if installed.exists() else None


def need_settings(arguments: argparse.Namespace) -> Settings:
    """The settings; UsageError when there are none."""
    settings = find_settings(arguments)
    if settings is None:
        raise UsageError(f"no settings: {SETTINGS_FILE} is not there; wanted that file, or --settings FILE")
    return settings
