"""The sacral midline of a picture: the crest of the sacrum, which hides its endplate and lies far behind it.

How far the line and the symphysis move apart when the pelvis turns is their distance from front to back: some 110 mm
for the crest, some 40 mm for the back edge of the endplate, which is the landmark ``sacrum_midline``.
"""

from __future__ import annotations

import numpy as np

from cotyle.space.arrays import Array, read_only
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh

_HALF_WIDTH_MM = 6.0
_STEP_MM = 8.0
# Where no surface of the sacrum is given: how far the crest lies behind the endplate's back edge. 73 to 76 mm below its
# upper third in draws from the shape model; nearer above.
_BEHIND_MM = 65.0
BEHIND_SD_MM = 15.0
_DOWN_MM, _UP_MM = 90.0, 10.0


def sacral_midline(frame: Frame, endplate_lps_mm: Array, sacrum: TriangleMesh | None) -> Array:
    """Return points (n, 3) LPS mm along the midline from below upwards.

    Parameters
    ----------
    frame:
        Of the pelvis.
    endplate_lps_mm:
        The landmark ``sacrum_midline``.
    sacrum:
        Its surface: the hindmost points near the plane through the landmark at right angles to the left axis, smoothed
        over the gaps between the spines by a parabola. None: a line behind the landmark, known to
        :data:`BEHIND_SD_MM`.
    """
    across, behind, height = frame.to_frame(endplate_lps_mm)
    if sacrum is None:
        levels = np.array([height - _DOWN_MM, height + _UP_MM])
        return read_only(frame.to_lps(np.stack([np.full(2, across), np.full(2, behind + _BEHIND_MM), levels], axis=1)))
    local = frame.to_frame(sacrum.vertices_lps_mm)
    near = local[np.abs(local[:, 0] - across) < _HALF_WIDTH_MM]
    if len(near) < 10:
        return sacral_midline(frame, endplate_lps_mm, None)
    level = np.floor((near[:, 2] - near[:, 2].min()) / _STEP_MM).astype(int)
    hindmost = np.array([near[level == step][near[level == step, 1].argmax()] for step in np.unique(level)])
    heights = np.linspace(hindmost[0, 2], hindmost[-1, 2], 16)
    shape = np.polynomial.Polynomial.fit(hindmost[:, 2], hindmost[:, 1], min(2, len(hindmost) - 1))
    return read_only(frame.to_lps(np.stack([np.full(16, across), shape(heights), heights], axis=1)))
