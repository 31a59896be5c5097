"""Whoever makes them: folders and the ledger of a share belong to the daemon."""

import os
from pathlib import Path

import pytest

from liftwright.spool import ledger
from liftwright.spool.durable import open_folder

NOBODY = 65534

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="only root can make what belongs to somebody else")


def test_what_root_makes_in_a_folder_belongs_to_its_owner(tmp_path: Path) -> None:
    """`liftwright release` and `verdict` are run by root, beside a daemon that must be able to write there later."""
    os.chown(tmp_path, NOBODY, NOBODY)
    os.close(open_folder(tmp_path, ("pots", "small"), make=True))
    ledger.append(tmp_path, [{"event": "released"}])
    for name in ("pots", "pots/small", ledger.NAME):
        info = (tmp_path / name).stat()
        assert (info.st_uid, info.st_gid) == (NOBODY, NOBODY), name
