"""Edges of simulated pictures of the pelvis, for many poses of a C-arm at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.xray.carm import CArm
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_moved
from cotyle.xray.registration.edges import EdgePicture, FloatPicture, gradients
from cotyle.xray.registration.motion import Handle


@dataclass(frozen=True, eq=False)
class View:
    """Edges of a real picture, and the pose of its C-arm that motions start from, of the size of the edges.

    Of several views of one pelvis that lay still, all poses are moved by one and the same motion.
    """

    fixed: EdgePicture
    carm: CArm


def simulated_edges(bone: ReadyVolume, carm: CArm, handle: Handle, numbers: npt.ArrayLike) -> list[FloatPicture]:
    """Return the gradients (2, rows, columns) that the C-arm sees after each motion of six numbers, shape (n, 6)."""
    # the bone is moved the other way, which leaves the C-arm's rays as they are
    motions = np.stack([np.linalg.inv(handle.motion(each)) for each in np.asarray(numbers, dtype=float)])
    return [gradients(picture) for picture in line_integrals_moved(bone, carm, motions)]
