from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from cotyle.report.comparison_layers import comparison_layers, picture_grey
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.verdict import Verdict


def picture(usable=None):
    rows, columns = np.mgrid[:40, :50].astype(np.float32)
    everywhere = np.ones((40, 50), dtype=bool)
    return Radiograph(rows + columns, everywhere if usable is None else usable)


def test_what_stops_more_is_lighter_and_what_is_not_usable_is_black():
    usable = np.ones((40, 50), dtype=bool)
    usable[:, :10] = False
    grey = picture_grey(picture(usable))
    assert grey.dtype == np.uint8
    assert (grey[:, :10] == 0).all()
    assert grey[-1, -1] == 255
    assert (np.diff(grey[20, 10:].astype(int)) >= 0).all()


def test_a_picture_without_a_pose_is_shown_alone():
    failed = SimpleNamespace(
        picture=SimpleNamespace(radiograph=picture()), registration=SimpleNamespace(verdict=Verdict.FAILED)
    )
    layers = comparison_layers(None, None, SimpleNamespace(pictures=(failed,), cup=None))
    assert layers.simulated is None
    assert (layers.planned, layers.found, list(layers.edges)) == ({}, {}, [])
    assert layers.real.shape == (40, 50)
