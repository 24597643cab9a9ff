"""Linear algebra in one thread, so that its sums do not depend on how many processors there are."""

from __future__ import annotations

import os
import sys

_LIBRARIES = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def sum_in_one_order() -> None:
    """Have NumPy's and SciPy's linear algebra take one thread, also in child processes; to be called before both load.

    With several threads OpenBLAS cuts long sums into as many pieces: fits of bones then differ in their last digits,
    and what rests on a choice among nearly equal places by up to a millimetre.
    """
    if "numpy" not in sys.modules:
        os.environ.update(dict.fromkeys(_LIBRARIES, "1"))
