"""The command line: arguments in, an exit code out; what is wanted goes to stdout, trouble in one sentence to stderr.

Each command lives in a module of its own, imported only when it is asked for: the kernels' compiler and the models
take longer to import than `liftwright history` takes to run.

It refuses what it can't carry out as written (2), and passes on the exit code of every other refusal (errors.py).
"""

import argparse
import importlib
import os
import sys
import traceback
from collections.abc import Sequence
from datetime import date
from importlib.metadata import version
from typing import TypeAlias

from liftwright.errors import DeliveryError, LiftwrightError, RulesError

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

SETTINGS_FILE = "/etc/liftwright/settings.yaml"
"""Where an installation keeps its settings unless told otherwise."""

INTERRUPTED = 130
"""Exit code after Ctrl-C: 128 + SIGINT, as shells have it."""

BUG = LiftwrightError.exit_code

EXIT_CODES = """\
exit codes:
  0   fine
  2   usage: the command line can't be carried out as written
  3   rules: the rules or the settings hold faults, all of them listed
  4   job refused: not a job that can be rewritten with certainty, or the rules say to hold it
  5   proof failed: the rewritten job broke a promise; nothing was written
  6   delivery: a folder, a disk or a permission stands in the way
  70  bug: please report it with the text shown
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Carry out one command and return its exit code; argparse itself leaves with 2 on a usage error."""
    arguments = build_parser().parse_args(argv)
    try:
        code = _run(arguments)
        sys.stdout.flush()
    except BrokenPipeError:
        # The reader of our pipe (head, less) has seen enough. Python flushes stdout once more on its way out and would
        # complain there, so give it somewhere to write.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return INTERRUPTED
    return code


def _run(arguments: argparse.Namespace) -> int:
    try:
        module = importlib.import_module(f"liftwright.command_{arguments.module}")
        code: int = getattr(module, arguments.function)(arguments)
    except RulesError as error:
        print(f"{len(error.problems)} fault(s) in the rules or settings:\n{error}", file=sys.stderr)
        return error.exit_code
    except LiftwrightError as error:
        if error.exit_code == BUG:
            return _report_bug()
        print(f"liftwright: {error}", file=sys.stderr)
        return error.exit_code
    except BrokenPipeError:
        raise
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        print(f"liftwright: {where}{error.strerror}", file=sys.stderr)
        return DeliveryError.exit_code
    except Exception:
        return _report_bug()
    return code


def _report_bug() -> int:
    traceback.print_exc()
    print("liftwright: this is a bug of ours; please report it with the text above and the job", file=sys.stderr)
    return BUG


