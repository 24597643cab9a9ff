from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pytest
from cotyle.case.values import load, save
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side


@dataclass(frozen=True, eq=False)
class Inner:
    point: Array
    side: Side
    maybe: Array | None
    words: str | None = None


@dataclass(frozen=True, eq=False)
class Outer:
    by_side: Mapping[Side, Inner]
    meshes: Mapping[str, TriangleMesh]
    pair: tuple[float, int]
    many: tuple[Inner, ...]


def example():
    inner = Inner(np.array([0.1, 1 / 3, -np.pi]), Side.LEFT, None, "ß <b>")
    mesh = TriangleMesh(np.eye(3), np.array([[0, 1, 2]]))
    other = Inner(np.zeros(3), Side.RIGHT, np.ones(3))
    return Outer({Side.LEFT: inner}, {"bone": mesh}, (0.1 + 0.2, 7), (inner, other))


def test_values_come_back_to_the_last_digit(tmp_path):
    save(example(), tmp_path / "a.npz")
    back = load(Outer, tmp_path / "a.npz")
    np.testing.assert_array_equal(back.by_side[Side.LEFT].point, [0.1, 1 / 3, -np.pi])
    assert back.pair == (0.1 + 0.2, 7)
    assert back.many[0].maybe is None
    np.testing.assert_array_equal(back.many[1].maybe, np.ones(3))
    np.testing.assert_array_equal(back.meshes["bone"].triangles, [[0, 1, 2]])
    assert back.by_side[Side.LEFT].words == "ß <b>"


def test_equal_values_give_equal_bytes(tmp_path):
    for name in ("a.npz", "b.npz"):
        save(example(), tmp_path / name)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04nonsense", b"\x93NUMPY"])
def test_a_damaged_file_is_an_input_error(tmp_path, content):
    (tmp_path / "a.npz").write_bytes(content)
    with pytest.raises(InputError) as caught:
        load(Outer, tmp_path / "a.npz")
    assert caught.value.code == "case-outdated"


def test_a_file_of_another_class_is_refused(tmp_path):
    save(example(), tmp_path / "a.npz")
    with pytest.raises(InputError) as caught:
        load(Inner, tmp_path / "a.npz")
    assert caught.value.code == "case-outdated"


def test_pickled_objects_are_never_loaded(tmp_path):
    np.savez(tmp_path / "a.npz", tree=np.array([{"x": 1}], dtype=object))
    with pytest.raises(InputError):
        load(Outer, tmp_path / "a.npz")


def test_packed_arrays_are_refused_before_they_grow(tmp_path):
    np.savez_compressed(tmp_path / "a.npz", tree=np.zeros(1_000_000, np.uint8))
    with pytest.raises(InputError) as caught:
        load(Outer, tmp_path / "a.npz")
    assert caught.value.code == "case-outdated"
    assert "packed" in str(caught.value.__cause__)
