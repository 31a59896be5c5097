"""A test in a child process that ends itself: what hangs in compiled code stops for no exception and no signal handler.

Used for hostile input under --long. The child's limits are its own; those of the test run stay as they are.
"""

import os
import resource
import signal
import traceback
from collections.abc import Callable

IDLE = 10


def in_a_child(test: Callable[[], object], most_s: int, by_clock_s: int = 0) -> str:
    """Run `test` in a fork, for `most_s` seconds of processor time at most; "" if it passed, else what went wrong.

    by_clock_s: the same by the clock, 0 for ten times as much: for a hang that waits, even on a busy machine.
    """
    by_clock_s = by_clock_s or IDLE * most_s
    said, say = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(said)
        with os.fdopen(say, "w", errors="backslashreplace") as told:
            _run(test, most_s, by_clock_s, told.write)
        os._exit(0)
    os.close(say)
    with os.fdopen(said, errors="backslashreplace") as told:
        words = told.read()
    ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if ended == 0:
        return words
    if -ended in (signal.SIGXCPU, signal.SIGALRM):
        return f"it hangs: it was ended after {most_s} s of processor time, or {by_clock_s} s by the clock"
    return f"its process ended with {ended}\n{words}"


def _run(test: Callable[[], object], most_s: int, by_clock_s: int, tell: Callable[[str], object]) -> None:
    for limit in (signal.SIGXCPU, signal.SIGALRM):
        signal.signal(limit, signal.SIG_DFL)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CPU, (most_s, most_s + 10))
    signal.alarm(by_clock_s)
    try:
        test()
    except BaseException:
        tell(traceback.format_exc())
