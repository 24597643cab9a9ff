"""A femoral head looked for where it isn't in its socket: above and beside it, as far as a false socket in the ilium.

A ball of bone with something darker all round it is rare near a hip: neither the empty socket (dark within) nor the
ilium (not round) nor the greater trochanter (fused with the neck on half its surface) is one. So a coarse scan is
asked, on a grid of places and sizes, how much denser it is just within a sphere than just outside, all round except at
the neck; the best place is then measured at full resolution by
:func:`cotyle.anatomy.segmentation.femoral_head.find_head`.
"""

from __future__ import annotations

import numpy as np

from cotyle.anatomy.segmentation.femoral_head import NECK_COSINE, find_head, neck_direction
from cotyle.anatomy.shapes.coarse_search import Pose
from cotyle.anatomy.shapes.surface_fit import Trust
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.directions import even_directions
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# How far from the fitted socket: lateral, posterior, superior in the pelvis's own axes. Crowe's groups II and III reach
# 0.2 pelvic heights, about 45 mm; the fitted socket itself may be 10 mm off.
_LATERAL_MM, _POSTERIOR_MM, _SUPERIOR_MM = (-9.0, 36.0), (-15.0, 15.0), (-9.0, 48.0)
_GRID_MM = 3.0
_RAYS = 90
# Radii of the shells that are read; a head lies between the first and last but three.
_SHELLS_MM = np.arange(13.0, 36.0, 2.0)
_DENSITY_RANGE_HU = (-50.0, 450.0)
# One edge counts at most so much, that a strong one on one side does not stand for a sphere.
_CAP_HU = 150.0
_CARTILAGE_MM = 3.0


def find_displaced_head(
    volume: Volume, smooth: Volume, socket: Sphere, pelvis: Pose, side: Side, trust: Trust | None = None
) -> Sphere | None:
    """Return the sphere of a femoral head that lies beside or above its socket, or None if there is no clear one.

    Parameters
    ----------
    volume, smooth:
        CT in HU, and the same at about 2.5 mm.
    socket:
        Of the fitted pelvis; 10 mm do not matter.
    pelvis:
        How the model lies in the scan.
    side:
        Which hip.
    trust:
        How far the scan is to be believed at a place (metal); everywhere if not given.
    """
    neck = neck_direction(pelvis, side)
    guess = _roundest(smooth, socket.center_lps_mm, pelvis, side, neck)
    return find_head(volume, guess, neck, trust)


def _roundest(smooth: Volume, socket_lps_mm: Array, pelvis: Pose, side: Side, neck: Array) -> Sphere:
    """The sphere round which density falls most, all round except at the neck."""
    directions = even_directions(_RAYS)
    directions = directions[directions @ neck < NECK_COSINE]
    centers = socket_lps_mm + _offsets(side) @ pelvis.rotation.T
    points = centers[:, None, None] + _SHELLS_MM[:, None, None] * directions
    density = np.clip(sample(smooth, points), *_DENSITY_RANGE_HU)
    outside = np.minimum(density[:, 2:-1], density[:, 3:])
    fall = np.clip(density[:, :-3] - outside, -_CAP_HU, _CAP_HU).mean(axis=2)
    place, shell = np.unravel_index(int(np.argmax(fall)), fall.shape)
    return Sphere(centers[place], float(_SHELLS_MM[shell + 1] + 1.0 + _CARTILAGE_MM))


def _offsets(side: Side) -> Array:
    """Places of the grid (n, 3) in the pelvis's axes: left, posterior, superior."""
    ranges = (_LATERAL_MM, _POSTERIOR_MM, _SUPERIOR_MM)
    grids = np.meshgrid(*(np.arange(low, high + 0.1, _GRID_MM) for low, high in ranges), indexing="ij")
    return np.stack([side.lateral_sign * grids[0].ravel(), grids[1].ravel(), grids[2].ravel()], axis=1)
