"""Lets the tests of this room import the solids beside them."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
