"""The stamp as the last line: true, false, cut, displaced."""

import hashlib
import io

import pytest

from liftwright.stamp import Tap, is_stamped, stamp_line


def stamped(body: bytes, end: bytes = b"\n") -> bytes:
    return body + stamp_line(hashlib.sha256(body).hexdigest(), end)


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
@pytest.mark.parametrize("body", [b"G1 X5\n", b"", b"\r\n", b"G1 X5\n" * 400_000])
def test_a_stamp_with_the_digest_of_all_before_it_is_true(body, end):
    """SHA-256 as hashlib computes it; bodies of any size, the empty one too."""
    source = io.BytesIO(stamped(body, end))
    assert is_stamped(source)
    assert source.tell() == 0


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"G1 X5\n",
        stamped(b"G1 X5\n").replace(b"X5", b"X6"),
        stamped(b"G1 X5\n")[:-1],
        stamped(b"G1 X5\n") + b"\n",
        stamped(b"G1 X5\n") + b"G1 X6\n",
        stamped(b"G1 X5 "),
        stamped(b"G1 X5\n").replace(b"stamp 1", b"stamp 2"),
        stamped(b"G1 X5\n").upper(),
        b"G1 X5\n;liftwright stamp 1 sha256=" + b"0" * 63 + b"\n",
    ],
)
def test_whatever_differs_is_no_stamp(text):
    """Another byte, a missing or further line end, lines behind it, no line of its own, another version."""
    source = io.BytesIO(text)
    assert not is_stamped(source)
    assert source.tell() == 0


def test_the_stamp_is_the_line_that_is_documented():
    digest = "0123456789abcdef" * 4
    assert stamp_line(digest, b"\r\n") == b";liftwright stamp 1 sha256=" + digest.encode() + b"\r\n"


def test_a_tap_digests_what_was_read_and_nothing_else():
    """From the start of the file, wherever it stood."""
    source = io.BytesIO(b"G1 X5\nG1 X6\n")
    source.seek(4)
    tap = Tap(source)
    view = memoryview(bytearray(9))
    assert tap.readinto(view) == 9
    assert tap.digest.hexdigest() == hashlib.sha256(b"G1 X5\nG1 ").hexdigest()
    assert tap.readinto(view) == 3
    assert tap.readinto(view) == 0
    assert tap.digest.hexdigest() == hashlib.sha256(source.getvalue()).hexdigest()
