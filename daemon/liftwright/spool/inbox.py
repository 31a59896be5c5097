"""What lies in the inbox and which of it may be claimed: folder listings in, candidates out; moves nothing itself.

1. The listing is the truth; events only say when to list.
2. Nothing is a candidate before it lay unchanged for the quiet period, counted on the monotonic clock between looks,
   and then passes `settle.finish_of`. Two certain ways are quicker: uploaded as NAME.part and renamed to NAME; or
   NAME.sha256 beside it, holding the digest of the finished file.
3. Whatever can't be a job (a link, a pipe, a wrong suffix, too large, never completed) becomes a candidate with a
   refusal, so that a record tells its end. Nothing is deleted.
"""

import os
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from liftwright.settings import MB, Settings
from liftwright.spool import settle
from liftwright.spool.durable import FOLDER_FLAGS, READ_FLAGS, digest_of, is_plain, open_folder, split_name
from liftwright.spool.settle import Signature

# A gap between two looks counts for no more than this: the process may have been stopped in between.
LONGEST_LOOK_S = 60.0
# Where the system can't say whether somebody still writes, or the last line has no end, the quiet must last longer.
UNSURE_FACTOR = 3.0
QUICK_QUIET_S = 1.0
DEEPEST = 16

TAGS = ".tags.yaml"
DIGEST = ".sha256"
UNFINISHED = (".part", ".partial", ".tmp", ".crdownload", ".filepart")
LEFT_ALONE = ("thumbs.db", "desktop.ini")
_HEX = re.compile(rb"\s*\\?([0-9a-fA-F]{64})\b")


@dataclass(slots=True)
class Sighting:
    """One entry of the inbox as last seen; `watched` s it lay unchanged, `why` it is not claimed yet."""

    relative: str
    mode: int
    links: int
    signature: Signature
    looked: float
    watched: float = 0.0
    renamed: bool = False
    why: str = ""
    digest_seen: tuple[Signature, str] | None = None

    def quiet(self, now: float) -> float:
        return self.watched + min(now - self.looked, LONGEST_LOOK_S)


@dataclass(frozen=True, slots=True)
class Candidate:
    """What may be claimed now. `refusal` = (code, plain words) for what will be held unread; `copy` = may be copied."""

    relative: str
    signature: Signature
    settled_by: str
    side: tuple[str, ...] = ()
    refusal: tuple[str, str] | None = None
    copy: bool = True


@dataclass(slots=True)
class Inbox:
    """The sightings of one inbox, by (device, inode)."""

    settings: Settings
    seen: dict[tuple[int, int], Sighting] = field(default_factory=dict)
    renamed: set[str] = field(default_factory=set)

    def list(self, now: float) -> tuple[int, int]:
        """Look at everything once; returns how many entries are new and how many have gone."""
        fresh: dict[tuple[int, int], Sighting] = {}
        new = 0
        for relative, info in _entries(self.settings):
            signature = Signature.of(info)
            key = (signature.device, signature.inode)
            known = self.seen.get(key)
            if known is None or known.relative != relative:
                known = Sighting(relative, info.st_mode, info.st_nlink, signature, now)
                new += 1
            elif known.signature != signature:
                known.signature, known.watched, known.renamed = signature, 0.0, False
            else:
                known.watched = known.quiet(now)
            # All of it anew: the number of a file that is gone may belong to a link now.
            known.looked, known.mode, known.links = now, info.st_mode, info.st_nlink
            known.renamed = known.renamed or relative in self.renamed
            fresh[key] = known
        gone = sum(key not in fresh for key in self.seen)
        self.seen = fresh
        self.renamed.clear()
        return new, gone

    def pick(self, now: float, most: int) -> Iterator[Candidate]:
        """At most MOST candidates, those seen first before the others; a claimed one is to be taken off by `forget`."""
        names = {sighting.relative: sighting for sighting in self.seen.values()}
        found = 0
        for sighting in list(self.seen.values()):
            candidate = self._consider(sighting, names, now)
            if candidate is not None:
                yield candidate
                found += 1
            if found >= most:
                return

    def forget(self, candidates: Iterable[Candidate]) -> None:
        """Take claimed (or vanished) entries and their side files off the list."""
        gone = {one.relative + ending for one in candidates for ending in ("", *one.side)}
        self.seen = {key: sighting for key, sighting in self.seen.items() if sighting.relative not in gone}

    def leave(self, relative: str, why: str) -> None:
        """It can't be taken: look again when it has lain still for another LONGEST_LOOK_S."""
        for sighting in self.seen.values():
            if sighting.relative == relative:
                sighting.watched, sighting.why, sighting.renamed = -LONGEST_LOOK_S, why, False

    def _consider(self, seen: Sighting, names: dict[str, Sighting], now: float) -> Candidate | None:
        quiet = seen.quiet(now)
        if quiet < min(QUICK_QUIET_S, self.settings.quiet_s) and not seen.renamed:
            return None
        late = quiet >= self.settings.incomplete_after_h * 3600
        kind = kind_of(seen.relative, self.settings)
        if kind == "job" and stat.S_ISREG(seen.mode) and seen.links == 1:
            return self._consider_job(seen, names, now, late)
        if quiet < self.settings.quiet_s:
            return None
        if not stat.S_ISREG(seen.mode) or seen.links != 1:
            return _refuse(seen, "not_a_plain_file", "it is a link, a pipe or a device, not a plain file", copy=False)
        if kind == "other":
            wanted = ", ".join(self.settings.suffixes)
            return _refuse(seen, "wrong_suffix", f"its name does not end in one of {wanted}")
        if kind == "unfinished":
            seen.why = "its name says that the upload is not finished"
            return _refuse(seen, "incomplete", seen.why) if late else None
        seen.why = "it belongs to a job that is not here yet"
        alone = seen.relative.removesuffix(TAGS).removesuffix(DIGEST) not in names
        return _refuse(seen, "side_file_alone", "no job of that name ever came") if late and alone else None

    def _consider_job(self, seen: Sighting, names: dict[str, Sighting], now: float, late: bool) -> Candidate | None:
        quiet = seen.quiet(now)
        side = tuple(ending for ending in (TAGS, DIGEST) if seen.relative + ending in names)
        if seen.signature.size > self.settings.size_limit_mb * MB and quiet >= self.settings.quiet_s:
            size, limit = seen.signature.size / MB, self.settings.size_limit_mb
            return _refuse(seen, "too_large", f"it has {size:.0f} MB; the limit is {limit} MB", copy=False)
        if any(names[seen.relative + ending].quiet(now) < QUICK_QUIET_S for ending in side):
            return None
        certain = seen.renamed or DIGEST in side
        if quiet < self.settings.quiet_s and not certain:
            return None
        try:
            finish, settled_by = self._finish(seen, DIGEST in side)
        except OSError as error:
            seen.why = f"it can't be opened: {error.strerror}"
            return _refuse(seen, "unreadable_file", seen.why, copy=False) if late else None
        seen.why = settle.WORDS.get(finish.code, finish.code)
        if finish.code == settle.COMPLETE and quiet >= self._wait(finish, settled_by):
            return Candidate(seen.relative, seen.signature, settled_by, side)
        if finish.code in (settle.COMPLETE, settle.STILL_WRITTEN) or not late:
            return None
        return _refuse(seen, "incomplete", seen.why)

    def _wait(self, finish: settle.Finish, settled_by: str) -> float:
        if settled_by in ("digest", "renamed"):
            return 0.0
        return self.settings.quiet_s * (1.0 if finish.sure and finish.ends_in_line else UNSURE_FACTOR)

    def _finish(self, seen: Sighting, has_digest: bool) -> tuple[settle.Finish, str]:
        parts, name = split_name(seen.relative)
        folder = open_folder(self.settings.folder("inbox"), parts)
        try:
            fd = os.open(name, READ_FLAGS, dir_fd=folder)
            try:
                info = os.fstat(fd)
                if Signature.of(info) != seen.signature or not is_plain(info):
                    seen.watched, seen.signature = 0.0, Signature.of(info)
                    return settle.Finish("it changed just now", False), ""
                finish = settle.finish_of(fd, info.st_size)
                if has_digest and finish.code == settle.COMPLETE:
                    return _by_digest(seen, folder, name, fd, finish)
                settled_by = "renamed" if seen.renamed else "lease" if finish.sure else "quiet"
                return finish, settled_by
            finally:
                os.close(fd)
        finally:
            os.close(folder)


