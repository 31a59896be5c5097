# Makes .venv in the repository and installs liftwright into it. Sourced by tests/run.sh and examples/demo.sh.
#
#   . ./environment.sh; make_environment WANTED      WANTED is `.` or `.[tests]`; the working folder is the repository
#
# Sets $python to the environment's interpreter. Quick when nothing changed: a stamp remembers what was installed from
# which pyproject.toml. Refuses in a sentence when there is no Python 3.11 or newer and it may not install one.

find_python() {
    for candidate in python3.11 python3.12 python3.13 python3; do
        # ensurepip is what Debian leaves out of its plain Python and puts into python3-venv.
        if "$candidate" -c 'import sys, venv, ensurepip; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then
            echo "$candidate"
            return 0
        fi
    done
    return 1
}

make_environment() {
    wanted=$1
    python=.venv/bin/python
    if [ ! -x "$python" ]; then
        if ! system_python=$(find_python); then
            if [ "$(id -u)" -eq 0 ] && command -v apt-get >/dev/null 2>&1; then
                echo "installing python3-venv (this needs the network once)" >&2
                apt-get update -q >&2 && DEBIAN_FRONTEND=noninteractive apt-get install -y -q python3-venv >&2 || return 1
            fi
            system_python=$(find_python) || {
                echo "Python 3.11 or newer with its venv module is wanted; on Debian: sudo apt-get install python3-venv" >&2
                return 1
            }
        fi
        "$system_python" -m venv .venv || return 1
    fi
    stamp=.venv/installed
    made_from="$wanted $(cksum <pyproject.toml)"
    # What the tests want holds all that the demo wants, so a stamp with [tests] serves both.
    if [ -f "$stamp" ] && { [ "$(cat "$stamp")" = "$made_from" ] || [ "$(cat "$stamp")" = ".[tests] $(cksum <pyproject.toml)" ]; }; then
        return 0
    fi
    echo "installing liftwright and what it needs into .venv (this needs the network once)" >&2
    "$python" -m pip install --quiet --disable-pip-version-check -e "$wanted" >&2 || return 1
    echo "$made_from" >"$stamp"
}