def build_parser() -> argparse.ArgumentParser:
    """The whole command line; a test holds its help against the README."""
    parser = argparse.ArgumentParser(
        prog="liftwright",
        description="Raises the travels of filament print jobs where they would strike what has been printed, and "
        "proves that nothing else changed.",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"liftwright {version('liftwright')}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _add_job_commands(commands)
    _add_seeing_commands(commands)
    _add_rules_commands(commands)
    _add_share_commands(commands)
    _add_evidence_commands(commands)
    _add_gauge(commands)
    return parser


def _add_job_commands(commands: Commands) -> None:
    rewrite = _command(commands, "rewrite", "rewrite", "rewrite one job and prove it")
    rewrite.description = (
        "Rewrites one job by the rules, proves it, and writes OUT whole or not at all. A job that needs no change "
        "comes out byte for byte as it went in."
    )
    rewrite.add_argument("job", metavar="JOB", help="the job to read; never written to")
    rewrite.add_argument("--to", metavar="OUT", required=True, help="where the rewritten job goes")
    rewrite.add_argument("--force", action="store_true", help="replace OUT if it exists")
    _add_rules(rewrite)
    _add_tags(rewrite)
    rewrite.add_argument("--json", action="store_true", help="print the whole result as JSON")

    prove = _command(commands, "rewrite", "prove", "check that only travels differ between two jobs")
    prove.description = (
        "Reads both jobs afresh and checks every promise: same beads, same retractions, same other lines, travels "
        "within the limits of the printer that the rules name for ORIGINAL."
    )
    prove.add_argument("original", metavar="ORIGINAL", help="the job as it was")
    prove.add_argument("rewritten", metavar="REWRITTEN", help="the job as it came out")
    _add_rules(prove)
    _add_tags(prove)
    prove.add_argument("--json", action="store_true", help="print the proof as JSON")

    explain = _command(commands, "explain", "explain", "say what would be done to a job, and why; writes nothing")
    explain.description = (
        "Shows the facts found in a job and where each came from, every rule tried and why it did not hold, and what "
        "a rewrite would do. No file is written."
    )
    explain.add_argument("job", metavar="JOB", help="the job to read")
    _add_rules(explain)
    _add_tags(explain)
    explain.add_argument("--json", action="store_true", help="print everything as JSON")

    compare = _command(commands, "compare", "compare", "try every shape of lift on a job; writes nothing")
    compare.description = (
        "Shows what lifts of every shape would add to a job in time, what they would strike and how they would use the "
        "Z axis, and says which shape the rule takes and why. No file is written."
    )
    compare.add_argument("job", metavar="JOB", help="the job to read")
    _add_rules(compare)
    _add_tags(compare)
    compare.add_argument("--json", action="store_true", help="print everything as JSON")


def _add_seeing_commands(commands: Commands) -> None:
    picture = _command(commands, "picture", "picture", "draw a job as a page for any browser")
    picture.description = (
        "Draws what a rewrite would do to a job: every layer from above, every travel from the side with what stands "
        "under it, before and after. The page opens without a server or a network; the script that it needs is written "
        "beside it."
    )
    picture.add_argument("job", metavar="JOB", help="the job to read; never written to")
    picture.add_argument("--to", metavar="PAGE", required=True, help="where the page goes, such as pot.html")
    picture.add_argument("--force", action="store_true", help="replace PAGE if it exists")
    _add_rules(picture)
    _add_tags(picture)

    trial = _command(commands, "trial", "trial", "make several jobs of one that differ in their travels alone")
    trial.description = (
        "Makes of one job several that differ in nothing but their travels, proves each, and writes them as A, B, C "
        "in an order drawn by lot into a new folder, with a sheet that says what to look for and a record of which is "
        "which."
    )
    trial.add_argument("job", metavar="JOB", help="the job to read; never written to")
    trial.add_argument(
        "--shapes", metavar="LIST", required=True, help="shapes of lift, such as square,sawtooth,terrain"
    )
    trial.add_argument(
        "--heights", metavar="LIST", default="", help="heights in mm, such as 0.4,0.6 (default: the rule's)"
    )
    trial.add_argument("--to", metavar="FOLDER", required=True, help="a folder that isn't there yet, or is empty")
    _add_rules(trial)
    _add_tags(trial)


def _add_rules_commands(commands: Commands) -> None:
    check = _command(commands, "check", "check", "check the rules and list every fault")
    check.description = "Reads a rules folder as the daemon would and lists every fault with file, line and key."
    check.add_argument("rules", metavar="RULES", nargs="?", help="rules folder or file (default: the settings' folder)")
    _add_settings(check)
    check.add_argument("--schema", action="store_true", help="print the JSON Schema of the rules for your editor")


def _add_share_commands(commands: Commands) -> None:
    serve = _command(commands, "serve", "serve", "watch the share and rewrite what is dropped there")
    serve.description = "Runs the daemon until it is told to stop (SIGTERM or Ctrl-C); SIGHUP reads the rules again."
    _add_settings(serve)

    status = _command(commands, "share", "status", "show how the daemon and the share are doing")
    status.description = "Shows whether the daemon is alive, what waits, what is being worked on and what is held."
    _add_settings(status)
    status.add_argument("--json", action="store_true", help="print it as JSON")

    history = _command(commands, "share", "history", "list what became of the jobs")
    history.description = "Lists the recorded jobs, oldest first: a table on a terminal, JSON lines in a pipe."
    _add_settings(history)
    history.add_argument("--outcome", choices=("rewritten", "unchanged", "held"), help="only jobs that came out so")
    history.add_argument("--rule", metavar="GLOB", help="only jobs whose rule has a name like this")
    history.add_argument("--printer", metavar="GLOB", help="only jobs for printers of a name like this")
    history.add_argument("--since", metavar="DATE", type=_date, help="only jobs from this day on (YYYY-MM-DD)")
    history.add_argument("--until", metavar="DATE", type=_date, help="only jobs up to the end of this day")
    history.add_argument("--verify", action="store_true", help="check that no record was changed or removed")

    release = _command(commands, "share", "release", "let a held job go")
    release.description = (
        "Hands a held job on as it was uploaded, or puts it back into the inbox with --again. Look at its .why.txt "
        "first: it says why the job was held."
    )
    release.add_argument("job", metavar="JOB", help="the job's id, or its name in held/")
    _add_settings(release)
    release.add_argument("--again", action="store_true", help="queue it again, to be rewritten by the rules of now")


def _add_evidence_commands(commands: Commands) -> None:
    verdict = _command(commands, "verdict", "verdict", "record what you saw of a print")
    verdict.description = (
        "Records a verdict on one print in the ledger, linked to the job by its hash. A second verdict on the same "
        "print is recorded as a correction. The same can be dropped into verdicts/ as a small YAML file."
    )
    verdict.add_argument("job", metavar="JOB-ID", help="the job's number, or the trial's")
    verdict.add_argument("--letter", metavar="LETTER", help="which arm of a trial was printed")
    verdict.add_argument("--print", metavar="N", type=int, help="which print of this job it is (default: 1)")
    verdict.add_argument("--stayed", choices=("yes", "no"), required=True, help="did the part stay on the bed?")
    verdict.add_argument("--strings", metavar="0-5", type=int, required=True, help="0 (none) to 5 (a web)")
    verdict.add_argument("--finish", metavar="0-5", type=int, required=True, help="0 (scrap) to 5 (as good as it gets)")
    verdict.add_argument("--minutes", metavar="MINUTES", type=float, help="how long the print took")
    verdict.add_argument("--note", metavar="TEXT", help="one line")
    _add_settings(verdict)

    standings = _command(commands, "standings", "standings", "sum up the verdicts; propose changes of the rules")
    standings.description = (
        "Sums up the recorded verdicts: how often parts stayed, with intervals; grades; ways of lifting compared "
        "within trials; and changes of the rules that the evidence speaks for, in words. Nothing is written."
    )
    standings.add_argument(
        "--by", metavar="KEYS", default="shape", help="some of material, printer, shape, rule, with commas between"
    )
    standings.add_argument("--json", action="store_true", help="print everything as JSON")
    _add_settings(standings)


def _add_gauge(commands: Commands) -> None:
    gauge = _command(commands, "gauge", "gauge", "make a print that measures a machine, or evaluate its reading")
    gauge.description = (
        "Writes a calibration print and its sheet: fins that are crossed at stepped clearances (curl), or pairs of "
        "posts with a shape of lift each (strings). With --reading it turns a filled-in sheet into numbers for a "
        "material's entry. Heat, motion, fire: never leave a gauge unattended; the machine's manual has the last word."
    )
    gauge.add_argument("--for", dest="kind", choices=("curl", "strings"), default="curl", help="what to measure")
    gauge.add_argument("--printer", metavar="NAME", help="printer entry of the rules")
    gauge.add_argument("--material", metavar="NAME", help="material entry of the rules")
    gauge.add_argument("--nozzle-temp", metavar="N", type=int, help="°C; required, never guessed")
    gauge.add_argument("--bed-temp", metavar="N", type=int, help="°C; required, never guessed")
    gauge.add_argument("--fan", metavar="PERCENT", type=int, help="part cooling fan above the first layers; required")
    gauge.add_argument("--layer-height", metavar="MM", type=float, help="required")
    gauge.add_argument("--retraction", metavar="MM", type=float, help="filament drawn back before travels; required")
    gauge.add_argument("--speed", metavar="MM_S", type=float, help="printing speed in mm/s; required")
    gauge.add_argument("--to", metavar="JOB", help="where the job goes; its sheet goes beside it, ending in .md")
    gauge.add_argument("--force", action="store_true", help="replace files that exist")
    _add_rules(gauge)
    gauge.add_argument("--reading", metavar="FILE", help="evaluate this filled-in sheet; nothing else is needed")


def _command(commands: Commands, module: str, name: str, summary: str) -> argparse.ArgumentParser:
    """One subcommand, carried out by the function `name` of the module `command_<module>`."""
    parser = commands.add_parser(name, help=summary)
    parser.set_defaults(module=module, function=name)
    return parser


def _add_rules(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--rules", metavar="DIR", help="rules folder or file (default: the settings' folder)")
    _add_settings(parser)


def _add_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", metavar="FILE", help=f"settings of the installation (default: {SETTINGS_FILE})")


def _add_tags(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--tag",
        metavar="KEY=VALUE",
        dest="tags",
        action="append",
        default=[],
        help="a fact that outweighs all others, such as material=PETG; may be given again",
    )


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}; wanted a day such as 2026-03-31") from None
