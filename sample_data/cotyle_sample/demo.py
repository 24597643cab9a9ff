"""The sample case that ``cotyle demo`` plans: an invented subject with an invented story."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from cotyle.anatomy.pelvis import Posture
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from cotyle_sample.dicom import write_series
from cotyle_sample.scanner import scan
from cotyle_sample.subject import Variant, make_subject
from cotyle_sample.truth import Truth

DEMO_SEED = 11
DEMO_POSTURE = Posture(anterior_tilt_deg=7.0, rotation_to_left_deg=4.0, left_up_deg=-3.0)
SCENARIO = """Sample case A - SYNTHETIC, invented, not a person.

A right hip with worn cartilage: groin pain for two years, walking distance 500 m, stiff in the morning. The joint
space is narrowed above, the head has ridden up by about a millimetre in a socket that is otherwise round; the left
hip is healthy. The pelvis lies turned 4 degrees to the left and with the left side 3 degrees lower on the CT table.
The question: where does the cup go, how much wall is left behind it, and what will the screen show?

The bones are drawn from an open statistical shape model (Python package musculoskeletal-models, MPL-2.0, GIAS3
project, Auckland Bioengineering Institute); tissue, scanner and story are made up. Research software, not a medical
device.
"""


def make_demo_case(folder: Path | str) -> Truth:
    """Write the sample case into a folder: ``ct/`` (DICOM series), ``scenario.txt``, ``truth.json``.

    Raises InputError (``sample-folder``) if ``ct/`` is there already and holds something.
    """
    folder = Path(folder)
    subject = make_subject(seed=DEMO_SEED, variant=Variant.WORN, affected_side=Side.RIGHT)
    volume, truth = scan(subject, DEMO_POSTURE, seed=DEMO_SEED)
    truth = replace(truth, scenario=SCENARIO)
    write_series(volume, folder / "ct", name="sample-case-a", against_z=True)
    (folder / "scenario.txt").write_text(SCENARIO, encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(truth_table(truth), indent=1), encoding="utf-8")
    return truth


def truth_table(truth: Truth) -> dict[str, object]:
    """Landmarks, spheres and posture of a truth as plain numbers (LPS mm, degrees)."""
    return {
        "synthetic": True,
        "posture": {
            "anterior_tilt_deg": truth.posture.anterior_tilt_deg,
            "rotation_to_left_deg": truth.posture.rotation_to_left_deg,
            "left_up_deg": truth.posture.left_up_deg,
        },
        "landmarks_lps_mm": {name: [round(v, 3) for v in point] for name, point in sorted(truth.landmarks.items())},
        "sockets": {str(side): _sphere(sphere) for side, sphere in truth.sockets.items()},
        "heads": {str(side): _sphere(sphere) for side, sphere in truth.heads.items()},
    }


def _sphere(sphere: Sphere) -> dict[str, object]:
    return {
        "center_lps_mm": [round(v, 3) for v in sphere.center_lps_mm],
        "radius_mm": round(sphere.radius_mm, 3),
    }
