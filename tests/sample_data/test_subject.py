"""Invented subjects: solid bones, open joints, and variants that do what their names say."""

from itertools import combinations

import numpy as np
import pytest
from cotyle.anatomy.shapes.shape_model import load_shape_model
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side
from cotyle_sample import Variant, make_subject
from cotyle_sample.distances import signed_distance
from cotyle_sample.shaping import off_model_displacements


def center_edge_angle_deg(one, side):
    """In the subject's own frame, from the carried rim vertex: Wiberg 1939."""
    rim = one.model.landmarks(one.pelvis_vertices)[f"superolateral_rim_{side}"]
    offset = rim - one.sockets[side].center_lps_mm
    return np.rad2deg(np.arctan2(side.lateral_sign * offset[0], offset[2]))


def floor_thickness_mm(one, side):
    """Median thickness of bone behind the deep part of the fossa, along rays from the socket's centre."""
    query = MeshQuery(one.bones[f"{side}_hip_bone"])
    center = one.sockets[side].center_lps_mm
    thickness = []
    for point in one.pelvis_vertices[one.model.fossa_vertices[side]][::4]:
        outward = (point - center) / np.linalg.norm(point - center)
        crossings = query.line_crossings(point + 0.05 * outward, point + 40.0 * outward)
        if len(crossings):
            thickness.append(crossings[0])
    return float(np.median(thickness))


@pytest.mark.parametrize("variant", ["healthy", "dysplastic", "protrusion", "loose_cup"])
def test_all_bones_are_closed_solids(subject, variant):
    for name, mesh in subject(variant).bones.items():
        assert mesh.is_closed, name
        assert mesh.volume_mm3 > 5e4, name


@pytest.mark.parametrize(
    ("variant", "seed", "off"), [("healthy", 3, 0.0), ("dysplastic", 5, 0.0), ("thin_wall", 9, 2.0)]
)
def test_no_bone_touches_another(subject, variant, seed, off):
    one = subject(variant, seed, off)
    for first, second in combinations(one.bones, 2):
        points = one.bones[first].vertices_lps_mm
        low, high = one.bones[second].bounds_lps_mm
        near = points[((points > low - 3) & (points < high + 3)).all(axis=1)]
        if len(near):
            assert signed_distance(one.bones[second], near).min() > 0.5, (first, second)


def test_app_frame_of_a_subject_is_its_own_coordinate_system(subject):
    one = subject()
    marks = one.model.landmarks(one.pelvis_vertices)
    assert abs(marks["asis_left"][1]) < 1.0  # the plane touches near the carried vertices
    front = one.pelvis_vertices[:, 1].min()
    # the plane goes through the middle of the tubercles: the foremost one may stand a little in front of it
    assert front > -1.5


def test_joint_gap_is_even_and_concentric(subject):
    one = subject()
    for side in Side:
        assert np.linalg.norm(one.heads[side].center_lps_mm - one.sockets[side].center_lps_mm) < 0.3
        lunate = one.pelvis_vertices[one.model.lunate_vertices[side]]
        gap = signed_distance(one.bones[f"{side}_femur"], lunate)
        assert 2.7 < np.median(gap) < 3.3
        assert np.percentile(gap, 5) > 2.2
        assert np.percentile(gap, 95) < 3.9
        assert fit_sphere(lunate)[1] < 0.4


def test_worn_hip_has_less_joint_space_above_than_the_other(subject):
    one = subject("worn")

    def space_above(side):
        lunate = one.pelvis_vertices[one.model.lunate_vertices[side]]
        above = lunate[lunate[:, 2] > np.percentile(lunate[:, 2], 70)]
        return np.median(signed_distance(one.bones[f"{side}_femur"], above))

    assert space_above(Side.RIGHT) < space_above(Side.LEFT) - 0.8


