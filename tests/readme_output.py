"""The outputs and the table of rule keys in README.md, made anew: `python tests/readme_output.py` writes them there.

A fence of the language `console` holds one command and its whole output: ours, or a script of this repository
(`python tests/bench/...`), named from its top. The commands run in a folder that holds `rules/` as shipped, the
example jobs in `jobs/`, the examples' `gauge/` and the finished `trial/`; what they print on stderr counts too. The
standings beside that trial are made too. A test runs the same code and compares.
"""

import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from liftwright.rules.key_table import keys_table

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
STANDINGS = ROOT / "examples" / "trial" / "standings.txt"
STANDINGS_COMMAND = "liftwright standings --settings trial/settings.yaml"
KEYS = re.compile(r"(<!-- keys: begin -->\n)(.*?)(<!-- keys: end -->)", re.DOTALL)
_BLOCK = re.compile(r"^```console\n\$ (?P<command>(?:liftwright|python) .*)\n(?P<output>(?:.*\n)*?)```$", re.MULTILINE)


def shown() -> list[tuple[str, str]]:
    """(command, output) of every block, in the order of the file."""
    text = README.read_text(encoding="utf-8")
    return [(match["command"], match["output"]) for match in _BLOCK.finditer(text)]


def prepare(folder: Path) -> None:
    """Lay out what the commands need."""
    shutil.copytree(ROOT / "rules", folder / "rules")
    shutil.copytree(ROOT / "examples" / "gauge", folder / "gauge")
    subprocess.run((sys.executable, ROOT / "examples" / "make_jobs.py", folder / "jobs"), check=True)
    finished = (ROOT / "examples" / "trial" / "make_trial.py", folder / "trial")
    subprocess.run((sys.executable, *finished), check=True, stdout=subprocess.DEVNULL)


def output_of(command: str, folder: Path) -> str:
    """What the command prints there, stderr after stdout."""
    program, *words = shlex.split(command)
    words = ["-m", "liftwright", *words] if program == "liftwright" else [str(ROOT / words[0]), *words[1:]]
    done = subprocess.run((sys.executable, *words), cwd=folder, capture_output=True, text=True, check=False)
    return done.stdout + done.stderr


def main() -> None:
    """Write README.md with the outputs of now."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        prepare(folder)
        outputs = {command: output_of(command, folder) for command, _ in shown()}
        STANDINGS.write_text(output_of(STANDINGS_COMMAND, folder), encoding="utf-8")
    text = README.read_text(encoding="utf-8")
    made = _BLOCK.sub(lambda match: f"```console\n$ {match['command']}\n{outputs[match['command']]}```", text)
    made = KEYS.sub(lambda match: f"{match[1]}{keys_table()}{match[3]}", made)
    README.write_text(made, encoding="utf-8")


if __name__ == "__main__":
    main()
