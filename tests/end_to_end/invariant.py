"""The one checker that ends every torture test: what must be true of a share after anything whatsoever.

1. Every upload is in the inbox or in working/, or has exactly one final record and its bytes in originals/.
2. The outbox holds whole files only: each is named by one record, and its hash stands there; nothing was published
   twice. (A test that plays a consumer gives the files it took.)
3. held/ holds copies with a .why.txt each; the ledger's chain and the records agree.
4. Nothing of ours is left where people look: no temporary name in outbox/ and held/.
"""

import hashlib
import json
import os
from collections import Counter
from pathlib import Path

from liftwright.settings import Settings
from liftwright.spool import ledger
from liftwright.spool.names import ID


def check_invariant(settings: Settings, uploads: dict[str, bytes], taken: dict[str, str] | None = None) -> None:
    """UPLOADS: sha256 → one upload's bytes, every one that was completely handed in. TAKEN: outbox name → sha256."""
    records = read_records(settings)
    check_uploads(settings, uploads, records)
    check_outbox(settings, records, taken or {})
    check_held(settings)
    faults = ledger.verify(settings.folder("records")) if records else []
    assert not faults, faults


def read_records(settings: Settings) -> list[dict]:
    records = [json.loads(path.read_bytes()) for path in sorted(settings.folder("records").glob("*/*.json"))]
    ids = Counter(record["id"] for record in records)
    assert all(count == 1 for count in ids.values()), ids
    return records


def check_uploads(settings: Settings, uploads: dict[str, bytes], records: list[dict]) -> None:
    waiting = Counter(digest(path) for path in files(settings.folder("inbox")))
    waiting.update(digest(path) for path in files(settings.folder("working")) if is_claimed(path))
    kept = {(path.name.partition(".")[0], digest(path)) for path in files(settings.folder("originals"))}
    ended = Counter()
    for record in records:
        if record["sha256_in"] is not None:
            found = (record["id"], record["sha256_in"]) in kept
            assert found, f"{record['name']}: recorded, but its bytes are not in originals/"
            ended[record["sha256_in"]] += 1
        else:
            # Held unread: its bytes are there all the same.
            ended.update(sha for job, sha in kept if job == record["id"])
    for sha, data in uploads.items():
        places = waiting[sha] + ended[sha]
        assert places == 1, f"upload {sha[:12]} ({len(data)} bytes) is in {places} places, wanted 1"


def check_outbox(settings: Settings, records: list[dict], taken: dict[str, str]) -> None:
    published = {}
    for record in records:
        if record["delivered"]["folder"] == "outbox":
            name = name_of(record["delivered"])
            assert name not in published, f"{name!r} was published twice"
            published[name] = record["sha256_out"]
    on_their_way = set(proved_targets(settings))
    root = settings.folder("outbox")
    there = {str(path.relative_to(root)): digest(path) for path in files(root)}
    for name, sha in there.items():
        if name in on_their_way:
            continue
        assert published.get(name) == sha, f"{name!r} in the outbox is not what a record says"
    for name, sha in published.items():
        assert there.get(name, taken.get(name)) == sha, f"{name!r} was recorded as published, and is not there"


def check_held(settings: Settings) -> None:
    root = settings.folder("held")
    names = {str(path.relative_to(root)) for path in files(root)}
    for name in names:
        assert not name.rsplit("/", 1)[-1].startswith("."), name
        if not name.endswith((".why.txt", ".unproved")):
            assert name + ".why.txt" in names, f"{name!r} is held without a word"


def proved_targets(settings: Settings) -> list[str]:
    """Names that the journal announces: a daemon that was killed may have published them already."""
    path = settings.folder("working") / "journal"
    found = []
    for line in path.read_bytes().splitlines()[1:] if path.exists() else ():
        try:
            step = json.loads(line.partition(b" ")[2])
        except ValueError:
            continue
        values = step.get("values", step)
        if values.get("target"):
            found.append(values["target"])
    return found


def name_of(delivered: dict) -> str:
    return os.fsdecode(bytes.fromhex(delivered["name_hex"])) if delivered["name_hex"] else delivered["name"]


def is_claimed(path: Path) -> bool:
    return path.name.endswith(".in") and ID.fullmatch(path.name.removesuffix(".in")) is not None


def files(root: Path) -> list[Path]:
    return [path for path in sorted(root.rglob("*")) if path.is_file() and not path.is_symlink()]


def digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        return ""
