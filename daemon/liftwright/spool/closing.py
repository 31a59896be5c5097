"""The end of a job: its upload goes into originals/, its record and its ledger line are written.

The ledger is durable at once. Records are synced later, all together, before the journal forgets their jobs: until then
the journal holds all that is needed to write them again.
"""

import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

from liftwright.evidence import trial_record
from liftwright.evidence.script import script
from liftwright.evidence.trial_record import Trial
from liftwright.settings import Settings
from liftwright.spool import faults, ledger
from liftwright.spool.durable import open_folder, rename_new, replace_file, sync, sync_folder
from liftwright.spool.journal import Entry
from liftwright.spool.names import day_of
from liftwright.spool.record import Record, to_bytes
from liftwright.spool.writing import ledger_line


class Closing:
    """What was written of ended jobs and is not durable yet; FOLDER = the open working folder."""

    def __init__(self, settings: Settings, folder: int) -> None:
        self._settings = settings
        self._folder = folder
        self._in_ledger: set[str] = set()
        self._unsynced: list[Path] = []

    def keep_originals(self, entries: Sequence[Entry]) -> None:
        """Move the uploads and side files into originals/, under the numbers of their jobs, durably."""
        for entry in entries:
            faults.reach("close.original")
            self._keep_original(entry)
        for day in {day_of(entry.id) for entry in entries}:
            sync_folder(self._settings.folder("originals") / day)

    def _keep_original(self, entry: Entry) -> None:
        folder = open_folder(self._settings.folder("originals"), (day_of(entry.id),), make=True)
        try:
            for ending, kept in ((".in", _suffix(entry, self._settings)), *((one, one) for one in entry.side)):
                try:
                    rename_new(self._folder, entry.id + ending, folder, entry.id + kept)
                except FileNotFoundError:
                    # Moved by the run that crashed.
                    continue
        finally:
            os.close(folder)

    def write_records(self, records: Sequence[Record]) -> None:
        """Records and ledger lines; only the ledger is durable afterwards."""
        if not records:
            return
        events = []
        for record in records:
            faults.reach("close.record")
            data = to_bytes(record)
            path = record_path(self._settings, record.id)
            if not path.parent.is_dir():
                os.close(open_folder(self._settings.folder("records"), (path.parent.name,), make=True))
            replace_file(path, data, durable=False)
            self._unsynced.append(path)
            if "trial" in record.details:
                self._write_trial(record)
            if record.id not in self._in_ledger:
                events.append(ledger_line(record, hashlib.sha256(data).hexdigest()))
        faults.reach("close.ledger")
        ledger.append(self._settings.folder("records"), events)
        self._in_ledger.update(record.id for record in records)

    def _write_trial(self, record: Record) -> None:
        """The key of a trial in a file of its own, for the verdicts; all of it stands in the record as well."""
        # One folder deeper than the records, which are told by where they lie.
        parts = ("trials", day_of(record.id))
        os.close(open_folder(self._settings.folder("records"), parts, make=True))
        path = self._settings.folder("records").joinpath(*parts) / f"{record.id}{trial_record.ENDING}"
        replace_file(path, trial_record.to_bytes(Trial.model_validate(record.details["trial"])), durable=False)
        self._unsynced.append(path)

    def put_page(self, job: str, page: Path) -> None:
        """Move a job's page beside its record, and see to the script that the pages share."""
        try:
            os.replace(page, record_path(self._settings, job).with_suffix(".html"))
        except FileNotFoundError:
            # Moved by the run that crashed.
            return
        drawing = script()
        place = self._settings.folder("records") / drawing.name
        if not place.exists():
            replace_file(place, drawing.data)

    def know_ledger(self) -> None:
        """Read which jobs the ledger already holds, so that recovery writes none twice."""
        self._in_ledger = ledger.jobs_in(self._settings.folder("records"))

    def make_durable(self) -> None:
        """Sync every record written since the last time."""
        for path in self._unsynced:
            _sync_file(path)
        for folder in {path.parent for path in self._unsynced}:
            sync_folder(folder)

    def forget(self) -> None:
        """The journal has forgotten these jobs: none of them comes here again."""
        self._unsynced.clear()
        self._in_ledger.clear()


def record_path(settings: Settings, job: str) -> Path:
    """Where the record of a job stands."""
    return settings.folder("records") / day_of(job) / f"{job}.json"


def _suffix(entry: Entry, settings: Settings) -> str:
    """The kept upload's suffix: one of the known ones, or `.upload` for whatever else came."""
    lower = entry.relative.lower()
    return next((suffix for suffix in settings.suffixes if lower.endswith(suffix)), ".upload")


def _sync_file(path: Path) -> None:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        # Retention was quicker.
        return
    try:
        sync(fd)
    finally:
        os.close(fd)
