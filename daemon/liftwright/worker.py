"""The worker process: the real core behind `workloop`, on a channel inherited from the daemon.

`python -m liftwright.worker --channel FD`. It dies with the daemon, and compiles every kernel before it says ready.
"""

import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from liftwright.evidence.page import page
from liftwright.evidence.picture import draw
from liftwright.evidence.script import script
from liftwright.evidence.sheet import sheet
from liftwright.evidence.trial import stem_and_suffix
from liftwright.evidence.trial_folder import fill_folder, sync_files
from liftwright.job.facts import Fact
from liftwright.job.name_facts import compile_folder_pattern, compile_pattern, folder_facts, name_facts
from liftwright.leftovers import sweep
from liftwright.rewrite import Result, rewrite
from liftwright.rules.load import load_rules
from liftwright.rules.schema import RuleSet
from liftwright.rules.side_file import side_facts
from liftwright.spool.durable import replace_file
from liftwright.spool.names import printable
from liftwright.threads import second_thread
from liftwright.warming import warm
from liftwright.workloop import Tick, Worker, join_daemon


class RealCore:
    """The core as `workloop` wants it."""

    def rules(self, files: Mapping[str, bytes]) -> RuleSet:
        """The rule set of a snapshot that the daemon has checked."""
        return load_rules(files)

    def given(self, request: Mapping[str, Any]) -> Iterator[Fact]:
        """What is known of a job from outside, strongest first: side file, name, folder."""
        if request["tags"] is not None:
            name = Path(request["relative"]).name + ".tags.yaml"
            yield from side_facts(Path(request["tags"]).read_bytes(), name, request["may_set_printer"])
        folder, _, name = request["relative"].rpartition("/")
        if request["name_pattern"] is not None:
            yield from name_facts(compile_pattern(request["name_pattern"], "name_pattern"), name)
        if request["folder_pattern"] is not None:
            yield from folder_facts(compile_folder_pattern(request["folder_pattern"], "folder_pattern"), folder)

    def rewrite(
        self,
        source: BinaryIO,
        sink: BinaryIO,
        rules: RuleSet,
        given: Sequence[Fact],
        comment_keys: Mapping[str, str],
        tick: Tick,
    ) -> Result:
        """The core itself."""
        with second_thread() as aside:
            return rewrite(source, sink, rules, given, comment_keys, tick, aside=aside)

    def trial(
        self, source: BinaryIO, name: str, rules: RuleSet, given: Sequence[Fact], comment_keys: Mapping[str, str],
        folder: Path, tick: Tick,
    ) -> dict[str, Any]:  # fmt: skip
        """The arms and the sheet of the rule's trial in an empty folder, all synced; the record, as plain values."""
        made = fill_folder(source, name, rules, given, comment_keys, None, folder, tick)
        stem, _ = stem_and_suffix(printable(name)[0])
        text = sheet(made.trial, "records/trials/", None, made.worst)
        replace_file(folder / f"{stem}.sheet.md", text.encode("utf-8"))
        sync_files(folder)
        return made.trial.model_dump(mode="json")

    def page(
        self, source: BinaryIO, name: str, rules: RuleSet, given: Sequence[Fact], comment_keys: Mapping[str, str],
        blind: bool, tick: Tick,
    ) -> bytes:  # fmt: skip
        """The page of a job, to lie in a folder of records/ with the script one above."""
        drawing = script().name
        with tempfile.TemporaryFile() as scratch:
            found = draw(source, scratch, rules, given, comment_keys, tick, before_only=blind)
        return page(found, printable(name)[0], f"../{drawing}", blind=blind)


def main(arguments: Sequence[str]) -> int:
    """Serve the channel until the daemon closes it."""
    channel = join_daemon(arguments)
    sweep()
    warm()
    Worker(channel, RealCore()).serve()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
