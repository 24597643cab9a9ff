"""One compiled loop in several threads."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numba


def in_threads(work: Callable[..., None], *arguments: Any, most: int | None = None) -> None:
    """Call ``work(*arguments, first, step)`` in as many threads as numba is told to use, at most ``most``.

    Each call does the items first, first + step, first + 2 step and so on. ``work`` is compiled with ``nogil``. numba's
    own parallel loops take several times as long to compile, and their threads spin while they wait.
    """
    count = numba.get_num_threads() if most is None else min(numba.get_num_threads(), most)
    if count <= 1:
        work(*arguments, 0, 1)
        return
    with ThreadPoolExecutor(count) as pool:
        for done in [pool.submit(work, *arguments, first, count) for first in range(count)]:
            done.result()
