"""Faults on purpose, for tests only: inert unless LIFTWRIGHT_TEST_FAULT is set when the process starts.

`LIFTWRIGHT_TEST_FAULT=die:STEP:N` ends the process with SIGKILL the N-th time it comes to STEP (1 = first);
`LIFTWRIGHT_TEST_FAULT=ENOSPC:STEP:N` raises that OSError there the first N times. `hang:STEP:N` stops for ever the
N-th time; `slow:STEP:N` lasts N seconds each time. STEP `*` stands for every step.
With LIFTWRIGHT_TEST_FAULT_MARK=PATH a death happens once in all processes together: the one that makes PATH dies.
Each step of the passage of a job calls `reach` with its name; `STEPS` names them all, so that a test can go through
the list and none is forgotten.
"""

import errno
import os
import signal
import time

STEPS = (
    "claim.journal",
    "claim.rename",
    "claim.side",
    "claim.sync",
    "work.open",
    "work.write",
    "work.sync",
    "prove.journal",
    "publish.folder",
    "publish.rename",
    "publish.why",
    "publish.sync",
    "published.journal",
    "close.original",
    "close.record",
    "close.ledger",
    "close.journal",
    "compact.write",
    "compact.rename",
    "recover.entry",
    "sync",
)

_plan = os.environ.get("LIFTWRIGHT_TEST_FAULT", "").split(":")
_kind, _step, _count = _plan if len(_plan) == 3 else ("", "", "0")
_left = float(_count)
_mark = os.environ.get("LIFTWRIGHT_TEST_FAULT_MARK", "")


def reach(step: str) -> None:
    """Say that STEP is about to be done; does nothing unless a test planned a fault there."""
    if not _kind or _step not in (step, "*"):
        return
    _carry_out(step)


def _carry_out(step: str) -> None:
    global _left
    if _kind == "slow":
        time.sleep(_left)
        return
    if _left <= 0:
        return
    _left -= 1
    if _kind == "hang":
        time.sleep(0 if _left else 1e6)
    elif _kind != "die":
        raise OSError(getattr(errno, _kind), f"{os.strerror(getattr(errno, _kind))} (planned by a test)", step)
    elif _left == 0 and _is_first():
        os.kill(os.getpid(), signal.SIGKILL)


def _is_first() -> bool:
    if not _mark:
        return True
    try:
        os.close(os.open(_mark, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except FileExistsError:
        return False
    return True
