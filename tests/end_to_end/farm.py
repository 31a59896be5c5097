"""One share in a temporary folder with a real daemon process on it, for the end-to-end tests.

Waits on the state of folders, never for a fixed time.
"""

import hashlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import yaml

from end_to_end.invariant import check_invariant, read_records
from liftwright.settings import FOLDERS, Settings, load_settings
from liftwright.spool import ledger
from liftwright.spool.durable import sync_folder
from liftwright.status import status

HERE = Path(__file__).parent
PATIENCE_S = 60.0
# The first start of the real core on a machine compiles its kernels.
COMPILING_S = 600.0

RULES = b"""\
printers:
  - name: gantry-300
    bed_mm: {x: [0, 300], y: [0, 300]}
    z_max_mm: 340
    z_speed_mm_s: 12
    z_accel_mm_s2: 120
    travel_accel_mm_s2: 3000
materials:
  - name: PETG
rules:
  - name: everything
    when: {}
    lift: {shape: triangle, height_mm: 0.4, min_travel_mm: 1.0}
when_unmatched: held
when_refused: held
"""

JOB = b""";nursery clip
;printer = gantry-300
G21
G90
M82
G28
G1 X10 Y10 Z0.2 F3000
G1 X20 Y10 E1 F1200
G1 E0.2 F1800
G1 X30 Y20 F9000
G1 E1 F1800
G1 X40 Y20 E2 F1200
"""


