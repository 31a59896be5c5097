"""What a rule asks for besides the rewritten job: a trial in its place, a page beside its record.

In: a job that was just rewritten, in a worker process. Out: files in the working folder, finished and synced, and
changes to the finding. Neither ever holds a job up: what can't be made becomes a warning of its record, and the job
goes on as it would have without.
"""

import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO, Protocol, TypeAlias

from liftwright import states

Tick = Callable[[str, int, int], None]
Known: TypeAlias = tuple[Any, Sequence[Any], Mapping[str, str]]  # rules, facts from outside, comment keys
_DETAILS_KEPT = ("g90_sets_extrusion",)


class Maker(Protocol):
    """What makes them; the worker's core has these two beside its rewrite."""

    def trial(
        self, source: BinaryIO, name: str, rules: Any, given: Sequence[Any], comment_keys: Mapping[str, str],
        folder: Path, tick: Tick,
    ) -> dict[str, Any]: ...  # fmt: skip

    def page(
        self, source: BinaryIO, name: str, rules: Any, given: Sequence[Any], comment_keys: Mapping[str, str],
        blind: bool, tick: Tick,
    ) -> bytes: ...  # fmt: skip


def add_besides(
    maker: Maker, request: Mapping[str, Any], source: BinaryIO, rules: Any, given: Sequence[Any], rule: Any,
    finding: dict[str, Any], tick: Tick,
) -> None:  # fmt: skip
    """Make what the rule asks for and tell it in `finding`; `rule` is the one that matched."""
    wants_trial = rule.trial is not None and request["mode"] == "rewrite"
    if finding["outcome"] == states.HELD or not (wants_trial or rule.picture):
        return
    name = Path(request["relative"]).name
    known = (rules, given, request["comment_keys"])
    if not request["besides"]:
        finding["warnings"] += ["no page and no trial were made, since an attempt at this job failed before"]
        return
    if wants_trial:
        _attempt(finding, "trial", lambda: _add_trial(maker, request, source, name, known, finding, tick))
    if rule.picture:
        blind = "trial" in finding["details"]
        _attempt(finding, "page", lambda: _add_page(maker, request, source, name, known, blind, finding, tick))


def _attempt(finding: dict[str, Any], what: str, make: Callable[[], None]) -> None:
    try:
        make()
    except OSError:
        # The disk's trouble is the daemon's to wait out; the whole job is done again.
        raise
    except Exception as error:
        finding["warnings"] += [f"no {what} was made: {type(error).__name__}: {error}"]


def _add_trial(
    maker: Maker, request: Mapping[str, Any], source: BinaryIO, name: str, known: Known,
    finding: dict[str, Any], tick: Tick,
) -> None:  # fmt: skip
    """A folder of arms takes the place of the job."""
    folder = Path(request["trial"])
    remove_output(folder)
    folder.mkdir(mode=0o750)
    try:
        trial = maker.trial(source, name, *known, folder, tick)
    except BaseException:
        shutil.rmtree(folder)
        raise
    size = sum(place.stat().st_size for place in folder.iterdir())
    details = {key: value for key, value in finding["details"].items() if key in _DETAILS_KEPT}
    finding.update(
        outcome=states.REWRITTEN,
        reason_code="trial",
        reason=f"{len(trial['arms'])} arms of trial {trial['trial']}, each proved, in place of the job",
        copies_original=False,
        sha256_out=None,
        size_out=size,
        in_folder=True,
        counts={},
        travels={},
        measures={},
        details={**details, "trial": trial},
    )


def _add_page(
    maker: Maker, request: Mapping[str, Any], source: BinaryIO, name: str, known: Known, blind: bool,
    finding: dict[str, Any], tick: Tick,
) -> None:  # fmt: skip
    data = maker.page(source, name, *known, blind, tick)
    with open(request["page"], "wb", opener=_private) as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    finding["details"] = {**finding["details"], "page": True}


def remove_output(place: Path) -> None:
    """Remove a finished or half-finished output, file or folder, if there is one."""
    if place.is_dir() and not place.is_symlink():
        shutil.rmtree(place)
    else:
        place.unlink(missing_ok=True)


def _private(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
