"""What a megabyte of hostile input may cost: bytes read, bytes written, traced memory. Counted, never clocked.

Each kind of job goes through the whole core in windows of 32 kB, at one size and at four times that size: memory
stays that of the windows, and the bytes that are read and written stay in proportion to the job.
"""

import io
import tempfile
import tracemalloc
from typing import Any

import pytest

from liftwright.errors import RulesError, UnreadableJob
from liftwright.job.facts import comment_facts, comment_map, tag_fact
from liftwright.result import Result
from liftwright.rewrite import rewrite
from liftwright.rules.load import load_rules
from liftwright.rules.side_file import side_facts
from property.rewriting import PRINTER, RULES, rules_for

SIZE, TIMES = 100_000, 4
WINDOW = 1 << 15
PASSES = 12  # stamp, two ends, three surveys at most, writing, both files of the proof; a digest
HEAD = "G28\nM104 S200\nG90\nM83\nG1 X10 Y10 Z0.2 F6000\nG1 X20 E1 F1200\n"
BEADS = "G1 X30 E1 F1200\nG1 E-1\nG1 X60 Y40 F9000\nG1 E1\nG1 X80 Y10 E1 F1200\nG1 X20 Y10 F9000\n"
DIGITS = "9" * 400

FILLERS = {
    "travels": "",
    "a thousand words a line": "G1 " + " ".join(f"X{k}" for k in range(1000)) + "\n",
    "a thousand commands a line": "M105 " * 1000 + "\n",
    "unknown commands, each new": "MACRO_{n} X5 Y5\n" * 20,
    "facts in comments, each new": "; material = M{n}\n; printer: p{n}\n" * 3,
    "labels, each new": "M486 S{n}\nEXCLUDE_OBJECT_START NAME=pot_{n}\n" * 10,
    "tools": "T{n}\n" * 20,
    "shifted origins": "G92 X{n} Y5\nG92 E0\n" * 20,
    "retractions": "G1 E-0.1\nG1 E0.1\n" * 30,
    "firmware retractions and dwells": "G10\nG4 P1\nG11\nM73 P{n}\n" * 20,
    "limits": "M204 S{n}\nM203 Z{n}\nM220 S{n}\n" * 10,
    "units": "G20\nG91\nG21\nG90\nM83\n" * 10,
    "long comments": ";" + "k" * 3000 + "\n",
    "full circles": "G2 I5 J0 Z0.3\nG3 I5 J0 Z0.2\n" * 20,
    "decimals": "G1 X10." + "3" * 400 + " Y10 F6000\nG1 X11.1111111111111 Y11.0000000001\n",
    "exponents": "G1 X1e999 Y1 E1\nG1 Xnan Y1\nG1 Xinf E1\n",
    "digits": f"M105 S{DIGITS}\nM73 P{DIGITS}\nG4 P{DIGITS}\nM106 S-{DIGITS}\n",
}


class Counted(io.BytesIO):
    """A job that counts the bytes read from it."""

    taken = 0

    def read(self, size: int | None = -1, /) -> bytes:
        got = super().read(size)
        self.taken += len(got)
        return got

    def readinto(self, into: Any, /) -> int:
        got = super().readinto(into)
        self.taken += got
        return got


def job_of(filler: str, size: int) -> bytes:
    """Filler and beads in turn, new numbers each time."""
    parts, length = [HEAD], 0
    while length < size:
        parts.append(filler.replace("{n}", str(len(parts))) + BEADS)
        length += len(parts[-1])
    return "".join(parts).encode()


def cost(job: bytes, shape: str) -> tuple[Result, int, int, int]:
    """(result, bytes read, bytes written, peak of traced memory) of one rewrite whose output goes to a file."""
    source = Counted(job)
    with tempfile.TemporaryFile() as sink:
        tracemalloc.start()
        try:
            result = rewrite(source, sink, rules_for(shape, "unretracted: lift"), [PRINTER], chunk=WINDOW)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
        return result, source.taken, sink.seek(0, 2), peak


@pytest.mark.parametrize("shape", ["trapezoid", "terrain"])
@pytest.mark.parametrize("filler", FILLERS.values(), ids=FILLERS.keys())
def test_memory_is_that_of_the_windows_and_work_that_of_the_bytes(filler: str, shape: str) -> None:
    """Four times the job: the same memory but for 6 MB of counters, layers and notes, and no byte read more often."""
    small, large = job_of(filler, SIZE), job_of(filler, TIMES * SIZE)
    first = rewrite(io.BytesIO(small), io.BytesIO(), rules_for(shape, "unretracted: lift"), [PRINTER], chunk=WINDOW)
    assert first.reason_code != "proof_failed", first.violations  # compiled by now, too
    _, _, _, little = cost(small, shape)
    result, taken, written, much = cost(large, shape)
    assert result.reason
    assert much <= 1.2 * little + 6_000_000
    assert taken <= PASSES * len(large)
    assert written <= 12 * len(large)


HOSTILE = [
    "1e999",
    "-1e999",
    ".nan",
    ".inf",
    "nan",
    "9" * 400,
    "0." + "3" * 400,
    "0x" + "f" * 400,
    "1 " * 1000,
    "- " * 99,
]


@pytest.mark.parametrize("value", HOSTILE)
def test_hostile_numbers_in_rules_are_refused_with_a_sentence_of_bounded_length(value: str) -> None:
    text = RULES.format(shape="square", lift=f", height_mm: {value}", printer="")
    with pytest.raises(RulesError) as refused:
        load_rules({"rules.yaml": text.encode()})
    assert all(len(str(problem)) < 1500 for problem in refused.value.problems)


@pytest.mark.parametrize("value", HOSTILE)
def test_hostile_numbers_in_tags_never_become_a_number(value: str) -> None:
    """Side file and command line: refused with a short sentence."""
    with pytest.raises(UnreadableJob) as refused:
        side_facts(f"layer_height: {value}\n".encode(), "pot.tags.yaml")
    assert len(str(refused.value)) < 1500
    with pytest.raises(Exception, match="layer_height") as told:
        tag_fact(f"layer_height={value}")
    assert len(str(told.value)) < 1500


@pytest.mark.parametrize("value", HOSTILE)
def test_hostile_numbers_in_comments_are_passed_over_or_kept_short(value: str) -> None:
    for fact in comment_facts([("layer_height", value, 1), ("material", value, 2)], comment_map({})):
        assert fact.key == "material" or 0 < float(fact.value) < 10
        assert len(fact.text) <= 200


@pytest.mark.parametrize("text", ["{a: " * 400, "[" * 50_000, "a: b\n" * 30_000, "? " * 20_000, "&a [*a, *a]\n" * 999])
def test_rules_that_never_end_cost_memory_in_proportion(text: str) -> None:
    """Refused; at most 2 kB of traced memory for each byte of the file, or 4 MB."""
    data = text.encode()
    tracemalloc.start()
    try:
        with pytest.raises(RulesError):
            load_rules({"rules.yaml": data})
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak <= max(4_000_000, 2_000 * len(data))
