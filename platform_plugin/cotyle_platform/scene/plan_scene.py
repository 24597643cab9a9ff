"""A case and its plan as nodes of the platform's scene."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
from cotyle.anatomy.landmarks import Landmarks
from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.anatomy_file import Anatomy
from cotyle.case.plan_file import PlanFile
from cotyle.case.stages import MEASURING_FRAME, PlannedCup, cup_of
from cotyle.case.store import StoredCase
from cotyle.cup.component import Cup
from cotyle.cup.reaming_way import ReamerPlace
from cotyle.errors import InputError
from cotyle.image.labels import hip_bone
from cotyle.report.cup_planes import CutPlane, cup_planes
from cotyle.report.frame_planes import frame_planes
from cotyle.space.arrays import Array
from cotyle.space.frames import SCANNER

from cotyle_platform.scene import parts, slices
from cotyle_platform.scene.axes import place_to_ras, to_vtk
from cotyle_platform.scene.moves import CupMoved, LandmarkMoved, Moves, place_of_transform
from cotyle_platform.scene.record import Record

Planes = Literal["scanner", "app", "supine", "standing", "cup"]
_WITHIN_MM = 0.1
_SAME = 1e-7
"""A cup nearer than this to where it is wanted (mm, and parts of a unit axis) is left where a hand put it."""


class PlanScene:
    """The picture of one case in a scene that is handed over; the plan's text in its record is the truth.

    A scene that was saved with the same case is taken up again: its nodes are found by reference and filled anew.

    Parameters
    ----------
    scene:
        The platform's scene (``vtkMRMLScene``).
    case:
        The case as read from its folder.
    on_cup_moved:
        Called with centre (LPS mm) and opening axis (LPS) at each step of a drag of the cup's handles.
    on_landmark_moved:
        Called with name and place (LPS mm) when a landmark was dragged and let go.

    Raises
    ------
    InputError
        ``scene-other-case`` if the scene shows another scan; those of :class:`cotyle_platform.scene.record.Record`.
    """

    def __init__(
        self,
        scene: Any,
        case: StoredCase,
        *,
        on_cup_moved: CupMoved | None = None,
        on_landmark_moved: LandmarkMoved | None = None,
    ) -> None:
        series = case.anatomy.source.digest
        record = Record.of(scene) or Record.made_in(scene, series)
        if record.series != series:
            raise InputError(
                "scene-other-case", "the scene shows another scan than this case", "Close the scene, then open the case"
            )
        self.scene = scene
        self._case = case
        self._record = record
        self._moves = Moves()
        self._moves.cup_moved, self._moves.landmark_moved = on_cup_moved, on_landmark_moved
        self._planes: Planes | None = None
        self._middle: Array | None = None
        self._cup: Cup | None = None
        self._chosen: str | None = None
        self.slices_follow = True
        """Off while a hand drags the cup in a slice: one that moved along would pull the cup away under the pointer."""
        self._drawn: PlannedCup | None = None
        self._pelvis: Pelvis | None = None
        self.letters: dict[str, slices.Letters] = {}
        """Patient's sides of each slice as it was last set."""
        with self._moves.ours():
            parts.draw_scan(record, case.scan)
            parts.draw_bones(record, case.anatomy.surfaces, hip_bone(case.plan.side))
            parts.draw_landmarks(record, case.anatomy.landmarks)
            parts.make_cup(record)
        self._moves.watch_cup(record.get(parts.CUP_PLACE))
        self._moves.watch_landmarks(record.get(parts.LANDMARKS))

    def show(self, plan: PlanFile, planned: PlannedCup | None = None, stale: bool = False) -> None:
        """Draw a complete plan: cup and axis at once, the cavity as last measured.

        Parameters
        ----------
        planned:
            What was measured, to colour the cavity; without it the cavity stays as it is.
        stale:
            Whether what is drawn of the cavity belongs to an older plan than this: it is then shown grey, without
            numbers' colours.

        Raises
        ------
        InputError
            ``plan-incomplete``, and those of :func:`cotyle.case.stages.cup_of`.
        """
        pelvis = self._case.anatomy.pelvis(plan.posture.standing_tilt_change_deg)
        cup = cup_of(plan, pelvis)
        planes = cup_planes(cup, pelvis.frames[MEASURING_FRAME])
        self._record.plan = plan
        with self._moves.ours():
            if self._cup is None or self._cup.outer_diameter_mm != cup.outer_diameter_mm:
                parts.shape_cup(self._record, cup)
            self._place_cup(planes[2])
            self._cup = cup
            if planned is not None and planned is not self._drawn:
                self._drawn = planned
                parts.draw_cavity(self._record, planned)
                parts.draw_frame_plane(self._record, planned.pelvis.app, planned.anatomy.landmarks)
            parts.mark_cavity(self._record, stale)
            self._pelvis = pelvis
            if self._planes == "cup" and self.slices_follow:
                self.letters = self._set_slices()

    def plan_from_scene(self) -> PlanFile:
        """Return the plan the scene holds; errors as in :attr:`cotyle_platform.scene.record.Record.plan`."""
        return self._record.plan

    def show_reamer(self, place: ReamerPlace | None) -> None:
        """Show a reamer on its way, or none."""
        parts.draw_reamer(self._record, place)

    def show_found(self, cup: Cup | None) -> None:
        """Show a cup that was found in pictures beside the planned one, or none."""
        parts.draw_found(self._record, cup)

    def take_anatomy(self, anatomy: Anatomy) -> None:
        """Stand on another anatomy of the same scan, such as after a landmark was moved; then show a plan on it."""
        self._case = replace(self._case, anatomy=anatomy)
        self.show_landmarks(anatomy.landmarks)

    def show_landmarks(self, landmarks: Landmarks) -> None:
        """Draw the landmarks where they are, also one whose move is still being worked out; the one that can be
        dragged stays the same.
        """
        if self._chosen not in landmarks:
            self._chosen = None
        with self._moves.ours():
            parts.draw_landmarks(self._record, landmarks, self._chosen)

    def slice_to(self, planes: Planes, middle_lps_mm: npt.ArrayLike | None = None) -> dict[str, slices.Letters]:
        """Set the slice views to the axes of a frame or of the cup; returns each view's patient-side letters.

        To be called again after views were made or reset: the platform turns them to the scan's own axes then.

        Parameters
        ----------
        planes:
            ``cup``: views follow the cup from now on.
        middle_lps_mm:
            Point that all three pass through, shape (3,); the cup's centre if not given.

        Raises
        ------
        InputError
            ``plan-incomplete`` before a plan was shown.
        """
        self._planes = planes
        self._middle = None if middle_lps_mm is None else np.asarray(middle_lps_mm, dtype=float)
        return self._set_slices()

    def look_at(self, point_lps_mm: npt.ArrayLike) -> None:
        """Move all slice views through a point, with the crosshair on it; their directions stay."""
        self.slice_to(self._planes or "scanner", point_lps_mm)
        slices.cross_at(self.scene, np.asarray(point_lps_mm, dtype=float))

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of what can be shown, hidden and made clear."""
        return parts.names(self._record)

    def set_shown(self, part: str, shown: bool) -> None:
        """Show or hide a part."""
        parts.display_of(self._record, part).SetVisibility(shown)

    def set_opacity(self, part: str, opacity: float) -> None:
        """Make a part clear (0) to solid (1)."""
        parts.display_of(self._record, part).SetOpacity(float(opacity))

    def show_cavity_alone(self, alone: bool) -> None:
        """Take out of the 3D view what hides the wall's colours: cup, femur, bone reamed away; slices keep them."""
        parts.show_cavity_alone(self._record, self._case.plan.side, alone)

    def show_scale(self, shown: bool) -> None:
        """Show or hide the scale of the wall's colours in 3D."""
        parts.show_scale(self._record, shown)

    def set_handles(self, shown: bool) -> None:
        """Show or hide the handles that move and turn the cup."""
        parts.show_handles(self._record, shown)

    def choose_landmark(self, name: str | None) -> None:
        """Let one landmark be dragged, and show which; none is the usual state, so that no stray drag moves one."""
        with self._moves.ours():
            parts.unlock(self._record, name)
        self._chosen = name

    def node(self, part: str) -> Any:
        """Return the node of a part, for what only the platform can do with it."""
        return self._record.get(part)

    def close(self) -> None:
        """Stop watching the scene; its nodes stay."""
        self._moves.forget()

    def _place_cup(self, rim: CutPlane) -> None:
        """Put the cup's transform to the plane of its rim, unless a hand already has; a turn about its axis stays."""
        transform = self._record.get(parts.CUP_PLACE)
        wanted, now = rim.plane_to_lps, place_of_transform(transform)
        if np.abs(wanted[:3, 2:] - now[:3, 2:]).max() > _SAME:
            transform.SetMatrixTransformToParent(to_vtk(place_to_ras(wanted)))

    def _set_slices(self) -> dict[str, slices.Letters]:
        if self._cup is None and (self._planes == "cup" or self._middle is None):
            raise InputError("plan-incomplete", "there is no cup to look at yet", "Show a plan first")
        pelvis = self._pelvis or self._case.anatomy.pelvis(self._record.plan.posture.standing_tilt_change_deg)
        frames = {**pelvis.frames, SCANNER.name: SCANNER}
        if self._planes == "cup":
            assert self._cup is not None
            upright, level, rim = cup_planes(self._cup, frames[MEASURING_FRAME])
            # just within the mouth: a cut through the flat rim itself has no outline
            within = rim.through(rim.center_lps_mm - _WITHIN_MM * rim.normal_lps)
            chosen: tuple[CutPlane, ...] = (level, upright, within)
            if self._middle is not None:
                chosen = tuple(plane.through(self._middle) for plane in chosen)
        else:
            middle = self._middle
            if middle is None:
                assert self._cup is not None
                middle = self._cup.center_lps_mm
            chosen = frame_planes(frames[self._planes or "scanner"], middle)
        return slices.set_slices(self.scene, chosen)
