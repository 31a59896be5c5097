"""A record as it stands on the disk: numbers layer by layer take one line a list, and nothing else changes."""

import json

from liftwright.spool.record import Record, delivery, to_bytes

NEEDED = {
    "id": "1", "name": "pot.gcode", "version": "0", "received": "", "finished": "", "boot": "", "monotonic_s": 0.0,
    "mode": "rewrite", "settled_by": "quiet", "attempts": 1, "outcome": "rewritten", "reason_code": "rewritten",
    "reason": "", "size_in": 1, "size_out": 1, "delivered": delivery("outbox", "pot.gcode"),
}  # fmt: skip


def text_of(**more: object) -> str:
    return to_bytes(Record(**NEEDED | more)).decode("ascii")


def test_lists_of_numbers_take_one_line_each_and_read_back_the_same() -> None:
    details = {"layers": {"z_mm": [0.2, -0.4, 1e-9, 12], "fan": [1.0]}, "riskiest": [{"line": 7}], "none": []}
    text = text_of(details=details)
    assert json.loads(text)["details"] == details
    assert '"z_mm": [ 0.2, -0.4, 1e-09, 12 ]' in text
    assert '   "line": 7\n' in text


def test_text_that_looks_like_such_a_list_stays_as_it_is() -> None:
    odd = "[\n 1,\n 2\n]"
    assert json.loads(text_of(reason=odd, warnings=(odd,)))["reason"] == odd
