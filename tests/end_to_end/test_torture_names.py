"""Names, types and attacks: what people and programs put into a folder besides jobs."""

import json
import os
import shutil
import socket
import stat
import subprocess
import sys
import threading
from collections.abc import Callable

import pytest

from end_to_end.farm import Farm
from end_to_end.stand_in import ADDED

# Raw bytes of names, and what each is there for.
NAMES = {
    "255 bytes": b"n" * 249 + b".gcode",
    "255 bytes of letters with accents": "é".encode() * 124 + b"x.gcode",
    "line end and tab": b"a\nb\tc.gcode",
    "forged log line": b'x"}\n{"event":"job","id":"forged.gcode',
    "escape sequence": b"\x1b[31mred.gcode",
    "shell": b"$(touch x);`id` 'q' \"q\" %s {}.gcode",
    "invalid UTF-8": b"\xff\xfe\x80.gcode",
    "two dots": b"..gcode.gcode",
    "option": b"-rf.gcode",
    "blanks": b" x .gcode",
    "device name of another system": b"CON.gcode",
    "colon": b"a:b.gcode",
    "composed": "é.gcode".encode(),
    "decomposed": "e\u0301.gcode".encode(),
    "case twin 1": b"Twin.gcode",
    "case twin 2": b"twin.gcode",
    "emoji and right-to-left override": "😀\u202egpj.gcode".encode(),
    "upper-case suffix": b"LOUD.GCODE",
    "our own temporary name": b"20261125T104512-0123456789.1.out.gcode",
}


def test_any_name_comes_out_once_under_itself_and_forges_no_line(farm: Farm) -> None:
    """Torture cases 31 to 38: the outbox holds the same raw names; log, record and ledger stay one JSON object each."""
    farm.start()
    jobs = {name: farm.drop(os.fsdecode(name)) for name in NAMES.values() if not name.startswith(b".")}
    dotted = {name for name in NAMES.values() if name.startswith(b".")}
    for name in dotted:
        farm.drop(os.fsdecode(name), expected=False)
    farm.wait_for_records(len(jobs))
    found = {os.fsencode(name): data for name, data in farm.outbox().items()}
    assert found == {name: data + ADDED for name, data in jobs.items()}
    ledger = (farm.folder("records") / "ledger.jsonl").read_bytes().splitlines()
    assert len(ledger) == len(jobs)
    assert all(json.loads(line)["event"] == "job" for line in ledger)
    farm.wait_for(lambda: len(farm.log_lines("job")) == len(jobs), "a line in the log for each")
    assert not [line for line in farm.log_lines("job") if line["id"].startswith("forged")]
    farm.check()


def test_a_name_of_255_bytes_is_held_under_a_shorter_one(farm: Farm) -> None:
    """Torture case 31: NAME.why.txt must fit as well."""
    farm.start()
    farm.drop("n" * 249 + ".gcode", farm.job(b";stand-in refuse\n"))
    farm.wait_for_records(1)
    names = sorted(path.name for path in farm.folder("held").iterdir())
    assert len(names) == 2
    assert names[1] == names[0] + ".why.txt"
    farm.check()


@pytest.mark.parametrize("name", ["notes.txt", "pot.gcode.zip", "noending", "x.gcode."])
def test_another_suffix_is_held_not_silently_left(farm: Farm, name: str) -> None:
    """Torture cases 34 and 39."""
    farm.start()
    data = farm.drop(name)
    (record,) = farm.wait_for_records(1)
    assert (record["outcome"], record["reason_code"]) == ("held", "wrong_suffix")
    assert (farm.folder("held") / name).read_bytes() == data
    farm.check()


