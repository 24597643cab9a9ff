"""An outside projector to compare ours with: itk-rtk's Joseph filter (Apache-2.0), on the same voxels and C-arm."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume
from cotyle.xray.carm import CArm

MISSING = "itk-rtk is not importable here: pip install -e '.[test]' brings it"


def rtk_projector(mu: Volume) -> Callable[[CArm], npt.NDArray[np.float32]]:
    """Return a function from C-arm to line integrals (rows, columns) through mu in 1/mm (float32, contiguous).

    The grid's axes must be at right angles. Its direction is taken out first, by turning the C-arm into the grid's own
    axes: the filter is given spacing alone. Its detector starts at the centre of pixel (0, 0), origin 0.
    """
    import itk
    from itk import RTK

    directions, spacing = mu.directions, mu.spacing_mm
    if np.linalg.det(directions) < 0 or not np.allclose(directions.T @ directions, np.eye(3), atol=1e-9):
        raise ValueError("only a right-handed grid at right angles")
    image_type = itk.Image[itk.F, 3]
    image = itk.image_view_from_array(np.ascontiguousarray(mu.voxels, dtype=np.float32))
    image.SetSpacing([float(step) for step in spacing])
    image.SetOrigin([0.0, 0.0, 0.0])
    first = mu.to_lps((0, 0, 0))

    def project(carm: CArm) -> npt.NDArray[np.float32]:
        point, vector = itk.Point[itk.D, 3], itk.Vector[itk.D, 3]
        geometry = RTK.ThreeDCircularProjectionGeometry.New()
        added = geometry.AddProjection(
            point([float(x) for x in directions.T @ (carm.source_lps_mm - first)]),
            point([float(x) for x in directions.T @ (carm.detector_origin_lps_mm - first)]),
            vector([float(x) for x in directions.T @ carm.column_direction_lps]),
            vector([float(x) for x in directions.T @ carm.row_direction_lps]),
        )
        if not added:
            raise ValueError("itk-rtk refuses this C-arm")
        empty = RTK.ConstantImageSource[image_type].New()
        empty.SetSize([*carm.size, 1])
        empty.SetSpacing([*carm.pixel_pitch_mm, 1.0])
        empty.SetOrigin([0.0, 0.0, 0.0])
        joseph = RTK.JosephForwardProjectionImageFilter[image_type, image_type].New()
        joseph.SetGeometry(geometry)
        joseph.SetInput(0, empty.GetOutput())
        joseph.SetInput(1, image)
        joseph.Update()
        return np.asarray(itk.array_from_image(joseph.GetOutput()))[0]

    return project
