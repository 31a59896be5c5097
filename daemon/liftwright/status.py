"""How the daemon is doing, for people and for monitoring: written every two seconds, read by `liftwright status`."""

import json
import os
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from liftwright import places
from liftwright.settings import Settings
from liftwright.spool.durable import replace_file
from liftwright.spool.inbox import Sighting, kind_of
from liftwright.spool.names import printable
from liftwright.spool.passage import WHY
from liftwright.spool.writing import VERSION, now_text

if TYPE_CHECKING:
    from liftwright.service import Daemon

NAME = "status.json"
SHOWN = 20
STALE_S = 30.0


def status(settings: Settings) -> dict[str, Any]:
    """What the daemon last wrote, with `alive` (it holds the lock and wrote lately) and `age_s` worked out now."""
    alive = places.is_locked(settings)
    try:
        found: dict[str, Any] = json.loads((settings.folder("working") / NAME).read_bytes())
    except (OSError, ValueError):
        words = "the daemon is starting" if alive else "the daemon has not run here yet"
        return {"alive": alive, "age_s": None, "summary": words}
    age = (datetime.now(UTC) - datetime.fromisoformat(found["written"])).total_seconds()
    found.update(alive=alive, age_s=round(age, 1), hangs=alive and age > STALE_S)
    if not alive:
        found["summary"] = "the daemon does not run"
    return found


def forget_status(settings: Settings) -> None:
    """Remove what the daemon before wrote: it says nothing of this one."""
    (settings.folder("working") / NAME).unlink(missing_ok=True)


def write_status(settings: Settings, found: dict[str, Any]) -> None:
    """Replace the status file; it is a view, not a record: not synced."""
    text = json.dumps(found, indent=1, ensure_ascii=True)
    replace_file(settings.folder("working") / NAME, text.encode("ascii"), durable=False)


def gather_status(daemon: "Daemon") -> dict[str, Any]:
    """Everything there is to say; sizes in MB, times in s."""
    now = time.monotonic()
    rules = daemon.rulebook.rules
    waiting = list(daemon.intake.inbox.seen.values())
    jobs = [seen for seen in waiting if kind_of(seen.relative, daemon.settings) == "job"]
    found = {
        "written": now_text(),
        "pid": os.getpid(),
        "version": VERSION,
        "alive_since_s": round(now - daemon.started, 1),
        "ready": daemon.pulse.ready,
        "mode": "pause" if daemon.settings.pause_file.exists() else daemon.settings.mode,
        "in_inbox": len(jobs),
        "in_inbox_longest_s": round(max((seen.quiet(now) for seen in jobs), default=0.0), 1),
        "waiting": [_waiting(seen, now) for seen in waiting[:SHOWN]],
        "claimed": len(daemon.crew.queue) + len(daemon.intake.unsettled) + len(daemon.crew.found) + len(daemon.proved),
        "working": [_working(slot) for slot in daemon.crew.slots if slot.begun],
        "workers": [slot.process.pid for slot in daemon.crew.slots],
        "held": held_count(daemon.settings),
        "last_job": daemon.last_job or None,
        "rules_sha256": rules.digest if rules else None,
        "rules_broken": daemon.rulebook.broken or None,
        "watching": daemon.watch.degraded or "events and listings",
        "degraded": bool(daemon.watch.degraded),
        "free_mb": round(places.free_mb(daemon.settings)),
        "trouble": daemon.trouble.why or daemon.intake.trouble.why or None,
    }
    found["summary"] = _summary(found)
    return found


def held_count(settings: Settings) -> int:
    """How many jobs are held: each has its .why.txt. Counted one by one, however many nobody has dealt with."""
    return _count(settings.folder("held"))


def _count(folder: Path | str) -> int:
    found = 0
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir(follow_symlinks=False):
                found += _count(entry.path)
            else:
                found += entry.name.endswith(WHY)
    return found


def _waiting(seen: Sighting, now: float) -> dict[str, Any]:
    return {"name": printable(seen.relative)[0], "quiet_s": round(seen.quiet(now), 1), "why": seen.why or "settling"}


def _working(slot: Any) -> dict[str, Any]:
    return {"job": slot.begun, "doing": slot.doing, "pid": slot.process.pid}


def _summary(found: dict[str, Any]) -> str:
    if found["trouble"]:
        return found["trouble"]  # type: ignore[no-any-return]
    if found["rules_broken"]:
        return "the rules are broken: see RULES-BROKEN.txt beside them"
    return f"{found['in_inbox']} in the inbox, {len(found['working'])} in work, {found['held']} held"
