"""``python -m logger`` is the same as ``lieboard``."""

import sys

from logger.cli import main

sys.exit(main())
