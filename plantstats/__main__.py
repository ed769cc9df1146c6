"""`python -m plantstats` is the command `plantstats`."""

import sys

from plantstats.cli import main

if __name__ == "__main__":
    sys.exit(main())