def test_links_pipes_sockets_and_devices_are_held_unread(farm: Farm) -> None:
    """Torture cases 40 and 42 to 44: none blocks the loop, no target is read, nothing of it is copied."""
    farm.start()
    inbox, secret = farm.folder("inbox"), farm.root / "secret"
    secret.write_bytes(b"secret of somebody else")
    os.symlink(secret, inbox / "link.gcode")
    os.symlink(farm.root / "nowhere", inbox / "dangling.gcode")
    os.symlink("itself.gcode", inbox / "itself.gcode")
    os.symlink(farm.folder("outbox"), inbox / "to-outbox.gcode")
    os.link(secret, inbox / "hard.gcode")
    os.mkfifo(inbox / "pipe.gcode")
    names = ["link", "dangling", "itself", "to-outbox", "hard", "pipe", "socket"]
    listener = socket.socket(socket.AF_UNIX)
    listener.bind(str(inbox / "socket.gcode"))
    listener.close()
    if os.geteuid() == 0:
        os.mknod(inbox / "zero.gcode", stat.S_IFCHR | 0o600, os.makedev(1, 5))
        names.append("zero")
    farm.wait_for_records(len(names))
    assert {record["reason_code"] for record in farm.records()} == {"not_a_plain_file"}
    assert all(record["sha256_in"] is None for record in farm.records())
    held = farm.folder("held")
    assert sorted(path.name for path in held.iterdir()) == sorted(f"{name}.gcode.why.txt" for name in names)
    assert b"secret" not in b"".join(path.read_bytes() for path in held.iterdir())
    assert secret.read_bytes() == b"secret of somebody else"
    farm.check()


def test_a_file_that_turns_into_a_link_and_back_is_never_followed(farm: Farm) -> None:
    """Torture case 41: swapped all the while between the look and the claim."""
    farm.start()
    inbox, secret = farm.folder("inbox"), farm.root / "secret"
    secret.write_bytes(b"G1 X1 ; secret of somebody else\n")
    stop = threading.Event()

    def swap() -> None:
        while not stop.is_set():
            for make in (lambda place: place.write_bytes(b"G1 X2\n"), lambda place: place.symlink_to(secret)):
                make(inbox / ".next")
                (inbox / ".next").rename(inbox / "swapped.gcode")

    swapper = threading.Thread(target=swap)
    swapper.start()
    for number in range(5):
        farm.drop(f"clip-{number}.gcode")
    farm.wait_for_records(5)
    stop.set()
    swapper.join()
    farm.wait_for(lambda: not list(inbox.glob("*.gcode")), "the rest to be claimed")
    farm.wait_for(lambda: not list(farm.folder("working").glob("*.in")), "the end of the work")
    farm.stop()
    for folder in ("outbox", "held", "originals"):
        for path in farm.folder(folder).rglob("*"):
            if path.is_file() and not path.is_symlink():
                assert b"secret of somebody" not in path.read_bytes(), path


def test_a_folder_named_like_a_job_is_a_folder(farm: Farm) -> None:
    """Torture case 45: what lies in it is processed."""
    farm.start()
    farm.drop("x.gcode/clip.gcode")
    farm.wait_for_records(1)
    assert list(farm.outbox()) == ["x.gcode/clip.gcode"]
    farm.check()


def test_a_folder_swapped_for_a_link_is_not_entered(farm: Farm) -> None:
    """Torture case 46, within the inbox."""
    farm.start()
    outside = farm.root / "outside"
    outside.mkdir()
    (outside / "theirs.gcode").write_bytes(b"G1 X1\n")
    os.symlink(outside, farm.folder("inbox") / "pots")
    farm.wait_for_records(1)
    assert farm.records()[0]["reason_code"] == "not_a_plain_file"
    assert (outside / "theirs.gcode").exists()
    farm.check()


def without_privileges() -> list[str]:
    """What makes root an ordinary owner of files: the capabilities that look past permissions are dropped for good."""
    if os.geteuid() != 0:
        return []
    command = ["setpriv", "--bounding-set=-all", "--inh-caps=-all"]
    if (
        shutil.which("setpriv") is None
        or subprocess.run([*command, sys.executable, "-c", "import liftwright"]).returncode
    ):
        pytest.skip("no setpriv here, or the program can't be read without privileges")
    return command


