"""The coarse search: from a rough pose to within reach of the fine one, by evolving a cloud of poses.

CMA-ES (Hansen N, Ostermeier A, Evol Comput 2001;9:159-95; library ``cma``) on the correlation of edges at a small size.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array
from cotyle.xray.projector.line_integrals import ReadyVolume
from cotyle.xray.registration.edges import likeness
from cotyle.xray.registration.motion import Handle
from cotyle.xray.registration.simulated_edges import View, simulated_edges

_POPULATION = 18
_PULL = np.array([0.004, 0.004, 0.004, 0.004, 0.004, 0.024])
"""A slight pull to the rough pose, so that the cloud does not wander off the picture; more in depth, which is weakly
seen."""


def search(
    views: Sequence[View],
    bone: ReadyVolume,
    handle: Handle,
    sd: npt.ArrayLike,
    evaluations: int,
    seed: int,
    width: float = 1.0,
    start: npt.ArrayLike | None = None,
    start_width: float | None = None,
) -> tuple[Array, float]:
    """Return six numbers, the best pose found with a number of simulated pictures of each view, and its score.

    Parameters
    ----------
    views:
        Edges and rough poses; several are moved together.
    bone:
        The pelvis at a coarse voxel size.
    handle:
        What the numbers refer to.
    sd:
        How far the rough pose may be off: one standard deviation of each number.
    evaluations, seed:
        Number of pictures of each view, and the seed of the cloud: the same seed finds the same.
    width:
        How many times farther off the rough pose may be than is said.
    start:
        Numbers to start from; 0 by default.
    start_width:
        Width of the cloud at its start, in ``sd``; 0.7 times ``width`` by default.
    """
    import cma

    scale = np.asarray(sd, dtype=float)
    first = np.zeros(6) if start is None else np.asarray(start, dtype=float) / scale
    options = {"maxfevals": evaluations, "popsize": _POPULATION, "seed": seed + 1, "verbose": -9, "tolx": 1e-3}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cloud = cma.CMAEvolutionStrategy(first, 0.7 * width if start_width is None else start_width, options)
        while not cloud.stop():
            tried = np.array(cloud.ask())
            cloud.tell(list(tried), list(-scores(views, bone, handle, scale, tried * scale, width)))
    return np.asarray(cloud.result.xbest) * scale, -float(cloud.result.fbest)


def scores(
    views: Sequence[View], bone: ReadyVolume, handle: Handle, sd: Array, numbers: npt.ArrayLike, width: float
) -> Array:
    """Return for each of n motions, (n, 6), how much alike the edges are, less a pull to the rough pose."""
    alike = np.mean(
        [
            [likeness(each.fixed, moving) for moving in simulated_edges(bone, each.carm, handle, numbers)]
            for each in views
        ],
        axis=0,
    )
    return np.asarray(alike - pull(sd, numbers, width))


def pull(sd: Array, numbers: npt.ArrayLike, width: float) -> Array:
    """Return what numbers, (n, 6), cost by their distance from the rough pose alone."""
    # a wide cloud is for rough poses that are worse than said, but depth is never let go
    share = _PULL / np.array([width**2] * 5 + [1.0])
    return np.asarray((np.asarray(numbers, dtype=float) / sd) ** 2 @ share)
