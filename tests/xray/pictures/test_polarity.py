"""Which way grey grows, told from the picture: a law, and simulated pictures of pelves that the weights never saw."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.display import Polarity, Scale
from cotyle.xray.pictures.field import find_field
from cotyle.xray.pictures.polarity import SURE, decide_polarity, grey_evidence
from cotyle.xray.pictures.raw_picture import RawPicture
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.xray.pictures.makers import body, shown

WHOLE = np.ones((256, 256), dtype=bool)


def weighed(grey):
    grey = grey.astype(np.float32)
    return grey_evidence(grey, find_field(grey).usable).bone_light


@given(st.integers(0, 2**16), st.floats(0.4, 2.5))
@settings(max_examples=10, deadline=None)
def test_inverting_the_picture_inverts_the_answer_and_a_display_curve_changes_nothing(seed, power):
    grey = shown(body(seed=seed), Polarity.BONE_LIGHT, photons=None).astype(np.float32)
    as_is, inverted = grey_evidence(grey, WHOLE), grey_evidence(255.0 - grey, WHOLE)
    assert inverted.bone_light == pytest.approx(1.0 - as_is.bone_light, abs=1e-3)
    curved = grey_evidence((255.0 * (grey / 255.0) ** power).astype(np.float32), WHOLE)
    assert curved.bone_light == pytest.approx(as_is.bone_light, abs=0.05)


@pytest.mark.parametrize("scale", list(Scale))
@pytest.mark.parametrize("metal", [True, False])
@pytest.mark.parametrize("round_field", [True, False])
def test_bone_and_metal_tell_their_polarity(scale, metal, round_field):
    integrals = body(metal=metal)
    for polarity in Polarity:
        p = weighed(shown(integrals, polarity, scale, round_field))
        right = p if polarity is Polarity.BONE_LIGHT else 1.0 - p
        assert right > 0.5
        assert right >= SURE or not metal


def test_a_simulated_view_of_a_pelvis_is_told_right_or_asked_for(sample_series):
    """Views of a synthetic CT, by the project's projector: the weights come from other subjects of the same make."""
    from cotyle.space.frames import SCANNER
    from cotyle.space.side import Side
    from cotyle.xray.display import Display, render
    from cotyle.xray.projector.reference import line_integrals
    from cotyle.xray.views import C_ARM, Machine, named_view

    _, volume, truth = sample_series
    small = Machine(C_ARM.tube, C_ARM.source_detector_mm, C_ARM.source_isocenter_mm, C_ARM.detector_mm, (320, 320))
    points = {name: getattr(mark, "lps_mm", mark) for name, mark in truth.landmarks.items()}
    sure = []
    for name in ("ap_hip",):
        view = named_view(name, SCANNER, points, Side.RIGHT, small)
        integrals = line_integrals(volume, view.carm)
        for polarity in Polarity:
            for scale in Scale:
                window = tuple(np.percentile(integrals[integrals > 0.3], [5.0, 99.0]))
                grey = render(integrals, Display(polarity, scale, window, 1e6, round_field=True))
                p = weighed(grey)
                right = p if polarity is Polarity.BONE_LIGHT else 1.0 - p
                assert right > 1.0 - SURE
                sure.append(right >= SURE)
    assert np.mean(sure) >= 0.5


def raw(grey, light=None, told_by="", binding=False):
    return RawPicture(grey.astype(np.float32), "XA", light, told_by, binding)


def decided(picture, said=None):
    return decide_polarity(picture, find_field(picture.shown), said)


def test_the_users_word_goes_before_the_files_and_the_files_before_the_pictures():
    light = shown(body(), Polarity.BONE_LIGHT)
    assert decided(raw(light, True, "a field", True)) == (Polarity.BONE_LIGHT, ())
    said, doubts = decided(raw(light, True, "a field", True), Polarity.BONE_DARK)
    assert said is Polarity.BONE_DARK
    assert len(doubts) == 1
    with pytest.raises(InputError) as error:
        decided(raw(light, False, "a field", True))
    assert error.value.code == "picture-polarity"
    assert "by a field bone is shown dark, by the picture itself light" in str(error.value)


def test_a_custom_is_named_as_what_it_rests_on_and_so_is_the_picture_alone():
    light = shown(body(), Polarity.BONE_LIGHT)
    for picture, words in ((raw(light, True, "custom"), "by custom"), (raw(light), "from the picture alone")):
        polarity, doubts = decided(picture)
        assert polarity is Polarity.BONE_LIGHT
        assert words in doubts[0]


@pytest.mark.parametrize("seed", range(4))
def test_noise_tells_nothing(seed):
    noise = np.random.default_rng(seed).normal(100, 20, (256, 256))
    with pytest.raises(InputError) as error:
        decided(raw(noise))
    assert error.value.code == "picture-polarity"
