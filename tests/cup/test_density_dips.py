"""Falls of density between two dense layers, against blurred steps in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.cup.density_dips import dips_on_line, dips_on_lines
from cotyle.image.volume import Volume
from scipy.special import ndtr

BLUR = Blur(0.6, 1200.0)
INTO = np.array([1.0, 0.0, 0.0])


def two_layers(gap_mm, content_hu, layer_mm=3.0) -> Volume:
    """Layers of 1200 HU across x with a gap that begins at x = 0; a step that is blurred is a normal integral."""
    x = np.arange(-40, 40) * 0.25

    def layer(low, high):
        return ndtr((x - low) / BLUR.sigma_mm) - ndtr((x - high) / BLUR.sigma_mm)

    profile = 1200.0 * (layer(-layer_mm, 0) + layer(gap_mm, gap_mm + layer_mm)) + content_hu * layer(0, gap_mm)
    affine = np.diag([0.25, 5.0, 5.0, 1.0])
    affine[:3, 3] = [-10.0, -10.0, -10.0]
    return Volume(np.broadcast_to(profile.astype(np.float32), (5, 5, 80)).copy(), affine)


# half height of a blurred step is the step's own place; the middle of a wide gap holds what is in it
@pytest.mark.parametrize("gap_mm", [3.0, 4.0])
@pytest.mark.parametrize("content_hu", [-80.0, 150.0])
def test_a_gap_is_found_where_it_is_with_what_it_holds(gap_mm, content_hu):
    (dip,) = dips_on_line(two_layers(gap_mm, content_hu), np.zeros(3), INTO, BLUR)
    assert dip.start_mm == pytest.approx(0.0, abs=0.1)
    assert dip.end_mm == pytest.approx(gap_mm, abs=0.1)
    assert dip.content_hu == pytest.approx(content_hu, abs=25.0)


def test_of_a_narrow_gap_the_blur_of_its_sides_is_taken_off():
    (dip,) = dips_on_line(two_layers(0.9, -80.0), np.zeros(3), INTO, BLUR)
    lowest_seen = 1200.0 - 1280.0 * (2.0 * ndtr(0.45 / BLUR.sigma_mm) - 1.0)
    assert -80.0 < dip.content_hu < lowest_seen - 100.0


def test_soft_layers_have_no_gap_between_them():
    scan = two_layers(3.0, -80.0)
    assert dips_on_line(scan.with_voxels(0.4 * scan.voxels), np.zeros(3), INTO, BLUR) == []


def test_a_line_that_leaves_the_scan_beside_a_gap_has_none_there():
    scan = two_layers(3.0, -80.0)
    begins_later = scan.cropped((32, 0, 0), (80, 5, 5))  # at x = -2, within the layer before the gap
    assert len(dips_on_line(scan, np.zeros(3), INTO, BLUR)) == 1
    assert dips_on_line(begins_later, np.zeros(3), INTO, BLUR) == []
    assert dips_on_line(scan, np.array([0.0, 30.0, 0.0]), INTO, BLUR) == []


def test_many_lines_are_read_as_each_alone():
    rng = np.random.default_rng(4)
    scan = Volume(rng.normal(500, 600, size=(40, 40, 40)).astype(np.float32), np.diag([1.2, 1.2, 1.2, 1.0]))
    points = rng.uniform(20, 27, size=(60, 3))
    ways = rng.normal(size=(60, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    together = dips_on_lines(scan, points, ways, BLUR)
    assert sum(map(len, together)) > 60
    assert together == [dips_on_line(scan, point, way, BLUR) for point, way in zip(points, ways, strict=True)]


def test_no_lines_have_no_gaps():
    assert dips_on_lines(two_layers(3.0, 0.0), np.empty((0, 3)), np.empty((0, 3)), BLUR) == []
