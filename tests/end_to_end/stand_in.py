"""A worker with a small core in place of the real one, so that tests of the shell can order any misbehaviour.

A job orders it by a line `;stand-in WORD [SECONDS]`. Without one it is "rewritten": a line is added at its end.
"""

import ctypes
import hashlib
import os
import sys
import time
from types import SimpleNamespace

from liftwright.errors import UnreadableJob
from liftwright.workloop import Worker, join_daemon

ADDED = b";stand-in was here\n"


class StandInCore:
    def rules(self, files):
        # Reading them properly would cost each start of a worker more than all the rest of it.
        text = b"".join(files.values())
        choice = "held" if b"when_refused: held" in text else "unchanged"
        return SimpleNamespace(when_refused=choice, digest=hashlib.sha256(text).hexdigest())

    def given(self, request):
        return [SimpleNamespace(key="folder", value=request["relative"].rpartition("/")[0], origin="folder")]

    def rewrite(self, source, sink, rules, given, comment_keys, tick):
        total = hashlib.sha256()
        order: list[str] = []
        while line := source.readline(1 << 20):
            total.update(line)
            if line.startswith(b";stand-in ") and line != ADDED:
                order = line.decode().split()[1:]
            sink.write(line)
            tick("write", sink.tell(), 0)
        reason = "the stand-in added a line"
        outcome = obey(order, rules) if order else "rewritten"
        if outcome == "rewritten":
            sink.write(ADDED)
        sink.flush()
        sink.seek(0)
        digest = hashlib.file_digest(sink, "sha256").hexdigest()
        return SimpleNamespace(
            outcome=outcome,
            reason_code="stand_in",
            reason=reason,
            facts=given,
            decision=None,
            counts={"rewritten": 1},
            travels={},
            measures={},
            details={},
            warnings=(),
            sha256_in=total.hexdigest(),
            sha256_out=digest if outcome == "rewritten" else total.hexdigest(),
            violations=("promise 1: a bead moved",) if order[:1] == ["unproved"] else (),
        )


def obey(order: list[str], rules) -> str:
    seconds = float(order[1]) if len(order) > 1 else 3600.0
    match order[0]:
        case "exit":
            os._exit(3)
        case "segfault":
            ctypes.string_at(0)
        case "hang":
            time.sleep(seconds)
        case "eat":
            eaten = []
            while True:
                eaten.append(bytearray(b"x" * 20_000_000))
                time.sleep(0.01)
        case "raise":
            raise RuntimeError("ordered by the job")
        case "refuse":
            raise UnreadableJob("ordered", "the job ordered its refusal", 1)
        case "hold" | "unproved":
            return "held"
        case "unchanged":
            return "unchanged"
    return "rewritten"


if __name__ == "__main__":
    Worker(join_daemon(sys.argv[1:]), StandInCore()).serve()
