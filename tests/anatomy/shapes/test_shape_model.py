"""The open shape model: closed surfaces, sensible anatomy, and a reader that trusts nothing."""

import pickle

import numpy as np
import pytest
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES, load_shape_model, read_plain_pickle
from cotyle.anatomy.shapes.shape_patches import element_samples
from cotyle.errors import InputError
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side


def euler_characteristic(mesh: TriangleMesh) -> int:
    t = mesh.triangles
    edges = np.sort(np.vstack([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]]), axis=1)
    return len(mesh.vertices_lps_mm) - len(np.unique(edges, axis=0)) + len(mesh.triangles)


@pytest.mark.parametrize("divisions", [6, 10])
def test_every_bone_is_closed_and_turned_outwards_with_its_own_topology(divisions):
    model = load_shape_model(divisions)
    weights = np.zeros(26)
    weights[:4] = [1.0, -1.0, 0.5, 1.5]
    vertices = model.pelvis_vertices(weights)
    for code, name in COMPONENT_NAMES.items():
        bone = model.part(vertices, code)
        assert bone.is_closed, name
        assert bone.volume_mm3 > 1e5, name
        # the obturator foramen is a hole through the hip bone: a torus (Euler 0); the sacrum is a ball (2)
        assert euler_characteristic(bone) == (2 if name == "sacrum" else 0), name
    for side in Side:
        femur = model.femur(weights, side)
        assert femur.is_closed
        assert femur.volume_mm3 > 2e5
        assert euler_characteristic(femur) == 2


def test_left_is_left_and_up_is_up():
    model = load_shape_model()
    marks = model.landmarks(model.pelvis_mean)
    for name in ("asis", "pubic_tubercle", "psis", "ischial_tuberosity", "teardrop", "superolateral_rim"):
        assert marks[f"{name}_left"][0] > marks[f"{name}_right"][0] + 20
    assert marks["asis_left"][2] > marks["pubic_tubercle_left"][2] > marks["ischial_tuberosity_left"][2]
    assert marks["psis_left"][1] > marks["asis_left"][1] + 100
    left = model.femur(np.zeros(1), Side.LEFT).vertices_lps_mm.mean(axis=0)
    right = model.femur(np.zeros(1), Side.RIGHT).vertices_lps_mm.mean(axis=0)
    assert left[0] > marks["symphysis"][0] > right[0]


def test_mean_distances_lie_in_the_range_of_anatomy():
    """Inter-ASIS distance of adults is about 210 to 260 mm, tubercles 45 to 75 (textbook ranges, from memory);
    the points that touch the common plane lie on the inner slope of a flat crest, so nearer to each other. Femoral
    heads measure 40 to 56 mm (from memory), sockets a few mm more."""
    model = load_shape_model()
    marks = model.landmarks(model.pelvis_mean)
    assert 200 < np.linalg.norm(marks["asis_left"] - marks["asis_right"]) < 270
    assert 28 < np.linalg.norm(marks["pubic_tubercle_left"] - marks["pubic_tubercle_right"]) < 80
    head, rms = fit_sphere(model.femur_mean[model.head_vertices])
    assert 40 < head.diameter_mm < 56
    assert rms < 0.6
    for side in Side:
        socket, rms = fit_sphere(model.pelvis_mean[model.lunate_vertices[side]])
        assert head.diameter_mm < socket.diameter_mm < head.diameter_mm + 12
        assert rms < 1.5


def test_socket_regions_are_disjoint_and_lie_where_their_names_say():
    model = load_shape_model()
    up = model.app_axes[2]
    for side in Side:
        lunate, fossa = model.lunate_vertices[side], model.fossa_vertices[side]
        inner, rim = model.inner_wall_vertices[side], model.rim_vertices[side]
        assert not set(lunate) & set(fossa)
        assert not (set(lunate) | set(fossa)) & set(inner)
        lateral = side.lateral_sign * model.app_axes[0]
        mean = {
            name: model.pelvis_mean[part].mean(axis=0)
            for name, part in {"lunate": lunate, "fossa": fossa, "inner": inner, "rim": rim}.items()
        }
        assert mean["rim"] @ lateral > mean["lunate"] @ lateral > mean["fossa"] @ lateral > mean["inner"] @ lateral
        assert mean["fossa"] @ up < mean["lunate"] @ up
        center = fit_sphere(model.pelvis_mean[lunate])[0].center_lps_mm
        offset = model.pelvis_mean[rim] - center
        assert np.abs(np.diff(model.pelvis_mean[rim], axis=0)).max() < 15  # neighbours round the rim
        assert (offset @ up).max() > 10 > -10 > (offset @ up).min()


def test_coarse_and_fine_meshes_carry_the_same_landmarks():
    coarse, fine = load_shape_model(6), load_shape_model(10)
    ours, theirs = coarse.landmarks(coarse.pelvis_mean), fine.landmarks(fine.pelvis_mean)
    for name in ("asis_left", "asis_right", "pubic_tubercle_left", "pubic_tubercle_right", "symphysis"):
        assert np.linalg.norm(ours[name] - theirs[name]) < 4.0, name


def test_modes_are_millimetres_per_standard_deviation():
    model = load_shape_model()
    sizes = np.sqrt((model.pelvis_modes**2).sum(axis=2).mean(axis=1))
    assert model.pelvis_modes.shape == (26, *model.pelvis_mean.shape)
    assert np.all((sizes[:5] > 1.0) & (sizes[:5] < 6.0))
    assert sizes[0] > 2 * sizes[20]
    moved = model.pelvis_vertices([2.0]) - model.pelvis_mean
    np.testing.assert_allclose(moved, 2.0 * model.pelvis_modes[0], atol=1e-9)


@pytest.mark.parametrize("kind", ["quad44", "quad54", "quad55", "tri10", "tri15"])
def test_patch_bases_sum_to_one_and_hit_their_nodes(kind):
    """Partition of unity and the Kronecker property define a Lagrange basis."""
    steps = 12  # a common multiple of cubic and quartic node spacing
    basis, triangles = element_samples(kind, steps)
    np.testing.assert_allclose(basis.sum(axis=1), 1.0, atol=1e-12)
    assert triangles.max() == len(basis) - 1
    at_a_node = np.isclose(basis.max(axis=1), 1.0) & np.isclose(np.abs(basis).sum(axis=1), 1.0)
    assert at_a_node.sum() == basis.shape[1]


class _Bad:
    def __reduce__(self):
        return (print, ("never",))


def test_pickle_that_asks_for_more_than_arrays_is_refused():
    with pytest.raises(pickle.UnpicklingError, match="not admitted"):
        read_plain_pickle(pickle.dumps({"mean": _Bad()}))
    arrays = read_plain_pickle(pickle.dumps({"mean": np.arange(3.0)}))
    np.testing.assert_array_equal(arrays["mean"], [0, 1, 2])


def test_weights_that_are_not_finite_or_too_many_are_refused():
    model = load_shape_model()
    for weights in ([np.nan], np.zeros(27)):
        with pytest.raises(InputError, match="shape-weights"):
            model.pelvis_vertices(weights)
