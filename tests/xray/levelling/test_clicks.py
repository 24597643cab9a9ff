"""What may be clicked, and layouts that no picture of the view can have."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.side import Side
from cotyle.xray.levelling.clicks import (
    ASYMMETRIC_RING_SD_MM,
    check_layout,
    checked_clicks,
    kind_of,
    part_words,
    place_covariance,
    side_of,
)
from cotyle.xray.levelling.sacral_midline import sacral_midline
from cotyle.xray.views import ViewName

from tests.xray.levelling.clicked_pelves import (
    ALL,
    POINTS,
    TUBEROSITIES,
    Errors,
    clicks_of,
    displaced,
    nominal,
    pelvis,
    places_of,
)

SWAPPED = {"left": "right", "right": "left"}


def clicks(names=POINTS, view=ViewName.AP_PELVIS, most_deg=0.0, side=None):
    known = pelvis(1)
    carm = displaced(nominal(known, view, side), known, np.random.default_rng(5), most_deg, 5.0)
    return (
        known,
        nominal(known, view, side),
        clicks_of(carm, known, names, np.random.default_rng(6), Errors(0.0, False)),
    )


def layout(known):
    crest = sacral_midline(known.frame, known.landmarks["sacrum_midline"].lps_mm, known.sacrum).mean(axis=0)
    return places_of(known) | {"sacral_crest": crest}


def code_of(found, known, carm):
    with pytest.raises(InputError) as caught:
        check_layout(found, layout(known), carm)
    return caught.value


@pytest.mark.parametrize("view", [ViewName.AP_PELVIS, ViewName.INLET, ViewName.OUTLET])
@pytest.mark.parametrize("most_deg", [0.0, 15.0])
def test_clicks_as_the_view_shows_them_pass(view, most_deg):
    known, carm, found = clicks(view=view, most_deg=most_deg)
    check_layout(found, layout(known), carm)


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("view", [ViewName.OBTURATOR_OBLIQUE, ViewName.ILIAC_OBLIQUE])
def test_clicks_on_an_oblique_view_pass(view, side):
    known, carm, found = clicks(view=view, most_deg=15.0, side=side)
    check_layout(found, layout(known), carm)


def test_contours_as_the_view_shows_them_pass():
    known, carm, found = clicks(ALL, most_deg=12.0)
    check_layout(found, layout(known), carm)


def test_two_swapped_teardrops_are_named():
    known, carm, found = clicks()
    found["teardrop_left"], found["teardrop_right"] = found["teardrop_right"], found["teardrop_left"]
    error = code_of(found, known, carm)
    assert error.code == "clicks-swapped"
    assert "teardrop_left" in str(error)
    assert "teardrop_right" in str(error)
    assert "hip_center" not in str(error)


def test_swapped_teardrops_alone_are_refused():
    known, carm, found = clicks(("teardrop_left", "teardrop_right"))
    found = dict(zip(found, reversed(list(found.values())), strict=True))
    assert code_of(found, known, carm).code == "clicks-swapped"


def test_a_mirrored_picture_with_true_names_is_refused():
    known, carm, found = clicks()
    mirrored = {name: np.array([carm.size[0] - 1.0 - pixel[0], pixel[1]]) for name, pixel in found.items()}
    assert code_of(mirrored, known, carm).code == "clicks-mirrored"


def test_a_picture_upside_down_is_refused():
    known, carm, found = clicks((*POINTS, *TUBEROSITIES))
    turned = {name: np.array([pixel[0], carm.size[1] - 1.0 - pixel[1]]) for name, pixel in found.items()}
    assert code_of(turned, known, carm).code == "clicks-upside-down"


@pytest.mark.parametrize(
    ("clicked", "code"),
    [
        ({"elbow": (10, 10)}, "click-name"),
        ({"teardrop": (10, 10)}, "click-name"),
        ({"teardrop_left": (10, float("nan"))}, "click-place"),
        ({"teardrop_left": (10, 10, 10)}, "click-place"),
        ({"teardrop_left": (-5, 10)}, "click-place"),
        ({"teardrop_left": (10, 5000)}, "click-place"),
    ],
)
def test_what_is_no_click_is_refused(clicked, code):
    with pytest.raises(InputError) as caught:
        checked_clicks(clicked, nominal(pelvis(1)))
    assert caught.value.code == code


def test_names_tell_kind_side_and_part():
    assert (kind_of("foramen_top_left"), side_of("foramen_top_left")) == ("foramen", "left")
    assert (kind_of("symphysis"), side_of("symphysis")) == ("symphysis", None)
    assert part_words("foramen_top_left") == "tops of the foramina"
    assert part_words("teardrop_right") == "teardrops"


def test_an_asymmetric_ring_takes_weight_from_symphysis_and_sacrum_only():
    for name, gains in (
        ("symphysis", True),
        ("sacral_crest", True),
        ("sacrum_midline", True),
        ("coccyx_tip", True),
        ("teardrop_left", False),
    ):
        even, askew = (place_covariance(name, 1.0, np.eye(3), asymmetric) for asymmetric in (False, True))
        np.testing.assert_allclose(askew - even, np.eye(3) * (ASYMMETRIC_RING_SD_MM**2 if gains else 0.0), atol=1e-12)
