"""Lets the tests of this folder import the leg beside them and the solids of the rooms before."""

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1] / "space")]
