"""What is typed of pictures: pairs of numbers are numbers, before any picture is read."""

from pathlib import Path

import pytest
from cotyle.cli.picture_words import PictureWords, read_pictures
from cotyle.errors import InputError

NOTHING = dict.fromkeys(
    (
        "shown",
        "polarity",
        "tube",
        "pixel_pitch_mm",
        "source_detector_mm",
        "source_isocenter_mm",
        "sphere_diameter_mm",
        "sphere_depth_mm",
        "grid",
        "region",
    )
)


@pytest.mark.parametrize("angles", ["nan,1", "0,1e999", "1", "1,2,3", "", "a,b"])
def test_angles_that_are_no_two_numbers_are_refused(angles):
    words = PictureWords(views=["inlet"], frames=[], angles=[angles], rims=[], clicks=[], spheres=[], **NOTHING)
    with pytest.raises(InputError) as refused:
        read_pictures([Path("not-read.dcm")], words)
    assert refused.value.code == "compare-pair"
