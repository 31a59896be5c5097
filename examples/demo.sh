#!/bin/sh
# Shows the whole way of a job: makes the environment, runs the real daemon on a temporary share, drops the example
# jobs of a plant nursery's print farm into it, shows what came out, and stops the daemon. Nothing is left behind.
set -eu
cd "$(dirname "$0")/.."
. ./environment.sh
make_environment .
exec "$python" examples/demo.py
