"""The bone that pictures are matched with: the pelvis alone, by how much it attenuates more than flesh does.

Femora move between the CT and the picture, so they are left out. Flesh round the bone makes smooth shades only; what is
above it makes the edges.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.labels import LABEL_OF_BONE
from cotyle.image.volume import Volume
from cotyle.space.arrays import read_only
from cotyle.xray.attenuation import AttenuationCurve, attenuation_curve
from cotyle.xray.projector.line_integrals import ReadyVolume, prepare

PELVIS = ("left_hip_bone", "right_hip_bone", "sacrum")
LEVELS_MM = (0.0, 1.6, 3.2)
"""Voxel size of each copy, finest first; 0 is the CT's own."""

_FLESH_HU = 50.0


@dataclass(frozen=True, eq=False)
class BoneModel:
    """Excess attenuation of the pelvis over flesh, ready to be projected, by voxel size (see :data:`LEVELS_MM`)."""

    levels: Mapping[float, ReadyVolume]


def bone_model(scan: Volume, labels: Volume) -> BoneModel:
    """Return the pelvis of a CT, for registration.

    A voxel counts if it belongs to a hip bone or the sacrum, or if it is free and touches one that does: the outer half
    of a blurred edge lies beyond the label.

    Parameters
    ----------
    scan, labels:
        HU and label map (see :mod:`cotyle.image.labels`) on the same grid.

    Raises
    ------
    InputError
        ``registration-grid`` if the two grids differ, ``registration-bones`` if no pelvis is labelled.
    """
    if scan.size != labels.size or not np.allclose(scan.ijk_to_lps, labels.ijk_to_lps, atol=1e-6):
        raise InputError("registration-grid", "scan and label map lie on different grids")
    held = np.isin(labels.voxels, [LABEL_OF_BONE[name] for name in PELVIS])
    if not held.any():
        raise InputError("registration-bones", "the label map holds neither a hip bone nor the sacrum")
    fine = prepare(scan, _excess_curve(), within=held | (_touching(held) & (labels.voxels == 0)))
    return BoneModel({mm: fine if mm == 0.0 else fine.coarser(mm) for mm in LEVELS_MM})


def _excess_curve() -> AttenuationCurve:
    """Return the curve of what is above flesh; all below counts nothing."""
    curve = attenuation_curve()
    knots = np.array([_FLESH_HU, *curve.hu[curve.hu > _FLESH_HU]])
    return AttenuationCurve(read_only(knots), read_only(curve(knots) - curve(_FLESH_HU)), curve.ct_kev, curve.xray_kev)


def _touching(held: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return the voxels that share a face with one that is held."""
    near = np.zeros_like(held)
    for axis in range(3):
        ahead, behind = [slice(None)] * 3, [slice(None)] * 3
        ahead[axis], behind[axis] = slice(1, None), slice(None, -1)
        near[tuple(ahead)] |= held[tuple(behind)]
        near[tuple(behind)] |= held[tuple(ahead)]
    return near
