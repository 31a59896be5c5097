"""`liftwright serve`: the settings in, the daemon until it is told to stop."""

import argparse

from liftwright import service
from liftwright.command_settings import need_settings


def serve(arguments: argparse.Namespace) -> int:
    """Run the daemon; 0 after an orderly stop."""
    return service.serve(need_settings(arguments))
