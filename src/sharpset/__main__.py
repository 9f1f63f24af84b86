"""Run the command line with ``python -m sharpset``."""

import sys

from sharpset.cli import main

if __name__ == "__main__":
    sys.exit(main())
