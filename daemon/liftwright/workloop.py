"""The inside of a worker process: requests in, one finished file and a finding out for each job.

The loop is handed the core's `rewrite`, so that tests can put another in its place. A worker touches nothing but the
files a request names, all of them in the working folder; every outcome leaves what is to be handed on in one file,
synced, and the daemon only renames it. Whatever goes wrong in a job is reported, never swallowed.
"""

import ctypes
import errno
import json
import os
import signal
import socket
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from liftwright import states
from liftwright.besides import Maker, add_besides, remove_output
from liftwright.errors import JobError, UsageError
from liftwright.frames import Frames, pack
from liftwright.spool import faults
from liftwright.spool.durable import READ_FLAGS, copy_bytes, digest_of

TICK_S = 0.5
_PR_SET_PDEATHSIG = 1
Tick = Callable[[str, int, int], None]


class Core(Maker, Protocol):
    """What the loop needs of the core: rules from bytes, facts from outside the job, and the rewrite itself."""

    def rules(self, files: Mapping[str, bytes]) -> Any: ...

    def given(self, request: Mapping[str, Any]) -> Iterable[Any]: ...

    def rewrite(
        self, source: BinaryIO, sink: BinaryIO, rules: Any, given: Any, comment_keys: Mapping[str, str], tick: Tick
    ) -> Any: ...


class Worker:
    """One worker process; `serve` runs until the daemon closes the channel."""

    def __init__(self, channel: socket.socket, core: Core) -> None:
        self._channel = channel
        self._core = core
        self._rules: tuple[str, Any] = ("", None)

    def serve(self) -> None:
        """Answer requests in order, one at a time."""
        self._send({"kind": "ready"})
        frames = Frames()
        while piece := self._channel.recv(1 << 16):
            for request in frames.add(piece):
                self._answer(request)

    def _send(self, message: dict[str, Any]) -> None:
        self._channel.sendall(pack(message))

    def _answer(self, request: dict[str, Any]) -> None:
        job = request["id"]
        self._send({"kind": "begun", "id": job})
        clock = _Clock(lambda stage, done, total: self._send(_tick(job, stage, done, total)))
        try:
            finding = self._work(request, clock)
            finding["durations_s"] = clock.durations()
            self._send({"kind": "done", "id": job, "finding": finding})
        except OSError as error:
            _remove_all(request)
            if error.errno == errno.EFBIG:
                # A limit on the size of files: waiting would not help this job.
                self._send(
                    {"kind": "failed", "id": job, "words": f"its output is larger than files may be here: {error}"}
                )
                return
            words = f"{error.filename or request['out']}: {error.strerror}"
            self._send({"kind": "disk", "id": job, "errno": error.errno or 0, "words": words})
        except Exception as error:
            # Anything else is a fault of ours: the daemon counts it against the job and logs it.
            _remove_all(request)
            self._send({"kind": "failed", "id": job, "words": f"{type(error).__name__}: {error}"})

    def _work(self, request: dict[str, Any], clock: "_Clock") -> dict[str, Any]:
        faults.reach("work.open")
        source_fd = os.open(request["in"], READ_FLAGS)
        with os.fdopen(source_fd, "rb") as source, open(request["out"], "xb+", opener=_private) as sink:
            finding = self._decide(request, source, sink, clock)
            faults.reach("work.write")
            if finding.pop("copies_original"):
                clock("copy", 0, 1)
                _copy(request, source, sink, finding)
            faults.reach("work.sync")
            clock("sync", 0, 1)
            sink.flush()
            os.fsync(sink.fileno())
            finding["size_in"] = os.fstat(source_fd).st_size
            if not finding.get("in_folder"):
                finding["size_out"] = os.fstat(sink.fileno()).st_size
        if finding.get("in_folder"):
            os.unlink(request["out"])
        return finding

    def _decide(self, request: dict[str, Any], source: BinaryIO, sink: BinaryIO, clock: "_Clock") -> dict[str, Any]:
        if request["refusal"] is not None:
            code, words = request["refusal"]
            return _plain(states.HELD, code, words)
        if request["mode"] == "pause":
            return _plain(states.UNCHANGED, "paused", "a file named PAUSE lies in the share: nothing is rewritten")
        rules = self._rules_for(request["rules"])
        try:
            given = tuple(self._core.given(request))
            result = self._core.rewrite(source, sink, rules, given, request["comment_keys"], clock)
        except JobError as error:
            return _refused(error, rules)
        finding = {**_from_result(result, request["mode"], request["bad"], sink), "rules_sha256": rules.digest}
        rule = getattr(result.decision, "rule", None)
        if rule is not None:
            add_besides(self._core, request, source, rules, given, rule, finding, clock)
        return finding

    def _rules_for(self, path: str) -> Any:
        if self._rules[0] != path:
            files = json.loads(Path(path).read_bytes())
            self._rules = (path, self._core.rules({name: text.encode("latin-1") for name, text in files.items()}))
        return self._rules[1]


