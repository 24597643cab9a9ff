"""Grids bent by closed forms that the model does not contain come out straight.

Pin-cushion: the screen of an intensifier is a sphere seen in perspective, r' = R tan(r / R); S-shape: a turn that
grows with the radius as tanh (a smooth shape of our own). Both are known only up to turn and scale of the grid.
"""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.pictures.distortion import fit_distortion, straightened
from cotyle.xray.pictures.grid_dots import find_grid, place_dots
from cotyle.xray.pictures.radiograph import Radiograph

SIZE, CENTER = 512, np.array([262.0, 249.0])


def bend(points, curve=620.0, twist_deg=4.0, center=CENTER):
    """Pin-cushion of about 6 % and a turn of 4 degrees at the border."""
    offset = points - center
    radius = np.linalg.norm(offset, axis=-1, keepdims=True)
    grown = curve * np.tan(radius / curve) / np.maximum(radius, 1e-9)
    turn = np.radians(twist_deg) * np.tanh((radius / 260.0) ** 2)
    c, s = np.cos(turn), np.sin(turn)
    x, y = offset[..., :1], offset[..., 1:]
    return center + grown * np.concatenate([c * x - s * y, s * x + c * y], axis=-1)


def straight_grid(spacing=20.0, turn_deg=7.0):
    steps = (np.stack(np.meshgrid(np.arange(-14, 15), np.arange(-14, 15)), axis=-1).reshape(-1, 2)) * spacing
    a = np.radians(turn_deg)
    return steps @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + (259.0, 254.0)


def dots_in_view(radius=225.0, **how):
    straight = straight_grid()
    bent = bend(straight, **how)
    seen = np.linalg.norm(bent - CENTER, axis=1) < radius
    return straight[seen], bent[seen]


def grid_picture(bent, dark=True, noise=0.03, seed=0, width=3.0):
    y, x = np.mgrid[:SIZE, :SIZE]
    made = 0.2 * ((x - 200) / SIZE) ** 2 + 0.1 * y / SIZE
    for column, row in bent:
        rows, columns = slice(max(int(row) - 12, 0), int(row) + 13), slice(max(int(column) - 12, 0), int(column) + 13)
        far = (x[rows, columns] - column) ** 2 + (y[rows, columns] - row) ** 2
        made[rows, columns] -= 0.6 * np.exp(-far / (2 * width**2))
    made += noise * np.random.default_rng(seed).standard_normal(made.shape)
    return (made if dark else -made).astype(np.float32)


def off_px(straightened_points, truth):
    """Distances after the best turn, scale and shift, which no grid tells."""
    z, w = (p[:, 0] + 1j * p[:, 1] for p in (straightened_points, truth))
    basis = np.column_stack([z, np.ones(len(z))])
    return np.abs(w - basis @ np.linalg.lstsq(basis, w, rcond=None)[0])


@pytest.mark.parametrize("dark", [True, False])
def test_a_bent_and_noisy_grid_comes_out_straight_within_three_tenths_of_a_pixel(dark):
    _, bent = dots_in_view()
    usable = np.hypot(*(np.mgrid[:SIZE, :SIZE].transpose(1, 2, 0)[..., ::-1] - CENTER).transpose(2, 0, 1)) < 238
    found = find_grid(grid_picture(bent, dark), usable)
    assert len(found.points_px) >= 0.95 * len(bent)
    model = fit_distortion(found)
    assert model.held_back_px < 0.3
    # points that are no dots, anywhere among them
    rng = np.random.default_rng(1)
    truth = CENTER + 180.0 * np.sqrt(rng.random((300, 1))) * _directions(rng, 300)
    straight = model.straight(bend(truth))
    assert np.isfinite(straight).all()
    off = off_px(straight, truth)
    assert np.sqrt(np.mean(off**2)) < 0.15
    assert off.max() < 0.3
    assert off_px(bend(truth), truth).max() > 2.0  # what it was before


def _directions(rng, count):
    turn = rng.uniform(0, 2 * np.pi, count)
    return np.column_stack([np.cos(turn), np.sin(turn)])


