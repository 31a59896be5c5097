"""The folders of one installation: made on the first run, checked on every other, locked while the daemon lives.

Refuses (DeliveryError, with a sentence): a missing share or folder, a folder that is a link, folders between which a
file can't be renamed, a working folder that another daemon holds.
"""

import errno
import fcntl
import os
import secrets
import stat
from pathlib import Path

from liftwright.errors import DeliveryError
from liftwright.settings import FOLDERS, Settings

MUST_TOUCH = ("inbox", "outbox", "held", "originals", "records")


def prepare(settings: Settings) -> int:
    """Make or check the folders, take the lock; returns the lock's descriptor, to be kept open."""
    share = Path(settings.share)
    if not share.is_dir():
        raise DeliveryError(f"{share}: found no folder; wanted the share, made or mounted before the daemon starts")
    found = [name for name in FOLDERS if settings.folder(name).is_dir()]
    # Only a share without any of the three is a first run. Elsewhere a missing folder means that something is not
    # mounted, and making it anew would hide that.
    if not {"inbox", "outbox", "working"} & set(found):
        for name in FOLDERS:
            settings.folder(name).mkdir(mode=0o750, parents=True, exist_ok=True)
    for name in FOLDERS:
        _check_folder(settings.folder(name), name)
    lock = _lock(settings)
    try:
        _check_renames(settings)
    except BaseException:
        os.close(lock)
        raise
    return lock


def identities(settings: Settings) -> dict[str, tuple[int, int]]:
    """(device, inode) of every folder; a folder that is missing or became a link is left out."""
    found = {}
    for name in FOLDERS:
        try:
            info = os.lstat(settings.folder(name))
        except OSError:
            continue
        if stat.S_ISDIR(info.st_mode):
            found[name] = (info.st_dev, info.st_ino)
    return found


def is_locked(settings: Settings) -> bool:
    """Does a daemon hold the working folder now?"""
    try:
        fd = os.open(settings.folder("working") / "lock", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(fd, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(fd)
    return False


def free_mb(settings: Settings) -> float:
    """Room left on the share's file system for this user, in millions of bytes."""
    room = os.statvfs(settings.folder("working"))
    return room.f_bavail * room.f_frsize / 1e6


def _check_folder(place: Path, name: str) -> None:
    try:
        info = os.lstat(place)
    except OSError as error:
        raise DeliveryError(f"{place}: {error.strerror}; wanted the {name} folder. Is everything mounted?") from None
    if not stat.S_ISDIR(info.st_mode):
        raise DeliveryError(f"{place}: found a link or a file; wanted the {name} folder itself")
    wanted = os.R_OK | os.X_OK | (0 if name in ("rules", "verdicts") else os.W_OK)
    if not os.access(place, wanted):
        raise DeliveryError(f"{place}: found no permission; wanted to read and write the {name} folder")


def _lock(settings: Settings) -> int:
    place = settings.folder("working") / "lock"
    try:
        fd = os.open(place, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise DeliveryError(f"{place}: {error.strerror}; wanted to lock the working folder") from None
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(fd)
        if error.errno not in (errno.EAGAIN, errno.EACCES):
            raise DeliveryError(f"{place}: {error.strerror}; wanted to lock the working folder") from None
        raise DeliveryError(
            f"{place}: another daemon works in this folder; wanted to be the only one. Several daemons may share an "
            "inbox, each with its own working, records and originals folders"
        ) from None
    return fd


def _check_renames(settings: Settings) -> None:
    """Rename a probe into each folder: equal device numbers say nothing about two mounts of one file system."""
    working = settings.folder("working")
    name = f".probe-{secrets.token_hex(4)}"
    probe = working / name
    try:
        probe.touch(mode=0o600)
    except OSError as error:
        raise DeliveryError(f"{probe}: {error.strerror}; wanted to write in the working folder") from None
    try:
        for other in MUST_TOUCH:
            there = settings.folder(other) / name
            try:
                os.rename(probe, there)
                os.rename(there, probe)
            except OSError as error:
                raise DeliveryError(
                    f"{there.parent}: a file can't be renamed between it and {working}: {error.strerror}; wanted both "
                    "on the same file system and the same mount"
                ) from None
    finally:
        probe.unlink(missing_ok=True)
