"""The part of a picture that shows the body, against fields, blades and marks drawn with known places."""

import numpy as np
import pytest
from cotyle.xray.display import Polarity, Scale
from cotyle.xray.pictures.field import find_field
from scipy import ndimage

from tests.xray.pictures.makers import body, shown

SIZE = 384
BODY = body(SIZE, air_beside=False)
Y, X = np.mgrid[:SIZE, :SIZE]


def overlap(found, truth):
    return (found & truth).sum() / (found | truth).sum()


def in_field(grey, center, radius, surround=0):
    inside = np.hypot(X - center[0], Y - center[1]) <= radius
    return np.where(inside, grey, surround).astype(np.float32), inside


@pytest.mark.parametrize("polarity", list(Polarity))
@pytest.mark.parametrize("surround", [0, 255])
@pytest.mark.parametrize(
    ("center", "radius"),
    [
        ((191.5, 191.5), 190.0),
        ((180.0, 200.0), 150.0),
        ((191.5, 191.5), 215.0),  # cut by all four sides
        ((150.0, 191.5), 205.0),  # cut by three sides
    ],
)
def test_a_round_field_is_found_whole_or_cut_by_the_picture(polarity, surround, center, radius):
    grey, inside = in_field(shown(BODY, polarity), center, radius, surround)
    field = find_field(grey)
    np.testing.assert_allclose(field.circle.center_px, center, atol=1.5)
    assert field.circle.radius_px == pytest.approx(radius, abs=1.5)
    assert not (field.usable & ~inside).any()
    assert overlap(field.usable, inside) > 0.95


def test_a_field_in_the_middle_of_a_wide_screen_is_found_at_its_place():
    screen = np.zeros((400, 700), dtype=np.float32)
    picture, inside = in_field(shown(BODY), (191.5, 191.5), 180.0)
    screen[8 : 8 + SIZE, 160 : 160 + SIZE] = picture
    field = find_field(screen)
    np.testing.assert_allclose(field.circle.center_px, (351.5, 199.5), atol=1.5)
    assert field.usable[8 : 8 + SIZE, 160 : 160 + SIZE][inside].mean() > 0.93


def test_a_large_picture_is_found_as_well_as_a_small_one():
    large = np.kron(in_field(shown(BODY), (180.0, 200.0), 150.0)[0], np.ones((4, 4), dtype=np.float32))
    field = find_field(large)
    np.testing.assert_allclose(field.circle.center_px, (721.5, 801.5), atol=6)
    assert field.circle.radius_px == pytest.approx(600, abs=6)


@pytest.mark.parametrize("polarity", list(Polarity))
@pytest.mark.parametrize("scale", list(Scale))
def test_a_picture_without_a_round_field_or_blades_is_left_whole(polarity, scale):
    for integrals in (BODY, body(SIZE, air_beside=True), body(SIZE, metal=False)):
        field = find_field(shown(integrals, polarity, scale).astype(np.float32))
        assert field.circle is None
        assert field.usable.mean() > 0.97


def metal_at_the_border(polarity):
    """A retractor that reaches in from the side of the field, and a cup; saturated, as black as the surround."""
    integrals = BODY + 9.0 * ((np.abs(Y - 230 - 0.3 * X) < 14) & (X < 170))
    return shown(ndimage.gaussian_filter(integrals, 0.8), polarity), integrals > 9.0


@pytest.mark.parametrize("polarity", list(Polarity))
def test_metal_stays_usable_where_it_reaches_the_border_of_the_field(polarity):
    picture, metal = metal_at_the_border(polarity)
    grey, _ = in_field(picture, (191.5, 191.5), 185.0)
    usable = find_field(grey).usable
    well_inside = np.hypot(X - 191.5, Y - 191.5) < 178
    assert usable[metal & well_inside].mean() > 0.98
    assert find_field(picture.astype(np.float32)).usable[metal].mean() > 0.95


def bladed(grey, blades, level, noise=2.0, penumbra=1.2):
    """Blades that leave what lies within distance of the middle along a direction, each (angle, distance)."""
    made, kept = grey.astype(float), np.ones(grey.shape, dtype=bool)
    rng = np.random.default_rng(0)
    for angle, distance in blades:
        beyond = (X - 191.5) * np.cos(angle) + (Y - 191.5) * np.sin(angle) - distance
        weight = 1.0 / (1.0 + np.exp(-beyond / penumbra))
        made = made * (1.0 - weight) + weight * (level + noise * rng.standard_normal(grey.shape))
        kept &= beyond < 0
    return np.clip(np.rint(made), 0, 255).astype(np.float32), kept


@pytest.mark.parametrize("turn", [0.0, 0.2, 0.7])
@pytest.mark.parametrize("count", [1, 2, 4])
def test_straight_blades_are_found_at_any_turn(turn, count):
    blades = [(turn + angle, 130.0) for angle in (0.0, np.pi, np.pi / 2, -np.pi / 2)[:count]]
    grey, kept = bladed(shown(BODY, Polarity.BONE_LIGHT), blades, 250.0)
    field = find_field(grey)
    assert len(field.edges) == count
    assert overlap(field.usable, kept) > 0.93
    assert (field.usable & ~kept).sum() < 0.01 * kept.sum()