@pytest.mark.parametrize(
    ("how", "model"),
    [
        ({"twist_deg": 0.0}, "pin-cushion and S"),
        ({"twist_deg": 6.0, "curve": 1e6}, "pin-cushion and S"),
        ({"twist_deg": -4.0}, "pin-cushion and S"),
    ],
)
def test_pin_cushion_and_s_are_told_by_the_simple_model(how, model):
    truth, bent = dots_in_view(**how)
    found = fit_distortion(place_dots(bent))
    assert found.model == model
    assert off_px(found.straight(bent), truth).max() < 0.15


def test_distortion_that_is_not_round_takes_the_polynomial():
    truth, bent = dots_in_view()
    bent = bent + 4.0 * np.column_stack([((bent[:, 1] - 250) / 200) ** 2, ((bent[:, 0] - 250) / 200) ** 3])
    found = fit_distortion(place_dots(bent))
    assert found.model == "polynomial"
    assert off_px(found.straight(bent), truth).max() < 0.3


def test_a_straight_grid_is_left_as_it_is():
    truth = straight_grid()
    truth = truth[np.linalg.norm(truth - CENTER, axis=1) < 200]
    found = fit_distortion(place_dots(truth))
    np.testing.assert_allclose(found.straight(truth), truth, atol=1e-3)
    assert found.spacing_px == pytest.approx(20.0, abs=1e-3)


def test_bending_undoes_straightening():
    _, bent = dots_in_view()
    for extra in (0.0, 5.0):
        model = fit_distortion(place_dots(bent + extra * ((bent[:, :1] - 250) / 250) ** 3))
        np.testing.assert_allclose(model.bent(model.straight(bent)), bent, atol=1e-6)


def test_lost_and_misplaced_dots_do_no_harm():
    truth, bent = dots_in_view()
    rng = np.random.default_rng(3)
    keep = rng.random(len(bent)) > 0.1
    bent, truth = bent[keep], truth[keep]
    moved = rng.random(len(bent)) < 0.03
    off = bent + np.where(moved[:, None], 4.0, 0.0)
    found = fit_distortion(place_dots(off))
    assert off_px(found.straight(bent), truth)[~moved].max() < 0.3


def test_beyond_the_dots_nothing_is_known():
    _, bent = dots_in_view(radius=150.0)
    model = fit_distortion(place_dots(bent))
    assert np.isnan(model.straight([5.0, 5.0])).all()
    assert np.isfinite(model.straight(CENTER)).all()


def test_a_straightened_picture_shows_the_grid_straight_and_only_where_it_is_known():
    _, bent = dots_in_view(radius=215.0)
    picture = Radiograph(grid_picture(bent, noise=0.01), np.ones((SIZE, SIZE), dtype=bool))
    model = fit_distortion(find_grid(picture.attenuation, picture.usable))
    after = straightened(picture, model)
    assert not after.usable[:20, :20].any()
    again = fit_distortion(find_grid(after.attenuation, after.usable))
    before = model.straight(bent)
    dots = again.straight(before[np.linalg.norm(before - CENTER, axis=1) < 150])
    # what is left to undo is under a third of a pixel
    assert np.nanmax(off_px(dots, before[np.linalg.norm(before - CENTER, axis=1) < 150])) < 0.3
    assert any("straightened by a grid" in doubt for doubt in after.doubts)


@pytest.mark.parametrize(
    ("points", "code"),
    [(np.random.default_rng(0).uniform(0, 500, (300, 2)), "grid-places"), (straight_grid()[:40], "grid-places")],
)
def test_dots_that_form_no_grid_are_refused(points, code):
    with pytest.raises(InputError) as error:
        place_dots(points)
    assert error.value.code == code


def test_a_picture_without_dots_is_refused():
    with pytest.raises(InputError) as error:
        find_grid(np.random.default_rng(0).standard_normal((200, 200)))
    assert error.value.code in {"grid-dots", "grid-places"}
