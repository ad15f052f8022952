"""What every test may use."""

from __future__ import annotations

import contextlib

with contextlib.suppress(ImportError):  # the tests inside Blender do without it
    from hypothesis import settings

    # The same examples every time, so that a failure is one for everybody; a slow machine is no failure.
    settings.register_profile("knotgeom", deadline=None, derandomize=True, max_examples=60)
    settings.load_profile("knotgeom")
