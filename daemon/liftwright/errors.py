"""The error tree and the exit code of each kind.

LiftwrightError            70  a bug of ours unless a subclass says otherwise
├─ UsageError               2  the command line
├─ RulesError               3  the operator's rules or settings; lists every problem
├─ JobError                 4  this file's fault: hold it, go on
│  ├─ UnreadableJob            not G-code that can be read with certainty
│  ├─ UnsupportedJob           read, but no safe rewrite exists
│  └─ JobTooLarge              beyond a stated limit
├─ ProofError               5  our fault: the job is held with both files
└─ DeliveryError            6  the machine's fault: keep the claim, try again later

Exit codes are frozen: scripts rely on them.
"""

from collections.abc import Sequence
from dataclasses import dataclass


class LiftwrightError(Exception):
    """Anything that liftwright itself reports; the message says where, what was seen, what was wanted."""

    exit_code = 70


class UsageError(LiftwrightError):
    """The command line can't be carried out as written."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in the operator's files: `where` is file:line, then the key, what was found, what was wanted."""

    where: str
    key: str
    found: str
    wanted: str

    def __str__(self) -> str:
        at = f"{self.where}: {self.key}: " if self.key else f"{self.where}: "
        return f"{at}found {self.found}; wanted {self.wanted}"


class RulesError(LiftwrightError):
    """The operator's rules or settings hold faults; all of them are listed, not the first alone."""

    exit_code = 3

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class JobError(LiftwrightError):
    """The job can't be rewritten safely: `code` is a stable short word, `line` 1-based or 0 for the whole file."""

    exit_code = 4

    def __init__(self, code: str, message: str, line: int = 0) -> None:
        self.code = code
        self.line = line
        super().__init__(message)


class UnreadableJob(JobError):
    """Not G-code that can be read with certainty."""


class UnsupportedJob(JobError):
    """Read, but no safe rewrite exists; the message tells the user what to change."""


class JobTooLarge(JobError):
    """Beyond a stated limit of size or line length."""


class ProofError(LiftwrightError):
    """A rewritten job broke a promise; it is held with both files as evidence."""

    exit_code = 5


class DeliveryError(LiftwrightError):
    """A folder, disk or permission stands in the way; the claim is kept and nothing is published."""

    exit_code = 6