def kind_of(relative: str, settings: Settings) -> str:
    """job | side | unfinished | other, by the name alone."""
    name = relative.rsplit("/", 1)[-1].lower()
    if name.endswith(UNFINISHED):
        return "unfinished"
    if name.endswith((TAGS, DIGEST)):
        return "side"
    return "job" if name.endswith(settings.suffixes) else "other"


def _refuse(seen: Sighting, code: str, words: str, copy: bool = True) -> Candidate:
    return Candidate(seen.relative, seen.signature, "refused", (), (code, words), copy)


def _by_digest(seen: Sighting, folder: int, name: str, fd: int, finish: settle.Finish) -> tuple[settle.Finish, str]:
    """Compare with the side file; the digest of an unchanged file is not computed twice."""
    side = os.open(name + DIGEST, READ_FLAGS, dir_fd=folder)
    try:
        wanted = _HEX.match(os.pread(side, 200, 0)) if stat.S_ISREG(os.fstat(side).st_mode) else None
    finally:
        os.close(side)
    if seen.digest_seen is None or seen.digest_seen[0] != seen.signature:
        seen.digest_seen = (seen.signature, digest_of(fd))
    if wanted is not None and wanted[1].decode().lower() == seen.digest_seen[1]:
        return finish, "digest"
    return settle.Finish("it does not match the digest in its side file", finish.sure), ""


def _entries(settings: Settings) -> Iterator[tuple[str, os.stat_result]]:
    """Every entry below the inbox but the folders and the names left alone; no link is followed."""
    root = os.open(settings.folder("inbox"), os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield from _below(root, "", 0)
    finally:
        os.close(root)


def _below(folder: int, prefix: str, depth: int) -> Iterator[tuple[str, os.stat_result]]:
    with os.scandir(folder) as entries:
        listing = sorted(entries, key=lambda entry: entry.name)
        for entry in listing:
            if entry.name.startswith((".", "~")) or entry.name.lower() in LEFT_ALONE:
                continue
            try:
                if entry.is_dir(follow_symlinks=False):
                    if depth < DEEPEST:
                        yield from _enter(folder, entry.name, f"{prefix}{entry.name}/", depth + 1)
                else:
                    yield prefix + entry.name, entry.stat(follow_symlinks=False)
            except FileNotFoundError:
                # Gone between the listing and the look.
                continue


def _enter(folder: int, name: str, prefix: str, depth: int) -> Iterator[tuple[str, os.stat_result]]:
    try:
        inner = os.open(name, FOLDER_FLAGS, dir_fd=folder)
    except OSError:
        # A folder that may not be read, or became a link: the next listing looks again.
        return
    try:
        yield from _below(inner, prefix, depth)
    finally:
        os.close(inner)
