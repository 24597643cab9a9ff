"""A picture in millimetres at a cup's depth: what a surgeon measures on the screen once the magnification is out."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, as_vector
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm


class Screen:
    """The picture in the plane through a cup's centre parallel to the detector, with the patient's left and up as axes.

    ``left`` runs along the line through both teardrops where both are known, else along the picture's horizontal;
    ``up`` stands at right angles to it. Names of landmarks that were asked for and not given collect in ``missing``.
    """

    def __init__(self, carm: CArm, rim: Circle, landmarks: Mapping[str, npt.ArrayLike]) -> None:
        self._carm = carm
        self._landmarks = landmarks
        scale = 1.0 / carm.magnification(rim.center_lps_mm)
        self.mm_per_px = np.asarray(carm.pixel_pitch_mm) * scale
        self.mm_per_detector_mm = scale
        self.missing: list[str] = []
        left, right = self.point("teardrop_left"), self.point("teardrop_right")
        self.leveled = left is not None and right is not None
        direction = left - right if left is not None and right is not None else np.array([1.0, 0.0])
        self.left = direction / np.linalg.norm(direction)
        self.up = np.array([self.left[1], -self.left[0]])

    def point(self, name: str) -> Array | None:
        """Return a landmark in mm on this screen, or note that it is missing."""
        if name not in self._landmarks:
            if name not in self.missing:
                self.missing.append(name)
            return None
        return self.of(as_vector(self._landmarks[name], name))

    def of(self, points_lps_mm: Array) -> Array:
        """Return LPS points in mm on this screen."""
        return np.asarray(self._carm.project(points_lps_mm) * self.mm_per_px)
