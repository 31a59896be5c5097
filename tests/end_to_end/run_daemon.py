"""`run_daemon.py SETTINGS [stand-in]`: the daemon as `liftwright serve` runs it, with a stand-in worker on request.

It looks around more often than a farm needs, so that tests need not wait: intervals are shorter, nothing else differs.
"""

import sys
from pathlib import Path

from liftwright import crew, health, intake, service, trouble
from liftwright.errors import LiftwrightError
from liftwright.service import WORKER, serve
from liftwright.settings import load_settings

STAND_IN = (sys.executable, str(Path(__file__).with_name("stand_in.py")))

service.LOOK_S = 0.3
service.HEALTH_S = 0.5
service.STATUS_S = 0.2
service.METRICS_S = 0.5
service.TURN_S = 0.3
service.SOONEST_LISTING_S = intake.SOONEST_LISTING_S = 0.1
intake.LISTING_ALONE_S = 0.5
health.WATCH_AGAIN_S = 1.0
trouble.BACK_OFF_S = 0.5
crew.RESTART_S = 0.2


def main() -> int:
    worker = STAND_IN if sys.argv[2:] == ["stand-in"] else WORKER
    try:
        return serve(load_settings(Path(sys.argv[1])), worker_command=worker)
    except LiftwrightError as error:
        print(error, file=sys.stderr)
        return error.exit_code


if __name__ == "__main__":
    sys.exit(main())
