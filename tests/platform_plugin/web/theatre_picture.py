"""One picture as a C-arm in theatre would show it: the sample patient, his planned cup set a few degrees off the plan.

By an outside projector (itk-rtk), with attenuation and metal of the validation's own; nothing of it is shared with the
code under test but the description of the C-arm.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cotyle.cup.component import Cup
from cotyle.space.rotations import rotation_matrix
from cotyle.xray.registration.motion import handle_of
from PIL import Image

from tests.validation.theatre.matter import mu_of_hu, mu_per_mm
from tests.validation.theatre.metal import Dome, dome_excess
from tests.validation.theatre.outside_projector import OutsideProjector
from tests.xray.registration.scenes import SIZE, c_arm

KEV = 60.0
TURNED_DEG, SHIFTED_MM = 5.0, np.array([1.0, -1.0, 1.5])
LIES_OFF = np.array([3.0, -2.0, 2.0, 6.0, -4.0, 8.0])
"""How the C-arm stands otherwise than was said: turns in deg, shifts in mm."""
SHELL_MM = 3.5
ANSWERS = {"size of a pixel": 300.0 / SIZE, "to detector": 1000, "to isocentre": 680}
"""What the page asks of the machine, by words of the question."""


@dataclass(frozen=True)
class Seen:
    """A picture's file, and the cup that stands in it."""

    path: Path
    cup: Cup


def take(scan, planned, folder):
    """Take it: ``scan`` in HU, the cup as planned; the picture lies in ``folder`` as 16-bit PNG, bone light."""
    axis = rotation_matrix((0.0, 1.0, 0.0), TURNED_DEG) @ planned.opening_axis_lps
    cup = Cup(planned.side, planned.center_lps_mm + SHIFTED_MM, axis, planned.outer_diameter_mm)
    said = c_arm(planned.center_lps_mm)
    true = handle_of(said, planned.center_lps_mm).moved(said, LIES_OFF)
    body = scan.with_voxels(mu_of_hu(scan.voxels.astype(np.int16), KEV))
    dome = Dome(cup.center_lps_mm, cup.opening_axis_lps, cup.radius_mm, SHELL_MM, mu_per_mm("titanium", KEV))
    metal = dome_excess(dome, body, mu_per_mm("water", KEV))
    grey = OutsideProjector(body).project(true) + OutsideProjector(metal).project(true)
    low, high = np.percentile(grey, [0.5, 99.9])
    path = Path(folder) / "seen.png"
    Image.fromarray((65535 * np.clip((grey - low) / (high - low), 0, 1)).astype(np.uint16)).save(path)
    return Seen(path, cup)