def join_daemon(arguments: Sequence[str]) -> socket.socket:
    """`--channel FD` → the channel; from here on this process dies with the daemon, whatever ends that one."""
    if len(arguments) != 2 or arguments[0] != "--channel":
        raise UsageError(f"found {' '.join(arguments) or 'no arguments'}; wanted --channel FD, as the daemon gives it")
    daemon = os.getppid()
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != daemon:
        # It died before the line above.
        raise SystemExit(0)
    return socket.socket(fileno=int(arguments[1]))


class _Clock:
    """The core's tick: remembers how long each stage took, and passes on a few ticks a second."""

    def __init__(self, send: Callable[[str, int, int], None]) -> None:
        self._send = send
        self._sent = self._since = time.monotonic()
        self._stage = "start"
        self._spent: dict[str, float] = {}

    def __call__(self, stage: str, done: int, total: int) -> None:
        now = time.monotonic()
        if stage != self._stage:
            self._spent[self._stage] = self._spent.get(self._stage, 0.0) + now - self._since
            self._stage, self._since = stage, now
        if now - self._sent >= TICK_S:
            self._sent = now
            self._send(stage, done, total)

    def durations(self) -> dict[str, float]:
        """Seconds by stage."""
        self("end", 1, 1)
        return {stage: round(spent, 6) for stage, spent in self._spent.items()}


def _tick(job: str, stage: str, done: int, total: int) -> dict[str, Any]:
    return {"kind": "tick", "id": job, "stage": stage, "done": int(done), "total": int(total)}


def _plain(outcome: str, code: str, reason: str) -> dict[str, Any]:
    return {"outcome": outcome, "reason_code": code, "reason": reason, "copies_original": True}


def _refused(error: JobError, rules: Any) -> dict[str, Any]:
    """The operator chose what becomes of a refused job; that it was refused stays in the record either way."""
    outcome = states.HELD if rules.when_refused == "held" else states.UNCHANGED
    return {**_plain(outcome, error.code, str(error)), "rules_sha256": rules.digest}


def _from_result(result: Any, mode: str, bad: str, sink: BinaryIO) -> dict[str, Any]:
    finding = {
        "outcome": result.outcome,
        "reason_code": result.reason_code,
        "reason": result.reason,
        "copies_original": result.outcome != states.REWRITTEN,
        "sha256_in": result.sha256_in,
        "sha256_out": result.sha256_out,
        **_details(result),
    }
    if result.outcome == states.REWRITTEN and mode == "observe":
        would_be = {"outcome": result.outcome, "sha256_out": result.sha256_out, "reason": result.reason}
        observed = _plain(
            states.UNCHANGED,
            "observed",
            "the daemon only observes: the job was planned and proved, and the original is handed on",
        )
        finding.update(observed, would_be=would_be)
    if finding["outcome"] == states.HELD and result.violations:
        finding["evidence"] = _keep_evidence(sink, bad)
    return finding


def _details(result: Any) -> dict[str, Any]:
    facts = result.facts.values() if isinstance(result.facts, Mapping) else result.facts
    return {
        "facts": [{"key": fact.key, "value": fact.value, "origin": fact.origin} for fact in facts],
        "counts": {key: int(value) for key, value in result.counts.items()},
        "travels": {key: int(value) for key, value in result.travels.items()},
        "measures": {key: float(value) for key, value in result.measures.items()},
        "details": dict(result.details),
        "warnings": [str(warning) for warning in result.warnings],
        "violations": [_text(violation) for violation in result.violations],
        "choice": _choice(result.decision),
    }


def _choice(decision: Any) -> dict[str, Any]:
    if decision is None:
        return {}
    names = {key: getattr(getattr(decision, key), "name", None) for key in ("rule", "printer", "material")}
    return {**names, "tried": [{"rule": rule, "found": found} for rule, found in decision.tried]}


def _text(violation: Any) -> str:
    if is_dataclass(violation) and not isinstance(violation, type):
        return ", ".join(f"{key} {value}" for key, value in asdict(violation).items())
    return str(violation)


def _keep_evidence(sink: BinaryIO, bad: str) -> bool:
    """The bytes that failed their proof, kept beside the original for whoever looks into it."""
    with open(bad, "xb", opener=_private) as target:
        sink.flush()
        return copy_bytes(sink.fileno(), target.fileno()) > 0


def _copy(request: dict[str, Any], source: BinaryIO, sink: BinaryIO, finding: dict[str, Any]) -> None:
    sink.seek(0)
    sink.truncate()
    sink.flush()
    copy_bytes(source.fileno(), sink.fileno())
    finding["sha256_out"] = digest_of(sink.fileno())
    finding["sha256_in"] = digest_of(source.fileno())
    if finding["sha256_in"] != finding["sha256_out"]:
        raise OSError(5, "the copy differs from what was read a moment ago", request["out"])


def _private(path: str, flags: int) -> int:
    return os.open(path, flags | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)


def _remove_all(request: Mapping[str, Any]) -> None:
    """Nothing that an attempt made outlives its failure."""
    for what in ("out", "trial", "page"):
        remove_output(Path(request[what]))
