"""Pictures on a card: the same sums as on the CPU where there is a card, a clear word where there is none."""

import importlib.util
import sys

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.projector.gpu import card
from cotyle.xray.projector.line_integrals import line_integrals_of, prepare

from tests.xray.projector.bodies import OBLIQUE, STRAIGHT, VIEWS, c_arm, ellipsoid_volume


def has_card():
    if importlib.util.find_spec("cupy") is None:
        return False
    try:
        card()
    except InputError:
        return False
    return True


needs_card = pytest.mark.skipif(not has_card(), reason="no CUDA card or no cupy here")


def test_without_cupy_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "cupy", None)
    with pytest.raises(InputError, match=r"cupy.*gpu-missing"):
        prepare(ellipsoid_volume(np.eye(3), (9.0, 9.0, 9.0)), STRAIGHT, device="gpu")


@needs_card
@pytest.mark.parametrize("view", [*VIEWS, (45, 0)])
def test_a_card_gives_the_integrals_of_the_cpu_within_the_shares_of_a_texture(view):
    body = ellipsoid_volume(OBLIQUE, (2.0, 2.0, 2.4))
    carms = [c_arm(*view, size=75), c_arm(view[0] + 3, view[1], size=75)]
    cpu = line_integrals_of(prepare(body, STRAIGHT), carms)
    seen = cpu > 0.05 * cpu.max()
    off = abs(line_integrals_of(prepare(body, STRAIGHT, device="gpu"), carms) - cpu)[seen] / cpu[seen]
    assert np.median(off) < 3e-4
    assert off.max() < 1e-2
