"""Is an upload complete? One open file in, a verdict out; changes nothing and reads its last bytes alone.

No rule on the server's side alone can be perfect: a plain upload that is killed may end on a whole line. What is
checked here: nobody holds the file open for writing (a read lease says so exactly, where the system grants one), no
part of it was reserved and never written (a hole), and it does not end in a zero byte. How long it lay unchanged is
counted by the inbox, on the monotonic clock.
"""

import errno
import fcntl
import os
from dataclasses import dataclass

TAIL = 16

# The three answers of a read lease.
FREE = "free"
BUSY = "busy"
UNKNOWN = "unknown"

COMPLETE = "complete"
STILL_WRITTEN = "still_written"
EMPTY = "empty"
HOLE = "hole"
NULS = "nuls"

WORDS = {
    COMPLETE: "the upload is complete",
    STILL_WRITTEN: "another program still has the file open for writing",
    EMPTY: "the file is empty so far",
    HOLE: "part of the file was reserved but never written: the upload is not complete",
    NULS: "the file ends in zero bytes: the upload is not complete",
}


@dataclass(frozen=True, slots=True)
class Finish:
    """CODE is COMPLETE or why not; SURE is false where the system could not say whether somebody still writes."""

    code: str
    sure: bool
    ends_in_line: bool = True


@dataclass(frozen=True, slots=True)
class Signature:
    """What changes when anybody writes to a file or puts another in its place. Times are in ns, only ever compared."""

    device: int
    inode: int
    size: int
    written: int
    changed: int

    @classmethod
    def of(cls, info: os.stat_result) -> "Signature":
        return cls(info.st_dev, info.st_ino, info.st_size, info.st_mtime_ns, info.st_ctime_ns)


def finish_of(fd: int, size: int) -> Finish:
    """Judge an open regular file of SIZE bytes."""
    if size == 0:
        return Finish(EMPTY, True)
    lease = ask_lease(fd)
    if lease == BUSY:
        return Finish(STILL_WRITTEN, True)
    if _first_hole(fd) < size:
        return Finish(HOLE, lease == FREE)
    tail = os.pread(fd, TAIL, max(0, size - TAIL))
    # Zero bytes elsewhere are for the core to judge: a picture has them too, and is refused with its own reason.
    if tail.endswith(b"\0"):
        return Finish(NULS, lease == FREE)
    return Finish(COMPLETE, lease == FREE, tail.endswith((b"\n", b"\r")))


def ask_lease(fd: int) -> str:
    """FREE: nobody has the file open for writing. UNKNOWN: another owner's file, or a file system without leases.

    The lease is given back at once: holding it would make the next writer wait for up to 45 s.
    """
    try:
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as error:
        return BUSY if error.errno == errno.EAGAIN else UNKNOWN
    fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return FREE


def _first_hole(fd: int) -> int:
    try:
        return os.lseek(fd, 0, os.SEEK_HOLE)
    except OSError:
        # No holes known to this file system: nothing to say against the file.
        return os.lseek(fd, 0, os.SEEK_END)
