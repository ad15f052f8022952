"""``python -m knotgeom`` is the command ``knotgeom``."""

import sys

from .command import main

sys.exit(main())