def test_a_file_that_may_not_be_read_is_held_with_the_reason(make_farm: Callable[..., Farm]) -> None:
    """Torture case 47."""
    farm = make_farm(incomplete_after_h=0.0006)
    farm.start(under=without_privileges())
    farm.drop("mine.gcode", expected=False)
    (farm.folder("inbox") / "mine.gcode").chmod(0)
    (record,) = farm.wait_for_records(1)
    assert record["reason_code"] == "unreadable_file"
    farm.stop()
    farm.check()


def test_a_folder_that_may_not_be_changed_keeps_its_jobs_and_no_others(farm: Farm) -> None:
    """Torture case 47: jobs can't be moved out of such a folder; the status says so of each, and the others flow."""
    farm.make_folders()
    foreign = farm.folder("inbox") / "foreign"
    farm.drop("foreign/clip.gcode")
    foreign.chmod(0o555)
    farm.start(under=without_privileges())
    for number in range(3):
        farm.drop(f"clip-{number}.gcode")
    farm.wait_for_records(3)
    farm.wait_for(
        lambda: any("can't be moved" in seen["why"] for seen in farm.status()["waiting"]), "the status to say so"
    )
    assert farm.log_lines("waiting_long")[0]["name"] == "foreign/clip.gcode"
    assert farm.status()["trouble"] is None
    foreign.chmod(0o755)
    farm.stop()
    farm.start()
    farm.wait_for_records(4)
    farm.check()


def test_an_outbox_folder_that_may_not_be_changed_sends_the_job_to_the_top(farm: Farm) -> None:
    """A folder of somebody else in the outbox keeps neither its own jobs back nor the others."""
    farm.make_folders()
    (farm.folder("outbox") / "pots").mkdir(mode=0o555)
    farm.start(under=without_privileges())
    farm.drop("pots/lattice.gcode")
    farm.drop("clip.gcode")
    farm.wait_for_records(2)
    assert sorted(farm.outbox()) == ["clip.gcode", "lattice.gcode"]
    farm.stop()
    farm.check()


def test_a_sparse_terabyte_is_refused_without_being_read(farm: Farm) -> None:
    """Torture case 48."""
    farm.start()
    with (farm.folder("inbox") / "vast.gcode").open("wb") as upload:
        upload.truncate(10**12)
    (record,) = farm.wait_for_records(1)
    assert (record["reason_code"], record["size_in"]) == ("too_large", 10**12)
    assert record["delivered"]["folder"] == "nowhere"
    # The invariant would read it.
    for path in farm.folder("originals").rglob("*.gcode"):
        path.unlink()
    farm.check()


def test_bits_of_an_upload_do_not_reach_the_outbox(farm: Farm) -> None:
    """Torture case 49: setuid and executable bits."""
    farm.start()
    farm.drop("bits.gcode", farm.job(b";stand-in unchanged\n"))
    (farm.folder("inbox") / "bits.gcode").chmod(0o4777)
    farm.wait_for_records(1)
    assert stat.S_IMODE((farm.folder("outbox") / "bits.gcode").stat().st_mode) & ~0o640 == 0
    farm.check()


def test_a_foreign_file_in_the_outbox_is_never_touched(farm: Farm) -> None:
    """Torture case 108: not even one that looks like ours."""
    farm.start()
    farm.stop()
    foreign = farm.folder("outbox") / "20261125T104512-0123456789.1.out"
    foreign.write_bytes(b"theirs")
    farm.start()
    farm.drop("clip.gcode")
    farm.wait_for_records(1)
    farm.stop()
    assert foreign.read_bytes() == b"theirs"


def test_an_outbox_folder_that_is_a_file_sends_the_job_to_the_top(farm: Farm) -> None:
    """Torture case 80, for folders: `pots` exists as a file in the outbox."""
    farm.start()
    (farm.folder("outbox") / "pots").write_bytes(b"theirs")
    farm.drop("pots/clip.gcode")
    (record,) = farm.wait_for_records(1)
    assert record["delivered"]["name"] == "clip.gcode"
    assert (farm.folder("outbox") / "pots").read_bytes() == b"theirs"
    farm.stop()
