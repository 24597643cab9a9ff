"""Line integrals by itk-rtk: a projector that shares no code with the one under test.

Joseph's forward projector of the Reconstruction Toolkit (Rit et al., J Phys Conf Ser 2014;489:012079), given source and
detector as vectors. It returns the sum of mu times mm; outside the volume mu is 0.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume
from cotyle.xray.carm import CArm

Picture = npt.NDArray[np.float32]


class OutsideProjector:
    """A volume of mu in 1/mm, held for many projections.

    The volume's direction is taken out first: the camera is turned into the volume's own axes, which must be at right
    angles and right-handed.
    """

    def __init__(self, mu_per_mm: Volume) -> None:
        directions = mu_per_mm.directions
        if np.abs(directions.T @ directions - np.eye(3)).max() > 1e-6 or np.linalg.det(directions) < 0:
            raise ValueError("the outside projector takes right-handed grids with axes at right angles")
        self._volume = mu_per_mm
        self._voxels = np.ascontiguousarray(mu_per_mm.voxels, dtype=np.float32)
        self._to_axes = directions.T

    @cached_property
    def _image(self) -> Any:
        import itk

        # no copy: the voxels stay in this object for as long as the image does
        image = itk.image_view_from_array(self._voxels)
        image.SetSpacing([float(each) for each in self._volume.spacing_mm])
        image.SetOrigin([float(each) for each in self._to_axes @ self._volume.ijk_to_lps[:3, 3]])
        return image

    def project(self, carm: CArm) -> Picture:
        """Return the line integral of mu along the ray to each pixel, float32, shape (rows, columns)."""
        import itk

        rtk = itk.RTK

        columns, rows = carm.size
        # the toolkit wants column direction x row direction to point at the source; else columns are taken backwards
        across, down = carm.column_direction_lps, carm.row_direction_lps
        backwards = float(np.cross(across, down) @ (carm.source_lps_mm - carm.detector_origin_lps_mm)) < 0
        corner = carm.pixel_to_lps((columns - 1, 0)) if backwards else carm.detector_origin_lps_mm
        across = -across if backwards else across
        geometry = rtk.ThreeDCircularProjectionGeometry.New()
        vectors = [
            [float(each) for each in self._to_axes @ vector] for vector in (carm.source_lps_mm, corner, across, down)
        ]
        if not geometry.AddProjection(*vectors):
            raise ValueError("the outside projector refused this geometry")
        filled = _run(rtk, self._image, geometry, (columns, rows), carm.pixel_pitch_mm)
        return np.ascontiguousarray(filled[:, ::-1] if backwards else filled)


def _run(
    rtk: Any, image: Any, geometry: Any, size: tuple[int, int], pitch_mm: tuple[float, float]
) -> npt.NDArray[np.float32]:
    import itk

    image_type = itk.Image[itk.F, 3]
    blank = rtk.ConstantImageSource[image_type].New()
    blank.SetOrigin([0.0, 0.0, 0.0])
    blank.SetSpacing([pitch_mm[0], pitch_mm[1], 1.0])
    blank.SetSize([size[0], size[1], 1])
    blank.SetConstant(0.0)
    joseph = rtk.JosephForwardProjectionImageFilter[image_type, image_type].New()
    joseph.SetInput(0, blank.GetOutput())
    joseph.SetInput(1, image)
    joseph.SetGeometry(geometry)
    joseph.Update()
    return np.asarray(itk.array_from_image(joseph.GetOutput())[0], dtype=np.float32)
