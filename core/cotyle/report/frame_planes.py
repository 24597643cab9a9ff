"""The three planes of a frame, seen as a radiologist sees them."""

from __future__ import annotations

import numpy.typing as npt

from cotyle.report.cup_planes import CutPlane
from cotyle.space.arrays import as_vector
from cotyle.space.frames import Frame


def frame_planes(frame: Frame, center_lps_mm: npt.ArrayLike) -> tuple[CutPlane, CutPlane, CutPlane]:
    """Return the axial plane seen from below, the coronal one from in front, the sagittal one from the left.

    The patient's left lies on the right of the picture, the front of a sagittal picture on its left (convention of the
    trade). The letters stand for the frame's own axes.
    """
    center = as_vector(center_lps_mm, "middle of the planes")
    return (
        CutPlane("axial", f"Axial, {frame.name}, from below", center, frame.left, frame.anterior, ("L", "R", "A", "P")),
        CutPlane(
            "coronal", f"Coronal, {frame.name}, from in front", center, frame.left, frame.superior, ("L", "R", "S", "I")
        ),
        CutPlane(
            "sagittal",
            f"Sagittal, {frame.name}, from the left",
            center,
            frame.posterior,
            frame.superior,
            ("P", "A", "S", "I"),
        ),
    )
