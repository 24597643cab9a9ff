"""The sacral midline: the crest of the sacrum, or a stated guess."""

import numpy as np
import pytest
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.xray.levelling.sacral_midline import sacral_midline

from tests.space.solids import sphere
from tests.xray.levelling.clicked_pelves import pelvis


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_runs_along_the_crest_far_behind_the_endplate(seed):
    known = pelvis(seed)
    endplate = known.landmarks["sacrum_midline"].lps_mm
    line = known.frame.to_frame(sacral_midline(known.frame, endplate, known.sacrum))
    place = known.frame.to_frame(endplate)
    np.testing.assert_allclose(line[:, 0], place[0], atol=1e-9)
    lower = line[:8, 1] - place[1]
    assert lower.min() > 45.0
    assert lower.max() < 95.0


def test_on_a_ball_it_is_its_hindmost_meridian():
    ball = sphere(50.0, (0.0, 20.0, 0.0))
    line = sacral_midline(SCANNER, np.array([0.0, 0.0, 50.0]), ball)
    middle = np.abs(line[:, 2]) < 10.0
    # a parabola through the meridian lies within 4 mm of it there
    np.testing.assert_allclose(line[middle, 1], 70.0, atol=4.0)


def test_without_a_surface_it_is_a_line_behind_the_landmark():
    line = sacral_midline(SCANNER, np.array([3.0, 10.0, 50.0]), None)
    np.testing.assert_allclose(line[:, 0], 3.0)
    np.testing.assert_allclose(line[:, 1], 75.0)
    nothing = TriangleMesh(np.array([[500.0, 0, 0], [501.0, 0, 0], [500.0, 1, 0]]), np.array([[0, 1, 2]]))
    np.testing.assert_allclose(sacral_midline(SCANNER, np.array([3.0, 10.0, 50.0]), nothing), line)
