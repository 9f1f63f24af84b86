"""Run the command line with ``python -m sharpset``."""

import sys

from sharpset.cli import main

sys.exit(main())
