"""The named views of a pelvis, on a C-arm or a film.

Angles say where the detector of a C-arm stands (equally, from where the picture is looked at): DICOM's primary angle
to the patient's left and secondary angle to his head. A film of the same name has tube and detector exchanged along
the same line of sight, so it shows the same projection but for the divergence of the beam.

==================== =========================== ==================== ========================================
view                 primary, secondary          centred on           source
==================== =========================== ==================== ========================================
ap_pelvis            0, 0                        midway between hips  straight through the frame's front
ap_hip               0, 0                        hip centre           same, hip in the middle
inlet                0, +25                      midway between hips  25 deg: Ricci WM et al. 2010 (on CT)
outlet               0, -60                      midway between hips  60 deg: Ricci WM et al. 2010 (on CT)
obturator_oblique    45 to the hip's own side    hip centre           Judet R et al. 1964: 45 deg, this side up
iliac_oblique        45 to the other side        hip centre           Judet R et al. 1964: 45 deg, this side down
cross_table_lateral  90 to the hip's side, +45   hip centre           Woo RYG and Morrey BF 1982; 45 deg to the
                                                                      body's axis (common practice, no source)
==================== =========================== ==================== ========================================

Ricci WM, Mamczak C, Tynan M, Streubel P, Gardner M. Pelvic inlet and outlet radiographs redefined. J Bone Joint Surg
Am 2010;92:1947-53 (25 deg caudal and 60 deg cephalad suit the average CT; tradition says 45 and 45). Judet R, Judet J,
Letournel E. Fractures of the acetabulum. J Bone Joint Surg Am 1964;46:1615-46. Woo RYG, Morrey BF. Dislocations after
total hip arthroplasty. J Bone Joint Surg Am 1982;64:1295-306.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, read_only
from cotyle.space.frames import Frame
from cotyle.space.side import Side
from cotyle.xray.carm import CArm, Tube, from_positioner


class ViewName(StrEnum):
    """The views that have a name."""

    AP_PELVIS = "ap_pelvis"
    AP_HIP = "ap_hip"
    INLET = "inlet"
    OUTLET = "outlet"
    OBTURATOR_OBLIQUE = "obturator_oblique"
    ILIAC_OBLIQUE = "iliac_oblique"
    CROSS_TABLE_LATERAL = "cross_table_lateral"


_STRAIGHT = frozenset({ViewName.AP_PELVIS, ViewName.AP_HIP})
_CENTERED_BETWEEN_HIPS = frozenset({ViewName.AP_PELVIS, ViewName.INLET, ViewName.OUTLET})


@dataclass(frozen=True)
class Machine:
    """What takes the picture.

    Parameters
    ----------
    tube:
        ``UNDER_TABLE`` for a C-arm, ``OVER_TABLE`` for a film.
    source_detector_mm, source_isocenter_mm:
        Distances along the central ray.
    detector_mm:
        Width and height of the detector.
    size:
        Columns and rows.
    """

    tube: Tube
    source_detector_mm: float
    source_isocenter_mm: float
    detector_mm: tuple[float, float]
    size: tuple[int, int]

    @property
    def pixel_pitch_mm(self) -> tuple[float, float]:
        """Distance of columns and of rows."""
        return self.detector_mm[0] / self.size[0], self.detector_mm[1] / self.size[1]


C_ARM = Machine(Tube.UNDER_TABLE, 1000.0, 700.0, (300.0, 300.0), (768, 768))
"""A mobile C-arm with a 300 mm flat detector, which shows 210 mm at the hip (common practice, no source)."""

WIDE_C_ARM = Machine(Tube.UNDER_TABLE, 1000.0, 700.0, (430.0, 430.0), (1024, 1024))
"""The same beam on a detector that would show the whole pelvis, 301 mm at the hip; wider than a mobile one."""

FILM = Machine(Tube.OVER_TABLE, 1150.0, 1000.0, (430.0, 430.0), (1024, 1024))
"""A pelvis film: 1150 mm, 15 % enlarged (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class View:
    """A pose of the machine and what it is called.

    ``primary_deg`` and ``secondary_deg`` tell from where the picture is looked at; for a C-arm they are its DICOM
    positioner angles in ``frame_name``.
    """

    name: str
    carm: CArm
    frame_name: str
    primary_deg: float
    secondary_deg: float
    side: Side | None
    center_lps_mm: Array

    @property
    def description(self) -> str:
        """One line to print beside the picture."""
        where = {
            Tube.UNDER_TABLE: "tube under the table (source behind the patient)",
            Tube.OVER_TABLE: "tube over the table (source in front of the patient)",
            Tube.CROSS_TABLE: "tube across the table",
        }[self.carm.tube]
        return (
            f"{self.name}, in the {self.frame_name} frame, seen from {abs(self.primary_deg):g} deg "
            f"{'right' if self.primary_deg < 0 else 'left'} and {abs(self.secondary_deg):g} deg "
            f"{'caudal' if self.secondary_deg < 0 else 'cranial'}, {where}, "
            f"source to detector {self.carm.source_detector_mm:.0f} mm"
        )


def named_view(
    name: ViewName | str,
    frame: Frame,
    landmarks_lps_mm: Mapping[str, npt.ArrayLike],
    side: Side | None = None,
    machine: Machine | None = None,
    angle_deg: float | None = None,
) -> View:
    """Return a named view of the pelvis in a frame.

    Parameters
    ----------
    name:
        One of :class:`ViewName`.
    frame:
        Frame whose front, left and head the angles count from: the scanner's for a picture of the patient as he
        lies, ``supine`` for a levelled one, ``standing`` for what the pelvis does upright.
    landmarks_lps_mm:
        LPS points by name: ``hip_center_left`` and ``hip_center_right``; of a view of one hip, that one is enough.
    side:
        Side of the hip; not needed for the views of the whole pelvis.
    machine:
        :data:`WIDE_C_ARM` for views of the whole pelvis, :data:`C_ARM` for those of one hip, by default.
    angle_deg:
        The view's own angle, without a sign, instead of the one of the table (an inlet of 40 instead of 25, say).

    Raises
    ------
    InputError
        ``view-name``, ``view-side``, ``view-landmark`` or ``view-angle``.
    """
    if str(name) not in set(ViewName):
        raise InputError("view-name", f"there is no view {str(name)!r}", f"Choose from {', '.join(ViewName)}")
    which = ViewName(name)
    whole = which in _CENTERED_BETWEEN_HIPS
    if side is None and not whole:
        raise InputError("view-side", f"the view {which} needs the side of the hip")
    primary, secondary = view_angles_deg(which, side, angle_deg)
    center = view_center(which, landmarks_lps_mm, side)
    return free_view(which, frame, center, primary, secondary, machine or usual_machine(which), side)


def usual_machine(name: str) -> Machine:
    """Return the machine that a named view is taken with: the wide one where it shows the whole pelvis."""
    return WIDE_C_ARM if name in _CENTERED_BETWEEN_HIPS else C_ARM


def free_view(
    name: str,
    frame: Frame,
    center_lps_mm: npt.ArrayLike,
    primary_deg: float,
    secondary_deg: float,
    machine: Machine,
    side: Side | None = None,
) -> View:
    """Return any view: looked at from these angles in a frame, with the central ray through a point."""
    over = machine.tube is Tube.OVER_TABLE
    across = abs(np.cos(np.deg2rad(primary_deg)) * np.cos(np.deg2rad(secondary_deg))) < 1e-9
    # a film's detector stands at the far end of the line of sight; a beam across the table has no over and under
    swapped = over and not across
    carm = from_positioner(
        center_lps_mm,
        primary_deg + 180.0 if swapped else primary_deg,
        -secondary_deg if swapped else secondary_deg,
        frame=frame,
        source_detector_mm=machine.source_detector_mm,
        source_isocenter_mm=machine.source_isocenter_mm,
        pixel_pitch_mm=machine.pixel_pitch_mm,
        size=machine.size,
        tube=Tube.CROSS_TABLE if across else machine.tube,
    )
    return View(str(name), carm, frame.name, primary_deg, secondary_deg, side, as_vector(center_lps_mm))


def view_angles_deg(name: ViewName, side: Side | None = None, angle_deg: float | None = None) -> tuple[float, float]:
    """Return primary and secondary angle of a named view, see the table of this module.

    Raises
    ------
    InputError
        ``view-angle`` for an angle of a view that is straight, or one outside 0 to 90.
    """
    if angle_deg is not None and name in _STRAIGHT:
        raise InputError("view-angle", f"the view {name} is straight and has no angle", "Leave the angle out")
    if angle_deg is not None and not 0.0 <= angle_deg <= 90.0:
        raise InputError("view-angle", f"the view {name} has no angle of {angle_deg:g} deg", "Give 0 to 90, no sign")
    toward = 0.0 if side is None else side.lateral_sign
    match name:
        case ViewName.INLET:
            return 0.0, 25.0 if angle_deg is None else angle_deg
        case ViewName.OUTLET:
            return 0.0, -60.0 if angle_deg is None else -angle_deg
        case ViewName.OBTURATOR_OBLIQUE:
            return toward * (45.0 if angle_deg is None else angle_deg), 0.0
        case ViewName.ILIAC_OBLIQUE:
            return -toward * (45.0 if angle_deg is None else angle_deg), 0.0
        case ViewName.CROSS_TABLE_LATERAL:
            return toward * 90.0, 45.0 if angle_deg is None else angle_deg
        case _:
            return 0.0, 0.0


def view_center(name: ViewName, landmarks_lps_mm: Mapping[str, npt.ArrayLike], side: Side | None = None) -> Array:
    """Return the LPS point the central ray of a named view runs through."""
    needed = ["hip_center_left", "hip_center_right"] if name in _CENTERED_BETWEEN_HIPS else [f"hip_center_{side}"]
    missing = [landmark for landmark in needed if landmark not in landmarks_lps_mm]
    if missing:
        raise InputError("view-landmark", f"the view {name} needs {' and '.join(missing)}")
    points = [as_vector(landmarks_lps_mm[landmark], landmark) for landmark in needed]
    return read_only(np.mean(points, axis=0))