def test_dysplastic_socket_is_shallower_and_its_floor_thicker(subject):
    healthy, shallow = subject(), subject("dysplastic")
    assert center_edge_angle_deg(shallow, Side.RIGHT) < center_edge_angle_deg(healthy, Side.RIGHT) - 8.0
    assert center_edge_angle_deg(shallow, Side.RIGHT) < 25.0  # Wiberg: below 25 deg is suspect, below 20 dysplastic
    assert center_edge_angle_deg(shallow, Side.LEFT) == pytest.approx(
        center_edge_angle_deg(healthy, Side.LEFT), abs=0.5
    )
    assert floor_thickness_mm(shallow, Side.RIGHT) > floor_thickness_mm(healthy, Side.RIGHT) + 2.0


def test_thin_wall_is_thinner_and_never_gone(subject):
    healthy, thin = subject(), subject("thin_wall")
    assert floor_thickness_mm(thin, Side.RIGHT) < floor_thickness_mm(healthy, Side.RIGHT) - 1.0
    assert floor_thickness_mm(thin, Side.RIGHT) > 1.0
    assert floor_thickness_mm(thin, Side.LEFT) == pytest.approx(floor_thickness_mm(healthy, Side.LEFT), abs=0.3)


def test_protrusion_moves_the_hip_center_inwards(subject):
    healthy, deep = subject(), subject("protrusion")
    moved = deep.sockets[Side.RIGHT].center_lps_mm - healthy.sockets[Side.RIGHT].center_lps_mm
    assert moved[0] > 3.5  # the right hip's centre moves to the left: medially
    assert center_edge_angle_deg(deep, Side.RIGHT) > center_edge_angle_deg(healthy, Side.RIGHT) + 4.0


def test_loose_cup_leaves_a_soft_line_and_a_resected_neck(subject):
    one = subject("loose_cup")
    shell = next(part for part in one.implants if part.name == "shell")
    assert all(part.mesh.is_closed and part.mesh.volume_mm3 > 0 for part in one.implants)
    gap = signed_distance(one.bones["right_hip_bone"], shell.mesh.vertices_lps_mm)
    assert 0.8 < gap.min() < 3.0
    assert one.bones["right_femur"].volume_mm3 < one.bones["left_femur"].volume_mm3 - 2e4


def test_right_and_left_femora_are_mirror_images_in_size(subject):
    one = subject()
    left, right = one.bones["left_femur"], one.bones["right_femur"]
    assert right.volume_mm3 == pytest.approx(left.volume_mm3, rel=0.03)
    assert left.vertices_lps_mm[:, 0].mean() > 40 > -40 > right.vertices_lps_mm[:, 0].mean()


def test_seed_decides_everything():
    one, again, other = (make_subject(seed, divisions=6) for seed in (4, 4, 5))
    np.testing.assert_array_equal(one.pelvis_vertices, again.pelvis_vertices)
    assert np.abs(one.pelvis_vertices - other.pelvis_vertices).max() > 2.0


def test_off_model_change_is_of_the_stated_size_and_outside_the_span_of_the_modes():
    model = load_shape_model()
    change = off_model_displacements(model, model.pelvis_mean, 2.5, np.random.default_rng(1))
    assert np.sqrt((change**2).sum(axis=1).mean()) == pytest.approx(2.5)
    modes = model.pelvis_modes.reshape(model.mode_count, -1).T
    explained = modes @ np.linalg.lstsq(modes, change.ravel(), rcond=None)[0]
    assert np.linalg.norm(explained) < 1e-8 * np.linalg.norm(change)
    # smooth: neighbours two millimetres apart move almost alike
    edges = model.pelvis_triangles[:, :2]
    steps = np.linalg.norm(change[edges[:, 0]] - change[edges[:, 1]], axis=1)
    assert np.percentile(steps, 99) < 1.0


def test_off_model_pelvis_is_not_symmetrical(subject):
    one = subject("thin_wall", 9, 2.0)
    left, right = one.sockets[Side.LEFT], one.sockets[Side.RIGHT]
    assert np.linalg.norm(left.center_lps_mm - right.center_lps_mm * [-1, 1, 1]) > 1.0


def test_unknown_variant_is_refused():
    with pytest.raises(ValueError, match="purple"):
        make_subject(1, variant="purple")
    assert Variant("healthy") is Variant.HEALTHY
