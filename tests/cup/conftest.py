"""Lets the tests of this room import the solids beside them; the first call of a compiled loop takes seconds."""

import sys
from pathlib import Path

from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))
settings.register_profile("compiled", deadline=None)
settings.load_profile("compiled")
