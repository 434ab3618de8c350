"""``python -m drivers.virtual``: see ``process.py``."""

import sys

from drivers.virtual.process import main

sys.exit(main())
