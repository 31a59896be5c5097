"""`python -m liftwright` is the console script."""

import sys

from liftwright.command import main

if __name__ == "__main__":
    sys.exit(main())
