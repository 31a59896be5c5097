"""Small file systems of a test's own, and what can happen to them: full, broken, without power.

All of it is the test's alone: a tmpfs, or an ext4 in a file behind a loop device. Needs root and a kernel that mounts;
where it does not, the test is skipped with the kernel's own words.
"""

import contextlib
import fcntl
import os
import struct
import subprocess
import time
from pathlib import Path

import pytest

# Linux, include/uapi/linux/fs.h and Documentation/filesystems/ext4: EXT4_IOC_SHUTDOWN is _IOR('X', 125, __u32), and
# flag 2 drops what was not written yet. File system developers play a loss of power with it.
_SHUTDOWN = 0x8004587D
_WITHOUT_LOG_FLUSH = 2


class Disk:
    """One mounted file system; `place` is where. `forget` unmounts it for good."""

    def __init__(self, place: Path, *command: str) -> None:
        self.place = place
        place.mkdir(exist_ok=True)
        self._command = (*command, str(place))
        self.mount()

    def mount(self) -> None:
        for _ in range(100):
            made = subprocess.run(["mount", *self._command], capture_output=True)
            if made.returncode != 0:
                pytest.skip(f"can't mount here: {made.stderr.decode().strip()}")
            if self._works():
                return
            # Another process began a mount namespace of its own just then, and holds the file system as it was.
            self.unmount()
            time.sleep(0.1)
        raise AssertionError(f"{self.place}: is still held by somebody")

    def _works(self) -> bool:
        try:
            (self.place / ".probe").touch()
            (self.place / ".probe").unlink()
        except OSError:
            return False
        return True

    def unmount(self) -> None:
        """Processes that were killed give their files back a moment later."""
        for _ in range(100):
            done = subprocess.run(["umount", str(self.place)], capture_output=True)
            if done.returncode == 0:
                return
            time.sleep(0.05)
        raise AssertionError(done.stderr.decode())

    def forget(self) -> None:
        with contextlib.suppress(AssertionError):
            self.unmount()
            return
        subprocess.run(["umount", "-l", str(self.place)], check=False)


def tmpfs(place: Path, options: str) -> Disk:
    return Disk(place, "-t", "tmpfs", "-o", options, "tmpfs")


def ext4(place: Path, megabytes: int = 48) -> Disk:
    """errors=remount-ro is what Debian's installer writes for the root file system."""
    image = place.with_suffix(".image")
    with image.open("wb") as file:
        file.truncate(megabytes * 1_000_000)
    try:
        made = subprocess.run(["mkfs.ext4", "-q", "-F", str(image)], capture_output=True)
    except FileNotFoundError:
        pytest.skip("mkfs.ext4 is not installed")
    assert made.returncode == 0, made.stderr
    return Disk(place, "-o", "loop,errors=remount-ro", str(image))


def lose_power(disk: Disk) -> None:
    """From now on every access fails, and what was not synced never was: only a new mount shows what is left."""
    assert disk.place.is_mount(), "this must never meet a file system that is not the test's own"
    fd = os.open(disk.place, os.O_RDONLY)
    try:
        fcntl.ioctl(fd, _SHUTDOWN, struct.pack("I", _WITHOUT_LOG_FLUSH))
    finally:
        os.close(fd)


def break_file_system(disk: Disk) -> None:
    """The kernel notices damage and makes the file system read-only while files on it are open for writing."""
    assert disk.place.is_mount(), "this must never meet a file system that is not the test's own"
    number = os.stat(disk.place).st_dev
    device = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}").resolve().name
    Path(f"/sys/fs/ext4/{device}/trigger_fs_error").write_text("a test broke it")
