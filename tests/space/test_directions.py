"""Directions spread over the sphere or half of it."""

import numpy as np
import pytest
from cotyle.space.directions import even_directions, hemisphere_directions


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


def test_points_of_the_hemisphere_stand_for_equal_areas():
    directions = hemisphere_directions([1, 1, 0], 20_000)
    height = directions @ (np.array([1, 1, 0]) / np.sqrt(2))
    # Archimedes: the area of a zone goes with its height; cap of half-angle 60 has half of the hemisphere
    assert np.mean(height > 0.5) == pytest.approx(0.5, abs=1e-3)
    # the mean of equal-area points of a hemisphere lies half a radius along its axis
    assert directions.mean(axis=0) == pytest.approx(0.5 * np.array([1, 1, 0]) / np.sqrt(2), abs=1e-3)
