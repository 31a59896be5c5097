#!/bin/sh
# Makes the environment and runs the tests: sh tests/run.sh [--long] [anything else pytest takes]
#
# --long runs the full counts of the tests marked `long` (hours, not minutes).
set -eu
cd "$(dirname "$0")/.."
. ./environment.sh
make_environment '.[tests]'
exec "$python" -m pytest -q "$@"
