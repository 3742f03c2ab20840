"""Run the command line with ``python -m swaptable``."""

import sys

from swaptable.cli import main

sys.exit(main())
