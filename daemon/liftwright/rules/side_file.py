"""The side file of a job (`JOB.tags.yaml`): a flat mapping of tags in the same strict YAML as the rules → facts.

Refused with everything that is wrong in it, as a fault of the job: a side file that was meant and can't be read must
not leave the job to weaker facts. It may name the printer only where the installation says so, since a wrong printer
means wrong limits.
"""

from liftwright.errors import Problem, UnreadableJob
from liftwright.job.facts import MAX_VALUE, MEASURED, NUMERIC, Fact, canonical_key, clean, fact_value
from liftwright.rules.faults import found_words
from liftwright.rules.yaml_source import BROKEN, Sheet, Value, read_sheet

MAX_TAGS = 50


def side_facts(data: bytes, name: str, may_set_printer: bool = False) -> list[Fact]:
    """The facts of a side file; UnreadableJob ("side-file") lists every problem by line. `name` is for the messages."""
    sheet = read_sheet(name, data)
    problems = list(sheet.problems)
    facts: dict[str, Fact] = {}
    if isinstance(sheet.value, dict) and len(sheet.value) <= MAX_TAGS:
        for key_text, value in sheet.value.items():
            if value is BROKEN:
                continue  # its problem stands in the sheet already
            tag = _tag(sheet, key_text, value, may_set_printer)
            if isinstance(tag, Problem):
                problems.append(tag)
            elif tag.key in facts:
                problems.append(Problem(sheet.where((key_text,)), key_text, f"{tag.key} again", "each tag once"))
            else:
                facts[tag.key] = tag
    elif sheet.value is not BROKEN:
        wanted = f"a flat mapping of at most {MAX_TAGS} tags, such as material: PETG"
        problems.append(Problem(f"{name}:1", "", found_words(sheet.value), wanted))
    if problems:
        raise UnreadableJob("side-file", "\n".join(str(problem) for problem in problems))
    return list(facts.values())


def _tag(sheet: Sheet, key_text: str, value: Value, may_set_printer: bool) -> Fact | Problem:
    key = canonical_key(key_text)
    if key is None:
        wanted = "letters, digits and '_', a letter first, at most 40"
        return Problem(sheet.where((key_text,)), key_text, "a key that can't be a tag", wanted)
    fault = _fault(key, value, may_set_printer)
    if fault is not None:
        return Problem(sheet.where((key_text,)), key_text, *fault)
    plain = clean(value) if isinstance(value, str) else float(value)
    return Fact(key, plain, f"side file, line {sheet.lines[key_text,]}")


def _fault(key: str, value: Value, may_set_printer: bool) -> tuple[str, str] | None:
    """(found, wanted) of a value that can't be used, or None."""
    if key in MEASURED:
        return f"{key}, which is measured from the job itself", "no such tag"
    if key == "printer" and not may_set_printer:
        return found_words(value), "no printer here: the settings don't let side files set it"
    if isinstance(value, bool | tuple | dict):
        return found_words(value), "a text or a number"
    if key in NUMERIC:
        return None if not isinstance(value, str) and value > 0 else (found_words(value), "a number above 0")
    if key in ("material", "printer", "model") and not isinstance(value, str):
        return found_words(value), "a text; quotes make one of a number"
    if isinstance(value, str) and fact_value(key, value) is None:
        return found_words(value), f"a text of 1 to {MAX_VALUE} characters"
    return None
