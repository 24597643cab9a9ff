"""The fast projector against the readable one, which is tested against closed forms."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.xray.projector.fast import fast_line_integrals, main_axis
from cotyle.xray.projector.packed_volume import Precision, pack_volume
from cotyle.xray.projector.reference import line_integrals

from tests.xray.test_projector import OBLIQUE, STRAIGHT, VIEWS, c_arm, ellipsoid_volume


@pytest.fixture(scope="module", params=["upright", "oblique"])
def body(request):
    return ellipsoid_volume(np.eye(3) if request.param == "upright" else OBLIQUE, (2.0, 2.0, 2.4))


def apart(fast, exact, alike):
    """Relative differences of rays that are alike and meet more than a twentieth of the densest."""
    seen = alike & (exact > 0.05 * exact.max())
    return np.abs(fast - exact)[seen] / exact[seen]


def cut_alike(volume, carm):
    """Rays (rows, columns) that the reference cuts by the same planes: those that follow the packed axis the most."""
    columns, rows = carm.size
    pixels = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    ways = np.abs(carm.ray(pixels) @ volume.lps_to_ijk[:3, :3].T)
    return (ways.argmax(axis=1) == main_axis(volume, carm)).reshape(rows, columns)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize(("precision", "median", "worst"), [("accurate", 1e-6, 1e-4), ("fast", 5e-4, 1e-2)])
def test_it_gives_the_integrals_of_the_reference(body, view, precision, median, worst):
    carm = c_arm(*view, size=75)
    packed = pack_volume(body, main_axis(body, carm), STRAIGHT, Precision(precision))
    exact, alike = line_integrals(body, carm, STRAIGHT), cut_alike(body, carm)
    assert alike.mean() > 0.4
    off = apart(fast_line_integrals(packed, carm), exact, alike)
    assert np.median(off) < median
    assert off.max() < worst


def test_the_ends_of_a_volume_count_half_a_voxel_beyond_the_last_centre():
    volume = Volume(np.full((9, 11, 13), 500, dtype=np.int16), np.diag([4.0, 5.0, 6.0, 1.0]))
    carm = c_arm(15, 10, size=64, isocenter=(24, 25, 24))
    fast = fast_line_integrals(pack_volume(volume, main_axis(volume, carm), STRAIGHT), carm)
    np.testing.assert_allclose(fast, line_integrals(volume, carm, STRAIGHT), atol=1e-5)


def test_bone_alone_is_the_volume_with_all_else_made_air(body):
    carm = c_arm(20, 10, size=60)
    bone = body.with_voxels(np.where(body.voxels < 300, -1000, body.voxels).astype(np.int16))
    packed = pack_volume(body, main_axis(body, carm), STRAIGHT, bone_above_hu=300.0)
    np.testing.assert_allclose(fast_line_integrals(packed, carm), line_integrals(bone, carm, STRAIGHT), atol=1e-5)
    assert packed.bytes_used < pack_volume(body, main_axis(body, carm), STRAIGHT).bytes_used


def test_nothing_to_see_and_rays_across_the_packing_are_refused(body):
    with pytest.raises(InputError, match="projector-empty"):
        pack_volume(body.with_voxels(np.full_like(body.voxels, -1000)), 1, STRAIGHT)
    with pytest.raises(InputError, match="projector-axis"):
        fast_line_integrals(pack_volume(body, 2, STRAIGHT), c_arm(0, 0, size=8))
