"""STL files in LPS millimetres."""

import struct

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import from_polydata, read_stl, stl_bytes, to_polydata, write_stl

from tests.space.solids import box, cap, sphere


def test_what_is_written_is_read(tmp_path):
    mesh = cap(26.0, 13.0, steps=24)
    write_stl(mesh, tmp_path / "cavity.stl")
    again = read_stl(tmp_path / "cavity.stl")
    assert again.is_closed
    assert again.volume_mm3 == pytest.approx(mesh.volume_mm3, rel=1e-5)
    assert len(again.vertices_lps_mm) == len(mesh.vertices_lps_mm)


def test_the_file_is_plain_binary_stl_whose_header_states_frame_and_unit(tmp_path):
    # 80 bytes of header, count of triangles, then 50 bytes each: the format's own definition, read without VTK
    mesh = box([10.0, 20.0, 30.0], center=[5.0, 0.0, 0.0])
    write_stl(mesh, tmp_path / "bone.stl")
    content = (tmp_path / "bone.stl").read_bytes()
    assert b"LPS millimetres" in content[:80]
    assert b"not a medical device" in content[:80]
    count = struct.unpack("<I", content[80:84])[0]
    assert count == 12
    assert len(content) == 84 + 50 * count
    corners = np.array([struct.unpack("<9f", content[96 + 50 * n : 132 + 50 * n]) for n in range(count)]).reshape(-1, 3)
    np.testing.assert_allclose(corners.max(axis=0), [10.0, 10.0, 15.0])
    np.testing.assert_allclose(corners.min(axis=0), [0.0, -10.0, -15.0])


def test_normals_point_out_and_a_triangle_without_area_has_none(tmp_path):
    mesh = box([10.0, 20.0, 30.0])
    content = stl_bytes(TriangleMesh(mesh.vertices_lps_mm, np.concatenate([mesh.triangles, [[0, 0, 1]]])))
    facets = np.array([struct.unpack("<12f", content[84 + 50 * n : 132 + 50 * n]) for n in range(13)]).reshape(13, 4, 3)
    np.testing.assert_allclose(np.linalg.norm(facets[:12, 0], axis=1), 1.0, atol=1e-6)
    assert (np.einsum("ni,ni->n", facets[:12, 0], facets[:12, 1:].mean(axis=1)) > 0).all()
    assert (facets[12, 0] == 0).all()


def test_a_missing_file_and_a_folder_that_cannot_be_are_named(tmp_path):
    with pytest.raises(InputError) as caught:
        read_stl(tmp_path / "nothing.stl")
    assert caught.value.code == "file-missing"
    assert "nothing.stl" in str(caught.value)
    assert str(tmp_path) not in str(caught.value)
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError) as caught:
        write_stl(box([1, 1, 1]), tmp_path / "file" / "bone.stl")
    assert caught.value.code == "output-unwritable"


def test_vtk_gets_and_gives_the_same_numbers():
    mesh = sphere(26.0, [1.0, 2.0, 3.0], steps=20)
    again = from_polydata(to_polydata(mesh))
    np.testing.assert_array_equal(again.vertices_lps_mm, mesh.vertices_lps_mm)
    np.testing.assert_array_equal(again.triangles, mesh.triangles)


def test_vtk_does_not_share_memory_with_the_locked_surface():
    mesh = box([1.0, 1.0, 1.0])
    polydata = to_polydata(mesh)
    polydata.GetPoints().SetPoint(0, 9.0, 9.0, 9.0)
    assert np.abs(mesh.vertices_lps_mm).max() == 0.5
