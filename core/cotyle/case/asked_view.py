"""A view as it is asked for at a C-arm's controls: a named view, then turned, rolled and moved."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from cotyle.case.live import tilted_frame
from cotyle.case.simulated import PlacedCup, SimulatedView, grey_of, seen, view_of
from cotyle.case.stages import MEASURING_FRAME
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import rotation_matrix
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of
from cotyle.xray.views import Machine, View, free_view, usual_machine

SMALLEST_PX, LARGEST_PX = 64, 2048
POSTURE = "posture"


@dataclass(frozen=True)
class ViewRequest:
    """What is asked of the machine.

    Parameters
    ----------
    name:
        A view of :class:`cotyle.xray.views.ViewName`; all else is a change of it.
    frame:
        Name of the frame its angles refer to: ``scanner``, ``app``, ``supine``, ``standing``, or ``posture``.
    primary_deg, secondary_deg:
        DICOM positioner angles, to the patient's left and to his head; the named view's own if None.
    roll_deg:
        Turn of the machine about its central ray: positive turns what the picture shows clockwise.
    shift_mm:
        Way of the point that the central ray runs through, (left, posterior, superior) in the frame.
    tube:
        Under or over the table.
    source_detector_mm, source_isocenter_mm:
        Distances along the central ray; those of the view's usual machine if None.
    size_px:
        Columns and rows of the picture; the detector's millimetres stay.
    tilt_change_deg:
        What ``posture`` means: the change of anterior tilt from lying.
    """

    name: str = "ap_pelvis"
    frame: str = "supine"
    primary_deg: float | None = None
    secondary_deg: float | None = None
    roll_deg: float = 0.0
    shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tube: Tube = Tube.UNDER_TABLE
    source_detector_mm: float | None = None
    source_isocenter_mm: float | None = None
    size_px: int = 384
    tilt_change_deg: float = 0.0


def asked_view(placed: PlacedCup, asked: ViewRequest) -> View:
    """Return the view that is asked for on a planned cup's pelvis.

    Raises
    ------
    InputError
        ``view-size``, ``frame-unknown``, ``view-name``, ``view-landmark``, ``carm-angle``, ``carm-distance``.
    """
    if not SMALLEST_PX <= asked.size_px <= LARGEST_PX:
        raise InputError("view-size", f"a picture of {asked.size_px} pixels is not drawn", "Ask for 64 to 2048")
    of_posture = asked.frame == POSTURE
    named = view_of(placed, asked.name, MEASURING_FRAME if of_posture else asked.frame)
    frames = {"scanner": SCANNER, **placed.pelvis.frames}
    frame = tilted_frame(placed.pelvis, asked.tilt_change_deg) if of_posture else frames[asked.frame]
    view = free_view(
        named.name,
        frame,
        named.center_lps_mm + frame.direction_to_lps(np.array(asked.shift_mm, dtype=float)),
        named.primary_deg if asked.primary_deg is None else asked.primary_deg,
        named.secondary_deg if asked.secondary_deg is None else asked.secondary_deg,
        _machine(asked),
        named.side,
    )
    return replace(view, carm=_rolled(view.carm, asked.roll_deg))


def show(placed: PlacedCup, ready: ReadyVolume, asked: ViewRequest) -> SimulatedView:
    """Return the picture that is asked for, with the cup's outlines and cues."""
    view = asked_view(placed, asked)
    return seen(placed, view, grey_of(line_integrals_of(ready, view.carm)))


def _machine(asked: ViewRequest) -> Machine:
    usual, far, near = usual_machine(asked.name), asked.source_detector_mm, asked.source_isocenter_mm
    return replace(
        usual,
        tube=asked.tube,
        source_detector_mm=usual.source_detector_mm if far is None else far,
        source_isocenter_mm=usual.source_isocenter_mm if near is None else near,
        size=(asked.size_px, asked.size_px),
    )


def _rolled(carm: CArm, roll_deg: float) -> CArm:
    """Turn the machine about the line from the source at right angles to the detector."""
    if roll_deg == 0.0:
        return carm
    # the machine turned one way is the picture turned the other; columns to rows is clockwise on the screen
    axis = np.cross(carm.column_direction_lps, carm.row_direction_lps)
    motion = np.eye(4)
    motion[:3, :3] = rotation_matrix(axis, -roll_deg)
    motion[:3, 3] = carm.source_lps_mm - motion[:3, :3] @ carm.source_lps_mm
    return carm.moved(motion)
