"""`run_daemon.py SETTINGS [stand-in]`: the daemon as `liftwright serve` runs it, with a stand-in worker on request."""

import sys
from pathlib import Path

from liftwright.errors import LiftwrightError
from liftwright.service import WORKER, serve
from liftwright.settings import load_settings

STAND_IN = (sys.executable, str(Path(__file__).with_name("stand_in.py")))


def main() -> int:
    worker = STAND_IN if sys.argv[2:] == ["stand-in"] else WORKER
    try:
        return serve(load_settings(Path(sys.argv[1])), worker_command=worker)
    except LiftwrightError as error:
        print(error, file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
