"""Files that are there whole or not at all: renames that never overwrite, folders that are synced, no link followed.

Everything works relative to open folder descriptors, so that a folder swapped for a link between two steps is noticed
instead of followed. Failures come out as the OSError of the system; what they mean is the caller's to say. Whoever must
show that a slow disk is no hang gives `on_progress` a listener: it hears of every sync and every piece read.
"""

import ctypes
import errno
import hashlib
import os
import stat
from collections.abc import Callable
from pathlib import Path

from liftwright.spool import faults

PIECE = 1 << 20
_NOREPLACE = 1
_NOT_SUPPORTED = (errno.EINVAL, errno.ENOSYS)
_libc = ctypes.CDLL(None, use_errno=True)

FOLDER_FLAGS = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
# O_NONBLOCK: opening a pipe that somebody put there must not block the daemon.
READ_FLAGS = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
NEW_FLAGS = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC


def _nobody_listens() -> None:
    return


_heard = _nobody_listens


def on_progress(listener: Callable[[], None]) -> None:
    """LISTENER is called after each sync and each piece read in this process, instead of the listener before."""
    global _heard
    _heard = listener


def sync(fd: int) -> None:
    """Make an open file or folder durable."""
    faults.reach("sync")
    os.fsync(fd)
    _heard()


def rename_new(source_dir: int, source: str, target_dir: int, target: str) -> None:
    """Rename without ever replacing: FileExistsError when TARGET is there."""
    result = _libc.renameat2(source_dir, os.fsencode(source), target_dir, os.fsencode(target), _NOREPLACE)
    if result == 0:
        return
    code = ctypes.get_errno()
    if code not in _NOT_SUPPORTED:
        raise OSError(code, os.strerror(code), source, None, target)
    if stat.S_ISDIR(os.lstat(source, dir_fd=source_dir).st_mode):
        # Folders can't be linked; a rename replaces an empty folder at most.
        os.rename(source, target, src_dir_fd=source_dir, dst_dir_fd=target_dir)
        return
    # Network file systems without the flag: a link fails on an existing name just as well.
    os.link(source, target, src_dir_fd=source_dir, dst_dir_fd=target_dir, follow_symlinks=False)
    os.unlink(source, dir_fd=source_dir)


def sync_folder(path: Path) -> None:
    """Make the names in a folder durable."""
    fd = os.open(path, FOLDER_FLAGS)
    try:
        sync(fd)
    finally:
        os.close(fd)


def open_folder(root: Path, parts: tuple[str, ...], make: bool = False) -> int:
    """Open ROOT/parts one step at a time without following a link; MAKE creates what is missing, durably."""
    fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        for part in parts:
            inner = _enter(fd, part, make)
            os.close(fd)
            fd = inner
    except OSError:
        os.close(fd)
        raise
    return fd


def _enter(fd: int, part: str, make: bool) -> int:
    made = make and _make(fd, part)
    inner = os.open(part, FOLDER_FLAGS, dir_fd=fd)
    if made:
        give_to_owner(inner, fd)
    return inner


def _make(fd: int, part: str) -> bool:
    try:
        os.mkdir(part, 0o750, dir_fd=fd)
    except FileExistsError:
        return False
    sync(fd)
    return True


def give_to_owner(fd: int, folder: int) -> None:
    """What root makes by hand, as with `liftwright release`, belongs to the daemon, as the folder it stands in does."""
    owner = os.fstat(folder)
    if os.geteuid() == 0 and os.fstat(fd).st_uid != owner.st_uid:
        os.fchown(fd, owner.st_uid, owner.st_gid)


def split_name(relative: str) -> tuple[tuple[str, ...], str]:
    """`a/b/c` → (("a", "b"), "c"); refuses anything that could leave the folder it is meant for."""
    parts = tuple(relative.split("/"))
    if not all(parts) or any(part in (".", "..") or "\0" in part for part in parts):
        raise ValueError(f"{relative!r} is no path inside a folder")
    return parts[:-1], parts[-1]


def write_new(folder: int, name: str, data: bytes, mode: int = 0o640) -> None:
    """Write a small new file and sync it; an existing file of that name is a FileExistsError."""
    fd = os.open(name, NEW_FLAGS, mode, dir_fd=folder)
    try:
        write_all(fd, data)
        sync(fd)
    except OSError:
        os.unlink(name, dir_fd=folder)
        raise
    finally:
        os.close(fd)


def replace_file(path: Path, data: bytes, durable: bool = True) -> None:
    """Replace a whole file: readers see the old bytes or the new ones. The temporary name begins with a dot."""
    temp = path.with_name(f".{path.name}.new")
    fd = os.open(temp, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_NOFOLLOW | os.O_CLOEXEC, 0o640)
    try:
        write_all(fd, data)
        if durable:
            sync(fd)
    finally:
        os.close(fd)
    os.replace(temp, path)
    if durable:
        sync_folder(path.parent)


def write_all(fd: int, data: bytes) -> None:
    """Write every byte, or raise what the system says about the rest."""
    view = memoryview(data)
    while view:
        view = view[os.write(fd, view) :]


def digest_of(fd: int) -> str:
    """SHA-256 of an open file from its beginning, hex."""
    total = hashlib.sha256()
    at = 0
    while piece := os.pread(fd, PIECE, at):
        total.update(piece)
        at += len(piece)
        _heard()
    return total.hexdigest()


def copy_bytes(source: int, target: int) -> int:
    """Copy a whole open file onto another and sync it; returns the bytes copied."""
    at = 0
    while piece := os.pread(source, PIECE, at):
        write_all(target, piece)
        at += len(piece)
        _heard()
    sync(target)
    return at


def is_plain(info: os.stat_result) -> bool:
    """A regular file with one name: what an upload is."""
    return stat.S_ISREG(info.st_mode) and info.st_nlink == 1
