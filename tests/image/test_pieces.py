import numpy as np
import SimpleITK as sitk
from cotyle.image.pieces import largest_piece, without_small_pieces
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

masks = arrays(bool, st.tuples(*[st.integers(1, 6)] * 3))


@given(masks)
def test_pieces_are_those_of_an_outside_library(mask):
    """SimpleITK's connected components, faces only, sorted by size."""
    labels = sitk.RelabelComponent(sitk.ConnectedComponent(sitk.GetImageFromArray(mask.astype(np.uint8)), False))
    theirs = sitk.GetArrayFromImage(labels)
    assert largest_piece(mask).sum() == (theirs == 1).sum()
    sizes = np.bincount(theirs.ravel())[1:]
    kept = without_small_pieces(mask, 3)
    assert kept.sum() == sizes[sizes >= 3].sum()
    assert not (kept & ~mask).any()


def test_corners_and_edges_do_not_hold_pieces_together():
    mask = np.zeros((3, 3, 3), dtype=bool)
    mask[0, 0, :2] = mask[1, 1, 2] = True
    assert largest_piece(mask).sum() == 2
    assert without_small_pieces(mask, 2).sum() == 2
    assert without_small_pieces(mask, 3).sum() == 0


def test_nothing_has_no_piece():
    assert not largest_piece(np.zeros((2, 2), dtype=bool)).any()
