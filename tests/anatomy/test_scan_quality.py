"""A scan that shows less than usual says so, and names what suffers; a usual one says nothing."""

import pytest
from cotyle.anatomy.findings import Concern
from cotyle.anatomy.scan_quality import scan_findings
from cotyle.anatomy.shapes.cortex_model import Blur

USUAL = {"sigma_mm": 0.72, "cortex_hu": 1280.0, "across_mm": 0.58, "noise_hu": 21.0}


def test_a_usual_scan_gives_no_finding():
    assert scan_findings(Blur(**USUAL)) == []


@pytest.mark.parametrize(
    ("change", "code", "concern"),
    [
        ({"across_mm": 1.33}, "slices-thick", Concern.CENTER),
        ({"sigma_mm": 1.4}, "scan-blurred", Concern.WALL),
        ({"noise_hu": 110.0}, "scan-noisy", Concern.BONES),
        ({"cortex_hu": 650.0, "thin_cortex": True}, "cortex-thin", Concern.WALL),
    ],
)
def test_each_trouble_is_named_with_what_it_touches(change, code, concern):
    (finding,) = scan_findings(Blur(**(USUAL | change)))
    assert finding.code == code
    assert concern in finding.concerns
    assert finding.side is None
