"""The coarse search: from a rough pose to within reach of the fine one, by evolving a cloud of poses.

CMA-ES (Hansen N, Ostermeier A, Evol Comput 2001;9:159-95; library ``cma``) on the correlation of edges at a small size.
"""

from __future__ import annotations

import warnings

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.projector.line_integrals import ReadyVolume
from cotyle.xray.registration.edges import EdgePicture, likeness
from cotyle.xray.registration.motion import Handle
from cotyle.xray.registration.simulated_edges import simulated_edges

_POPULATION = 18
_PULL = np.array([0.001, 0.001, 0.001, 0.001, 0.001, 0.006])
"""A slight pull to the rough pose, so that the cloud does not wander off the picture; more in depth, which is weakly
seen."""


def search(
    fixed: EdgePicture,
    bone: ReadyVolume,
    carm: CArm,
    handle: Handle,
    sd: npt.ArrayLike,
    evaluations: int,
    seed: int,
    width: float = 1.0,
    start: npt.ArrayLike | None = None,
) -> Array:
    """Return six numbers: the best pose found with a number of simulated pictures.

    Parameters
    ----------
    fixed:
        Edges of the real picture.
    bone:
        The pelvis at a coarse voxel size.
    carm:
        Rough pose, of the size of the edge picture.
    handle:
        What the numbers refer to.
    sd:
        How far the rough pose may be off: one standard deviation of each number.
    evaluations, seed:
        Number of pictures, and the seed of the cloud: the same seed finds the same.
    width:
        Width of the cloud at its start.
    start:
        Numbers to start from; 0 by default.
    """
    import cma

    scale = np.asarray(sd, dtype=float)
    # a wide cloud is for rough poses that are worse than said, but depth is never let go
    pull = _PULL / np.array([width**2] * 5 + [1.0])
    first = np.zeros(6) if start is None else np.asarray(start, dtype=float) / scale
    options = {"maxfevals": evaluations, "popsize": _POPULATION, "seed": seed + 1, "verbose": -9, "tolx": 1e-3}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cloud = cma.CMAEvolutionStrategy(first, 0.7 * width, options)
        while not cloud.stop():
            tried = cloud.ask()
            pictures = simulated_edges(bone, carm, handle, np.array(tried) * scale)
            costs = [
                float(pull @ numbers**2) - likeness(fixed, picture)
                for numbers, picture in zip(tried, pictures, strict=True)
            ]
            cloud.tell(tried, costs)
    return np.asarray(cloud.result.xbest) * scale
