"""Lets the tests of this folder import the solids of the rooms before it."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "space"))
