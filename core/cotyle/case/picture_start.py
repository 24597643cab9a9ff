"""Where the search for a picture's pose starts: the view's name, or a few points that were clicked on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from cotyle.anatomy.survey import Survey
from cotyle.case.stages import MEASURING_FRAME, PlannedCup
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm
from cotyle.xray.levelling.point_pose import PointPose, pose_near
from cotyle.xray.levelling.point_task import known_of
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.registration.motion import Handle, handle_of, in_degrees
from cotyle.xray.registration.register import RoughPose
from cotyle.xray.views import Machine, ViewName, free_view, view_angles_deg, view_center

# a pose by clicks is searched about at least this widely, and at most as widely as the view's name is
_LEAST_SD = np.array([1.0, 1.0, 1.0, 3.0, 3.0, 8.0])


@dataclass(frozen=True, eq=False)
class PictureOfView:
    """A real picture in its usual view, by which name it was taken, and points clicked on it.

    Parameters
    ----------
    radiograph:
        The picture, columns to the patient's left.
    view:
        Its name.
    to_file:
        2x3: takes its pixels (column, row, 1) to those of its file.
    rim_px:
        Points on the rim of its cup, (n, 2); None where it is to be found without.
    clicked_px:
        Places of the pelvis by name, see :data:`cotyle.xray.levelling.clicks.CLICK_NAMES`.
    turned_to_deg:
        The machine's own angles (primary, secondary) if they are known, not only the view's name.
    pitch_sd:
        One standard deviation of the pixel pitch as a share of it, where a sphere told it.
    """

    radiograph: Radiograph
    view: ViewName
    to_file: Array
    rim_px: Array | None = None
    clicked_px: Mapping[str, Array] = field(default_factory=dict)
    turned_to_deg: tuple[float, float] | None = None
    pitch_sd: float = 0.0


@dataclass(frozen=True, eq=False)
class Start:
    """Nominal pose of the view, the rough pose to search about, and the pose by clicked points where there are any."""

    nominal: CArm
    rough: RoughPose
    by_points: PointPose | None


def start_of(planned: PlannedCup, picture: PictureOfView) -> Start:
    """Return where the search starts.

    Raises
    ------
    InputError
        ``picture-geometry`` where the machine is not known, and those of clicked points.
    """
    side = planned.plan.side
    points = {name: mark.lps_mm for name, mark in planned.anatomy.landmarks.items()}
    center = view_center(picture.view, points, side)
    primary, secondary = picture.turned_to_deg or view_angles_deg(picture.view, side)
    frame = planned.pelvis.frames[MEASURING_FRAME]
    nominal = free_view(picture.view, frame, center, primary, secondary, machine_of(picture.radiograph), side).carm
    if not picture.clicked_px:
        return Start(nominal, RoughPose(nominal, center), None)
    anatomy = planned.anatomy
    survey = Survey(anatomy.landmarks, planned.pelvis, anatomy.sockets, anatomy.doubts)
    known = known_of(survey, anatomy.surfaces, MEASURING_FRAME)
    found = pose_near(picture.clicked_px, known, nominal, (primary, secondary), side)
    change = Handle(found.about_lps_mm, np.eye(3)).to(handle_of(found.carm, center))
    spread = np.sqrt(np.diag(change @ in_degrees(found.covariance) @ change.T))
    sd = np.clip(spread, _LEAST_SD, np.array(RoughPose(nominal, center).sd))
    return Start(nominal, RoughPose(found.carm, center, tuple(map(float, sd))), found)  # type: ignore[arg-type]


def machine_of(radiograph: Radiograph) -> Machine:
    """Return the machine of a picture.

    Raises
    ------
    InputError
        ``picture-geometry`` naming all that neither the file nor the user said.
    """
    known = radiograph.geometry
    pitch, tube = known.pixel_pitch_mm, known.tube
    distance, isocenter = known.source_detector_mm, known.source_isocenter_mm
    if pitch is None or tube is None or distance is None or isocenter is None:
        values = {
            "pixel pitch on the detector": pitch,
            "distance from source to detector": distance,
            "distance from source to isocentre": isocenter,
            "place of the tube": tube,
        }
        missing = [words for words, value in values.items() if value is None]
        raise InputError(
            "picture-geometry",
            f"neither the picture nor you say the {' and the '.join(missing)}",
            "Give --pixel-pitch (or --sphere), --source-detector, --source-isocenter and --tube as the machine states "
            "them",
        )
    columns, rows = radiograph.size
    return Machine(tube, distance, isocenter, (pitch[0] * columns, pitch[1] * rows), (columns, rows))
