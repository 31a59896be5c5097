"""Settings: one key is enough; every fault is told with its place, all at once."""

import os
from pathlib import Path

import pytest

from liftwright import notify
from liftwright.errors import RulesError
from liftwright.settings import Settings, load_settings, parse_settings


def test_a_share_is_all_that_is_needed() -> None:
    settings = parse_settings(b"share: /srv/farm\n", "settings.yaml")
    assert settings == Settings(share="/srv/farm")
    assert settings.folder("inbox") == Path("/srv/farm/inbox")


def test_all_faults_are_listed_with_their_lines() -> None:
    text = b"share: farm\nslot: 3\nquiet_s: -1\nfolders: {inbx: a}\nquiet_s: 3\n"
    with pytest.raises(RulesError) as caught:
        parse_settings(text, "settings.yaml")
    assert str(caught.value).splitlines() == [
        "settings.yaml:5: quiet_s: found the same key as in line 3; wanted each key once",
        'settings.yaml:1: share: found the text "farm"; wanted an absolute path, such as /srv/farm',
        "settings.yaml:4: folders.inbx: found an unknown key; wanted inbox",
        "settings.yaml:3: quiet_s: found -1; wanted greater than 0",
        "settings.yaml:2: slot: found an unknown key; wanted slots",
    ]


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"- share\n",
        b"share: /a\nslots: yes\n",
        b"share: /a\nslots: 1.5\n",
        b"share: /a\nsuffixes: [gcode]\n",
        b"share: /a\nfolders: {outbox: inbox/out}\n",
        b"share: /a\nfolders: {outbox: inbox}\n",
        b"share: /a\nname_pattern: '{a}{b}'\n",
        b"share: /a\ncomment_keys: {'!': material}\n",
        b"share: &a /a\nmetrics_file: *a\n",
        b"share: /a\nmode: rewrit\n",
    ],
)
def test_what_makes_no_sense_is_refused(text: bytes) -> None:
    with pytest.raises(RulesError):
        parse_settings(text, "settings.yaml")


def test_a_missing_file_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match="wanted a readable settings file"):
        load_settings(tmp_path / "settings.yaml")


def test_a_datagram_goes_to_the_socket_that_the_manager_names(tmp_path: Path) -> None:
    """sd_notify(3): one datagram, newline-separated assignments; `/` a path, `@` an abstract name; nothing without."""
    import socket

    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        assert notify.tell("READY=1\nSTATUS=fine", {"NOTIFY_SOCKET": str(tmp_path / "notify")})
        assert manager.recv(100) == b"READY=1\nSTATUS=fine"
    name = f"liftwright-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + name)
        assert notify.tell("WATCHDOG=1", {"NOTIFY_SOCKET": "@" + name})
        assert manager.recv(100) == b"WATCHDOG=1"
    assert not notify.tell("READY=1", {})


def test_the_watchdog_is_pinged_at_half_its_time_and_only_when_it_watches_us() -> None:
    """sd_watchdog_enabled(3): the time is in µs; it counts only if WATCHDOG_PID is unset or our own."""
    assert notify.watchdog_interval({"WATCHDOG_USEC": "20000000"}) == 10.0
    assert notify.watchdog_interval({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "7"}, pid=7) == 10.0
    assert notify.watchdog_interval({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "8"}, pid=7) is None
    assert notify.watchdog_interval({}) is None