class Farm:
    """A share, its settings and its daemon; `uploads` remembers what was completely handed in."""

    def __init__(self, root: Path, worker: str = "stand-in", share: Path | None = None, **settings: object) -> None:
        self.root = root
        self.share = share or root / "share"
        self.root.mkdir(parents=True)
        self.share.mkdir(exist_ok=True)
        self.worker = worker
        self.process: subprocess.Popen[bytes] | None = None
        self.uploads: dict[str, bytes] = {}
        self.taken: dict[str, str] = {}
        self._number = 0
        self.settings = self.configure(**settings)
        self.folder("rules").mkdir(exist_ok=True)
        (self.folder("rules") / "10-all.yaml").write_bytes(RULES)

    def configure(self, **changes: object) -> Settings:
        values = {"share": str(self.share), "quiet_s": 0.3, "slots": 1, "free_space_floor_mb": 0, **changes}
        self.settings_file = self.root / "settings.yaml"
        self.settings_file.write_text(yaml.safe_dump(values))
        self.settings = load_settings(self.settings_file)
        return self.settings

    def folder(self, name: str) -> Path:
        return self.settings.folder(name)

    def make_folders(self) -> None:
        """As the installation does, for what is to lie there before the daemon's first start."""
        for name in FOLDERS:
            self.folder(name).mkdir(exist_ok=True)

    # The daemon.

    def start(self, environment: dict[str, str] | None = None, wait: bool = True, under: Sequence[str] = ()) -> None:
        log = (self.root / "daemon.log").open("ab")
        command = [*under, sys.executable, str(HERE / "run_daemon.py"), str(self.settings_file)]
        with log:
            self.process = subprocess.Popen(
                [*command, *(["stand-in"] if self.worker == "stand-in" else [])],
                stderr=log,
                stdout=log,
                stdin=subprocess.DEVNULL,
                env={**os.environ, **(environment or {})},
            )
        if wait:
            patience = PATIENCE_S if self.worker == "stand-in" else COMPILING_S
            self.wait_for(self.is_ready, "the daemon to be ready", patience)

    def is_ready(self) -> bool:
        found = self.status()
        # Of this daemon: the file may still be that of the one before.
        return bool(found["alive"] and found.get("ready") and found["pid"] == self.process.pid)

    def run_to_its_end(self, environment: dict[str, str] | None = None) -> int:
        """Start a daemon that is expected to end by itself; returns how it ended."""
        self.start(environment, wait=False)
        assert self.process is not None
        code = self.process.wait(PATIENCE_S)
        self.process = None
        return code

    def stop(self, number: int = signal.SIGTERM) -> int:
        """End the daemon with a signal and return its exit code; fine if none runs."""
        if self.process is None:
            return 0
        self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self.process = None
        return code

    def kill(self) -> None:
        self.stop(signal.SIGKILL)

    def status(self) -> dict:
        return status(self.settings)

    def log_lines(self, event: str | None = None) -> list[dict]:
        found = []
        for line in (self.root / "daemon.log").read_bytes().decode("ascii").splitlines():
            text = re.sub(r"^<\d>", "", line)
            if text.startswith("{"):
                found.append(json.loads(text))
        return [line for line in found if event is None or line["event"] == event]

    # People.

    def job(self, extra: bytes = b"", size: int = 0) -> bytes:
        """A job unlike any other."""
        self._number += 1
        body = JOB + b";number %d of %d\n" % (self._number, os.getpid()) + extra
        filler = b"G1 X10 Y10 E1 ; a bead that fills the job up to its size\n"
        return body + filler * max(0, (size - len(body)) // len(filler) + (size > 0))

    def drop(self, name: str, data: bytes | None = None, expected: bool = True) -> bytes:
        """Copy a file into the inbox as a plain program does, in one go."""
        data = self.job() if data is None else data
        place = self.folder("inbox") / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(data)
        if expected:
            self.expect(data)
        return data

    def drop_durably(self, name: str, data: bytes | None = None) -> bytes:
        """As a file server does whose clients ask for it: synced under another name, then renamed, then synced."""
        data = self.job() if data is None else data
        part = self.folder("inbox") / f"{name}.part"
        part.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as upload:
            upload.write(data)
            upload.flush()
            os.fsync(upload.fileno())
        part.rename(part.with_name(Path(name).name))
        sync_folder(part.parent)
        self.expect(data)
        return data

    def expect(self, data: bytes) -> None:
        """DATA was handed in completely: it must never be lost."""
        self.uploads[hashlib.sha256(data).hexdigest()] = data

    # Waiting and looking.

    def wait_for(self, found: Callable[[], object], what: str, patience: float = PATIENCE_S) -> None:
        until = time.monotonic() + patience
        while not found():
            if self.process is not None and self.process.poll() is not None and not found():
                raise AssertionError(
                    f"the daemon ended with {self.process.returncode}, waiting for {what}\n{self.tail()}"
                )
            if time.monotonic() > until:
                raise AssertionError(f"waited {patience} s in vain for {what}\n{self.tail()}\n{self.tree()}")
            time.sleep(0.02)

    def is_at_work(self) -> bool:
        """Whether a worker has begun a job: the status says so as well, up to two seconds later."""
        return any(self.folder("working").glob("*.out"))

    def tail(self) -> str:
        return (self.root / "daemon.log").read_text(errors="replace")[-3000:]

    def tree(self) -> str:
        return "\n".join(str(path.relative_to(self.share)) for path in sorted(self.share.rglob("*"))[:60])

    def records(self) -> list[dict]:
        return read_records(self.settings)

    def wait_for_records(self, count: int, patience: float = PATIENCE_S) -> list[dict]:
        # The line in the ledger is the last that is written of a job.
        def ended() -> bool:
            return sum(event["event"] == "job" for event in ledger.events(self.folder("records"))) >= count

        self.wait_for(ended, f"{count} records", patience)
        return self.records()

    def record_of(self, name: str) -> dict:
        return next(record for record in self.records() if record["name"] == name)

    def outbox(self) -> dict[str, bytes]:
        root = self.folder("outbox")
        return {str(path.relative_to(root)): path.read_bytes() for path in sorted(root.rglob("*")) if path.is_file()}

    def check(self, good: bool = True) -> None:
        """The invariant; GOOD: a good file dropped next is processed, then the daemon is stopped in good order."""
        if good:
            if self.process is None:
                self.start()
            before = sum(event["event"] == "job" for event in ledger.events(self.folder("records")))
            self.drop(f"good-{self._number}.gcode")
            self.wait_for_records(before + 1)
            name = f"good-{self._number - 1}.gcode"
            self.wait_for(lambda: any(r["name"] == name for r in self.records()), f"{name} to be processed")
            assert self.stop() == 0, self.tail()
        check_invariant(self.settings, self.uploads, self.taken)
