"""Runs the command as `python -m pipeline`."""

import sys

from pipeline.cli import main

sys.exit(main())
