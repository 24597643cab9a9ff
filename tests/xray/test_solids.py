"""Chords of a hemisphere and of a shell against closed forms."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle
from cotyle.xray.carm import from_positioner
from cotyle.xray.solids import hemisphere_chords_mm, shell_chords_mm


def nearly_parallel(size=129, pitch=0.5):
    """A source so far away that its rays are parallel within 1e-4; magnification 1 within 1e-8."""
    return from_positioner(
        (0, 0, 0),
        0,
        0,
        frame=SCANNER,
        source_detector_mm=1_000_000.001,
        source_isocenter_mm=1_000_000.0,
        pixel_pitch_mm=(pitch, pitch),
        size=(size, size),
    )


def rim(normal, center=(0.0, 0.0, 0.0), radius=26.0):
    return Circle(np.array(center), np.array(normal, dtype=float), radius)


def test_a_hemisphere_seen_along_its_axis_has_half_the_chord_of_the_ball():
    # 2 sqrt(r^2 - p^2): 52, 48, 33.2265, 14.2829 at p = 0, 10, 20, 25 for r 26; half of it behind the rim's plane
    for normal in ((0, -1, 0), (0, 1, 0)):
        chords = hemisphere_chords_mm(nearly_parallel(), rim(normal))
        for offset, chord in ((0, 52.0), (10, 48.0), (20, 33.2265), (25, 14.2829)):
            assert chords[64, 64 + 2 * offset] == pytest.approx(chord / 2, abs=2e-3)
        assert chords[64, 64 + 53] == 0


def test_a_hemisphere_seen_from_the_side_has_the_whole_chord_on_its_side_and_none_on_the_other():
    chords = hemisphere_chords_mm(nearly_parallel(), rim((1, 0, 0)))
    assert chords[64, 64 - 20] == pytest.approx(48.0, abs=2e-3)
    assert chords[64, 64 + 20] == 0


def test_a_shell_is_thickest_where_rays_graze_its_inner_side():
    # 26 / 22, both walls: 8.0000 at the middle, 8.8082 at 10, 27.7128 at 22, 20.0000 at 24, 14.2829 at 25
    chords = shell_chords_mm(nearly_parallel(), rim((0, -1, 0)), 4.0)
    for offset, both_walls in ((0, 8.0), (10, 8.8082), (22, 27.7128), (24, 20.0), (25, 14.2829)):
        assert chords[64, 64 + 2 * offset] == pytest.approx(both_walls / 2, abs=2e-2)


@pytest.mark.parametrize("normal", [(0.6, -0.3, -0.7), (0.2, 0.9, 0.1)])
def test_the_chords_add_up_to_the_volume_of_the_hemisphere(normal):
    # 2/3 pi r^3 = 36811 mm3 for d 52; each ray stands for 0.25 mm2
    chords = hemisphere_chords_mm(nearly_parallel(), rim(normal))
    assert chords.sum() * 0.25 == pytest.approx(2 / 3 * np.pi * 26**3, rel=1e-3)


@pytest.mark.parametrize("thickness", [0.0, 26.0, float("nan")])
def test_a_shell_that_does_not_fit_is_refused(thickness):
    with pytest.raises(InputError) as caught:
        shell_chords_mm(nearly_parallel(5), rim((0, -1, 0)), thickness)
    assert caught.value.code == "shell"
