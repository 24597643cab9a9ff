"""Directions spread over the sphere."""

import numpy as np
import pytest
from cotyle.space.directions import even_directions


@pytest.mark.parametrize("count", [200, 3000])
def test_directions_are_unit_vectors_that_favour_no_axis_and_keep_apart(count):
    directions = even_directions(count)
    assert np.linalg.norm(directions, axis=1) == pytest.approx(np.ones(count))
    # of an even spread the mean is nil and the mean of n n' a third of the unit matrix
    assert directions.mean(axis=0) == pytest.approx(np.zeros(3), abs=2.0 / count)
    assert directions.T @ directions / count == pytest.approx(np.eye(3) / 3.0, abs=2.0 / count)
    nearest = np.sort(directions @ directions.T, axis=1)[:, -2]
    # each has 4 pi / count of the sphere: neighbours lie about the width of such a patch apart
    assert np.arccos(nearest).min() > 0.7 * np.sqrt(4.0 * np.pi / count)
