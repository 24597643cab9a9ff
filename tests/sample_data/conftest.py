"""Subjects shared by the tests of the sample data: drawing one takes seconds."""

from functools import cache

import pytest
from cotyle_sample import make_subject, scan


@pytest.fixture(scope="session")
def subject():
    """A function that draws a subject once for all tests: subject(variant, seed, off_model_mm)."""

    @cache
    def drawn(variant="healthy", seed=3, off_model_mm=0.0):
        return make_subject(seed=seed, variant=variant, off_model_mm=off_model_mm)

    return drawn


@pytest.fixture(scope="session")
def coarse_scan(subject):
    """A function that scans at 1.6 mm once for all tests: coarse_scan(posture, variant, noise_hu)."""

    @cache
    def scanned(posture, variant="healthy", noise_hu=22.0):
        return scan(subject(variant), posture, voxel_mm=(1.6, 1.6, 1.6), noise_hu=noise_hu, seed=1)

    return scanned
