"""Talking to the service manager, by hand: one datagram to the socket it names, nothing at all without one.

Sources: sd_notify(3) for the socket and the assignments, sd_watchdog_enabled(3) for the interval, sd-daemon(3) for the
levels of log lines.
"""

import os
import socket
from collections.abc import Mapping

LEVELS = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}


def tell(text: str, environment: Mapping[str, str] = os.environ) -> bool:
    """Send assignments such as `READY=1`, several divided by line ends; False when nobody listens."""
    name = environment.get("NOTIFY_SOCKET", "")
    if not name.startswith(("/", "@")):
        return False
    address = "\0" + name[1:] if name.startswith("@") else name
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
        try:
            sender.sendto(text.encode(), address)
        except OSError:
            # The manager went away or its queue is full: no reason for the daemon to stop.
            return False
    return True


def watchdog_interval(environment: Mapping[str, str] = os.environ, pid: int | None = None) -> float | None:
    """Seconds between pings, half of what the manager allows; None when it does not watch this process."""
    allowed = environment.get("WATCHDOG_USEC", "")
    wanted = environment.get("WATCHDOG_PID", "")
    if not allowed.isdigit() or int(allowed) == 0 or (wanted and wanted != str(pid or os.getpid())):
        return None
    return int(allowed) / 2_000_000


def one_line(text: str) -> str:
    """STATUS= must be a single line."""
    return " ".join(text.split())
