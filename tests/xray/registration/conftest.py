"""The sample's bone and one picture of it, shared by the tests of registration."""

import pytest
from cotyle.space.side import Side
from cotyle.xray.registration.bone_model import bone_model

from tests.xray.registration.scenes import take


@pytest.fixture(scope="session")
def bone(sample_series):
    _, volume, truth = sample_series
    return bone_model(volume, truth.labels)


@pytest.fixture(scope="session")
def scene(sample_series):
    _, volume, truth = sample_series
    return take(volume, truth, Side.RIGHT)