def test_blades_within_a_round_field_are_found_beside_it():
    grey, kept = bladed(shown(BODY, Polarity.BONE_LIGHT), [(0.1, 110.0), (0.1 + np.pi, 120.0)], 245.0)
    grey, inside = in_field(grey, (191.5, 191.5), 188.0)
    field = find_field(grey)
    assert field.circle is not None
    assert len(field.edges) == 2
    assert overlap(field.usable, kept & inside) > 0.93


@pytest.mark.parametrize("margin", [0.0, 128.0, 240.0])
def test_the_margin_of_a_screenshot_is_left_out(margin):
    screen = np.full((SIZE + 90, SIZE + 120), margin, dtype=np.float32)
    screen[50 : 50 + SIZE, 30 : 30 + SIZE] = shown(BODY, Polarity.BONE_LIGHT)
    usable = find_field(screen).usable
    truth = np.zeros(screen.shape, dtype=bool)
    truth[50 : 50 + SIZE, 30 : 30 + SIZE] = True
    assert overlap(usable, truth) > 0.93


GLYPHS = {  # drawn by hand, 5 x 7 each
    "R": ("11110", "10001", "10001", "11110", "10100", "10010", "10001"),
    "7": ("11111", "00001", "00010", "00100", "01000", "01000", "01000"),
    "k": ("10000", "10010", "10100", "11000", "10100", "10010", "10001"),
}


def with_text(grey, row, column, level, times=2):
    made, drawn = grey.copy(), np.zeros(grey.shape, dtype=bool)
    for n, name in enumerate("R7k7"):
        glyph = np.kron(np.array([[c == "1" for c in line] for line in GLYPHS[name]]), np.ones((times, times))) > 0
        at = slice(row, row + glyph.shape[0]), slice(column + 7 * times * n, column + 7 * times * n + glyph.shape[1])
        made[at][glyph] = level
        drawn[at] |= glyph
    return made, drawn


def with_pointer(grey, row, column):
    """A white arrow with a black border, 20 rows high."""
    made, drawn = grey.copy(), np.zeros(grey.shape, dtype=bool)
    for n in range(20):
        width = max(1, round(0.6 * n))
        made[row + n, column : column + width] = 255
        made[row + n, column + width] = 0
        drawn[row + n, column : column + width] = True
    return made, drawn


@pytest.mark.parametrize("polarity", list(Polarity))
@pytest.mark.parametrize(("row", "column"), [(30, 40), (200, 250), (330, 120)])
def test_burnt_in_text_and_pointers_are_left_out_and_little_else(polarity, row, column):
    grey = shown(BODY, polarity).astype(np.float32)
    level = 255 if grey[row : row + 14, column : column + 60].mean() < 140 else 0
    before = find_field(grey).usable
    for made, drawn in (with_text(grey, row, column, level), with_pointer(grey, row, column)):
        usable = find_field(made).usable
        assert (~usable)[drawn].mean() > 0.9
        beside = ndimage.binary_dilation(drawn, iterations=6)
        assert (before & ~usable & ~beside).mean() < 0.005


@pytest.mark.parametrize("polarity", list(Polarity))
def test_wires_screws_and_a_cup_are_no_marks(polarity):
    wire = 6.0 * (np.abs(Y - 150 - 0.5 * X) < 2.0) * (X > 60) * (X < 300)
    screw = 6.0 * (np.abs(X - 260) < 5) * (Y > 60) * (Y < 130)
    integrals = ndimage.gaussian_filter(BODY + wire + screw, 1.2)
    usable = find_field(shown(integrals, polarity).astype(np.float32)).usable
    for metal in (wire > 0, screw > 0, BODY > 5.5):
        assert usable[metal].mean() > 0.95


@pytest.mark.parametrize("end", [0.0, 255.0])
def test_grains_in_metal_that_hardly_a_photon_passes_are_no_print(end):
    # three pixels in ten let a photon through: grains of one to some ten pixels
    metal = (np.abs(X - 200) < 50) & (np.abs(Y - 190) < 40)
    grains = metal & (np.random.default_rng(3).random(metal.shape) < 0.3)
    grey = shown(BODY, Polarity.BONE_LIGHT).astype(np.float32)
    made = np.where(metal, end, grey)
    made[grains] = 255.0 - end
    usable = find_field(made.astype(np.float32)).usable
    assert usable[metal].mean() > 0.98


def test_a_picture_in_black_and_white_only_says_that_marks_cannot_be_told():
    grey = 255.0 * (np.random.default_rng(0).random((SIZE, SIZE)) > 0.8)
    field = find_field(grey.astype(np.float32))
    assert any("black and white" in doubt for doubt in field.doubts)
    assert field.usable.mean() > 0.9


def test_turning_and_mirroring_the_picture_turns_and_mirrors_the_field():
    grey = bladed(shown(BODY, Polarity.BONE_LIGHT), [(0.3, 120.0)], 248.0)[0]
    grey = in_field(grey, (170.0, 200.0), 165.0)[0]
    usable = find_field(grey).usable
    for change in (np.rot90, np.fliplr, np.transpose):
        assert overlap(find_field(np.ascontiguousarray(change(grey))).usable, change(usable)) > 0.97
