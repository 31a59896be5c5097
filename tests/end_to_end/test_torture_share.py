"""A real file server before the inbox: clients that are cut off, a server that is restarted in mid-upload.

The server runs with a configuration of its own on a port of the loopback, as this user, and is ended by its own
process id. Its share settings are those of examples/smb.conf.
"""

import contextlib
import os
import random
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from end_to_end.farm import Farm

EXAMPLE = Path(__file__).parents[2] / "examples/smb.conf"
NEEDED = ("smbd", "smbclient", "testparm")
missing = [name for name in NEEDED if shutil.which(name) is None]

pytestmark = pytest.mark.skipif(
    bool(missing) and not os.environ.get("CI"),
    reason=f"not installed: {', '.join(missing)} (packages samba, smbclient)",
)


def share_options() -> str:
    """The lines of [inbox] in our example, without the paths and accounts of an installation."""
    lines = EXAMPLE.read_text().split("\n[inbox]\n")[1].split("\n[outbox]\n")[0].splitlines()
    personal = ("path", "valid users", "force user", "comment", "#")
    return "\n".join(line for line in lines if line.strip() and not line.strip().startswith(personal))


class Server:
    """A private smbd; `put` uploads as a client does."""

    def __init__(self, root: Path, inbox: Path) -> None:
        self.root = root
        root.mkdir()
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        for name in ("private", "lock", "state", "cache", "pid", "ncalrpc"):
            (root / name).mkdir()
        self.config = root / "smb.conf"
        self.config.write_text(f"""[global]
   server role = standalone server
   server min protocol = SMB2_10
   map to guest = Bad User
   guest account = {os.environ.get("USER") or "root"}
   smb ports = {self.port}
   bind interfaces only = yes
   interfaces = 127.0.0.1/8
   disable netbios = yes
   load printers = no
   printing = bsd
   printcap name = /dev/null
   disable spoolss = yes
   private dir = {root}/private
   lock directory = {root}/lock
   state directory = {root}/state
   cache directory = {root}/cache
   pid directory = {root}/pid
   ncalrpc dir = {root}/ncalrpc
   log file = {root}/log
[inbox]
   path = {inbox}
   guest ok = yes
{share_options()}
""")
        self.process: subprocess.Popen[bytes] | None = None
        self.clients: list[subprocess.Popen[bytes]] = []

    def start(self) -> None:
        self.process = subprocess.Popen(
            ["smbd", "--foreground", "--no-process-group", f"--configfile={self.config}"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        until = time.monotonic() + 20
        while time.monotonic() < until:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.1)
        raise AssertionError((self.root / "log").read_text() if (self.root / "log").exists() else "smbd did not start")

    def stop(self) -> None:
        if self.process is not None:
            # The session is ours alone: the server and the processes it made for its clients.
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None

    def end_clients(self) -> None:
        for client in self.clients:
            client.kill()
            client.wait()

    def client(self, command: str) -> "subprocess.Popen[bytes]":
        made = subprocess.Popen(
            ["smbclient", "//127.0.0.1/inbox", f"-p{self.port}", "-N", "-U%", f"-s{self.config}", "-c", command],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self.clients.append(made)
        return made

    def put(self, source: Path, name: str) -> int:
        return self.client(f'put "{source}" "{name}"').wait(60)


@pytest.fixture
def served(farm: Farm) -> Iterator[tuple[Farm, Server]]:
    farm.make_folders()
    server = Server(farm.root / "server", farm.folder("inbox"))
    server.start()
    yield farm, server
    server.end_clients()
    server.stop()


def test_the_example_configuration_is_accepted_by_testparm() -> None:
    """What we ship must load without a complaint about a parameter."""
    result = subprocess.run(["testparm", "-s", str(EXAMPLE)], capture_output=True, text=True)
    assert result.returncode == 0, result.stderr
    assert "Unknown parameter" not in result.stderr
    assert "ERROR" not in result.stderr


def test_an_upload_through_the_server_comes_out_once(served: tuple[Farm, Server], tmp_path: Path) -> None:
    """Torture cases 1 and 11: a plain put, and a put under another name with a rename after it."""
    farm, server = served
    farm.start()
    renamed = 'put "{0}" sure.gcode.part; rename sure.gcode.part sure.gcode'
    for name, command in (("plain.gcode", 'put "{0}" plain.gcode'), ("sure.gcode", renamed)):
        data = farm.job(size=1_000_000)
        farm.expect(data)
        (tmp_path / name).write_bytes(data)
        assert server.client(command.format(tmp_path / name)).wait(60) == 0
    farm.wait_for_records(2)
    assert sorted(farm.outbox()) == ["plain.gcode", "sure.gcode"]
    assert {record["settled_by"] for record in farm.records()} <= {"lease", "renamed"}
    farm.check()


def test_a_client_that_is_killed_leaves_no_job_that_is_more_than_its_bytes(
    served: tuple[Farm, Server], tmp_path: Path
) -> None:
    """Torture case 4: the space was reserved, so the unwritten rest shows as a hole or zero bytes, and waits."""
    farm, server = served
    farm.start()
    data = farm.job(size=200_000_000)
    (tmp_path / "cut.gcode").write_bytes(data)
    place = farm.folder("inbox") / "cut.gcode"
    client = server.client(f'put "{tmp_path / "cut.gcode"}" cut.gcode')
    farm.wait_for(lambda: place.exists() and place.stat().st_size > 0, "the upload to begin")
    client.send_signal(signal.SIGKILL)
    client.wait()
    farm.drop("next.gcode")
    farm.wait_for(lambda: any(record["name"] == "next.gcode" for record in farm.records()), "the next job")
    cut = [record for record in farm.records() if record["name"] == "cut.gcode"]
    assert all(record["size_in"] < len(data) or record["outcome"] == "rewritten" for record in cut)
    farm.check()


def test_a_restart_of_the_server_in_mid_upload_loses_nothing(served: tuple[Farm, Server], tmp_path: Path) -> None:
    """Torture case 104."""
    farm, server = served
    farm.start()
    data = farm.job(size=300_000_000)
    (tmp_path / "mid.gcode").write_bytes(data)
    place = farm.folder("inbox") / "mid.gcode"
    client = server.client(f'put "{tmp_path / "mid.gcode"}" mid.gcode')
    farm.wait_for(lambda: place.exists() and place.stat().st_size > 0, "the upload to begin")
    server.stop()
    client.wait(60)
    server.start()
    again = farm.job(size=100_000)
    farm.expect(again)
    (tmp_path / "again.gcode").write_bytes(again)
    assert server.put(tmp_path / "again.gcode", "again.gcode") == 0
    farm.wait_for(lambda: any(record["name"] == "again.gcode" for record in farm.records()), "the next upload")
    farm.check()


def test_many_clients_of_which_a_fifth_is_killed(served: tuple[Farm, Server], tmp_path: Path, long: bool) -> None:
    """Torture case 103: every upload that its client was told is done comes out once."""
    farm, server = served
    farm.start()
    clients, each = (50, 20) if long else (6, 5)
    fates = random.Random(103)
    plan = [[fates.random() < 0.2 for _ in range(each)] for _ in range(clients)]
    lock = threading.Lock()

    def work(number: int) -> None:
        for count in range(each):
            with lock:
                data = farm.job(size=200_000)
            source = tmp_path / f"{number}-{count}.gcode"
            source.write_bytes(data)
            client = server.client(f'put "{source}" {source.name}')
            if plan[number][count]:
                time.sleep(0.05)
                client.kill()
            if client.wait(120) == 0:
                with lock:
                    farm.expect(data)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    farm.wait_for(
        lambda: set(farm.uploads) <= {record["sha256_in"] for record in farm.records()}, "all done uploads", 300
    )
    farm.check()


def test_the_server_shows_no_link_and_lets_nobody_write_where_it_should_not(
    served: tuple[Farm, Server],
) -> None:
    """Torture cases 40 and 108: a link in the inbox is not followed by the server either."""
    farm, server = served
    secret = farm.root / "secret"
    secret.write_bytes(b"secret")
    (farm.folder("inbox") / "link.gcode").symlink_to(secret)
    got = farm.root / "got"
    server.client(f'get link.gcode "{got}"').wait(60)
    assert not got.exists() or got.read_bytes() != b"secret"
