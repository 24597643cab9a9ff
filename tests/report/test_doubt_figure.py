"""The doubt figure shows each edge as what it is, where it is, and can be found again in the scan."""

import io

import numpy as np
import pytest
from cotyle.anatomy.segmentation.edge_confidence import CLEAR_SD_MM, EDGE_WORDS, Edge, EdgeConfidence
from cotyle.case.store import read_case
from cotyle.case.verdict import PointToCheck
from cotyle.image.volume import Volume
from cotyle.report import ink
from cotyle.report.doubt_figure import (
    NEAR_SOCKET_MM,
    STYLES,
    Hip,
    doubt_figure,
    doubt_pictures,
    doubt_planes,
    doubtful_place,
    hips_of,
    kind_shares,
    outlines,
)
from cotyle.space.side import Side
from PIL import Image

from tests.space.solids import sphere

CENTER = np.array([80.0, -10.0, -200.0])


def hip(kind_at, points=()):
    """A ball of bone about the hip's centre; ``kind_at`` gives the kind of edge of its vertices."""
    mesh = sphere(20.0, CENTER, steps=40)
    kind = kind_at(mesh.vertices_lps_mm - CENTER)
    edges = EdgeConfidence(kind, np.where(kind == Edge.CLEAR, CLEAR_SD_MM, 1.0))
    return Hip(Side.LEFT, {"left_hip_bone": mesh}, {"left_hip_bone": edges}, CENTER, points)


def upper_half(offset):
    return np.where(offset[:, 2] > 0.1, Edge.METAL, Edge.CLEAR)


def test_without_doubts_the_slices_run_through_the_centre():
    sound = hip(lambda offset: np.full(len(offset), Edge.CLEAR))
    np.testing.assert_allclose(doubtful_place(sound), CENTER)
    assert kind_shares(sound)[Edge.CLEAR] == pytest.approx(1.0)


def test_slices_lie_where_most_edges_are_doubtful_and_say_where_that_is():
    """Doubtful is a cap of the ball at its front: the coronal plane moves there, the others stay near the centre."""
    front = hip(lambda offset: np.where(offset[:, 1] < -12.0, Edge.PRIOR, Edge.CLEAR))
    x, y, z = doubtful_place(front)
    assert -32.0 < y < -20.0
    assert abs(x - CENTER[0]) < 7.0
    assert abs(z - CENTER[2]) < 7.0
    axial, coronal, sagittal = doubt_planes(front)
    assert f"{abs(y):.1f} mm" in coronal.title
    assert coronal.height_mm(np.array([0.0, y, 0.0])) == pytest.approx(0.0, abs=1e-9)
    assert axial.height_mm(np.array([0.0, 0.0, z])) == pytest.approx(0.0, abs=1e-9)
    assert sagittal.height_mm(np.array([x, 0.0, 0.0])) == pytest.approx(0.0, abs=1e-9)


def test_slices_are_seen_as_a_radiologist_sees_them():
    """Axial from the feet, coronal from in front, the patient's left on the right (convention of the trade)."""
    axial, coronal, sagittal = doubt_planes(hip(upper_half))
    np.testing.assert_allclose(axial.normal_lps, [0, 0, -1], atol=1e-12)
    np.testing.assert_allclose(coronal.normal_lps, [0, -1, 0], atol=1e-12)
    for plane in (axial, coronal):
        assert plane.letters[0] == "L"
        np.testing.assert_allclose(plane.right_lps, [1, 0, 0], atol=1e-12)
    assert (sagittal.letters[0], sagittal.letters[2]) == ("P", "S")


def test_an_outline_changes_its_kind_where_the_surface_does():
    shown = hip(upper_half)
    _, coronal, _ = doubt_planes(shown)
    lines = outlines(shown, coronal)
    assert {kind for kind, _ in lines} == {Edge.CLEAR, Edge.METAL}
    for kind, line in lines:
        height = line[:, 1] + coronal.center_lps_mm[2] - CENTER[2]
        assert (height > -2.0).all() if kind is Edge.METAL else (height < 2.0).all()
        np.testing.assert_allclose(
            np.hypot(line[:, 0] + coronal.center_lps_mm[0] - CENTER[0], height),
            np.sqrt(400.0 - (coronal.center_lps_mm[1] - CENTER[1]) ** 2),
            atol=0.2,
        )


def test_kinds_differ_by_line_style_as_well_as_by_colour():
    assert set(STYLES) == set(Edge) == set(EDGE_WORDS)
    assert len({style.color for style in STYLES.values()}) == len(Edge)
    assert len({style.dashes for style in STYLES.values()}) == len(Edge)
    assert STYLES[Edge.CLEAR].dashes is None


def test_the_pictures_show_every_triangle_once_by_its_gravest_corner():
    shown = hip(upper_half)
    for picture in doubt_pictures(shown):
        assert sum(len(layer.mesh.triangles) for layer in picture.layers) == len(shown.bone.triangles)
        assert len({layer.color for layer in picture.layers}) == 2
    into, inside = doubt_pictures(shown)
    assert into.camera.toward_viewer_lps[0] > 0.7  # a left socket opens to the left
    assert inside.camera.toward_viewer_lps[0] < -0.7


def test_the_figure_is_drawn_without_3d_views_too():
    z = float(doubtful_place(hip(upper_half))[2])  # in the axial slice
    points = [PointToCheck(mark="L1", words="edge of bone", lps_mm=(80.0, -10.0, z), code="x")]
    affine = np.eye(4)
    affine[:3, 3] = CENTER - 40.0
    made = doubt_figure(Volume(np.zeros((80, 80, 80), dtype=np.int16), affine), hip(upper_half, points), [])
    words = [text.get_text() for axes in made.axes for text in axes.texts]
    assert "L1" in words
    assert any("metal" in text for text in words)
    assert Image.open(io.BytesIO(ink.png(made))).width == 1920


def test_a_hip_without_a_socket_is_shown_where_the_fitted_shape_puts_it(planned_case):
    anatomy = read_case(planned_case.folder).anatomy
    with_socket = hips_of(anatomy.skeleton, anatomy.sockets, {})
    without = hips_of(anatomy.skeleton, {}, {})
    for side in Side:
        apart = np.linalg.norm(with_socket[side].center_lps_mm - without[side].center_lps_mm)
        assert apart < 10.0
        assert without[side].near.sum() > 200
    assert NEAR_SOCKET_MM > 30.0


def test_both_figures_lie_in_the_case_and_on_its_page(planned_case):
    html = (planned_case.folder / "report.html").read_text(encoding="utf-8")
    for side in Side:
        picture = Image.open(planned_case.folder / "figures" / f"doubt-{side}.png").convert("RGB")
        assert picture.width == 1920
        assert f"Edges of the {side} hip" in html
    # the worn side bears the colour of what was filled in, the sound one hardly
    color = np.array([int(STYLES[Edge.PRIOR].color[at : at + 2], 16) for at in (1, 3, 5)])
    counts = {}
    for side in Side:
        pixels = np.asarray(Image.open(planned_case.folder / "figures" / f"doubt-{side}.png").convert("RGB"), dtype=int)
        counts[side] = int((np.abs(pixels[:540] - color).max(axis=2) < 12).sum())
    assert counts[Side.RIGHT] > 3 * counts[Side.LEFT]
