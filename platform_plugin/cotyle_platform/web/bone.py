"""Bone on the page: the scene of the plan in its views, which axes the slices take, grey scale, what is shown."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from cotyle.anatomy.on_bone import first_on_bone
from cotyle.case.stages import MEASURING_FRAME
from cotyle.cup.reaming_way import reamer_at, way_length_mm
from cotyle.errors import InputError
from cotyle.report.cavity_view import MOST_WALL_MM, cup_cameras, wall_colors
from cotyle.report.cup_planes import cup_planes
from cotyle.report.landmark_views import mark_camera, place_to_look

from cotyle_platform.scene import parts, slices, views
from cotyle_platform.scene.plan_scene import PlanScene
from cotyle_platform.scene.stage import SLICES, THREE_D
from cotyle_platform.session import PlanningSession
from cotyle_platform.web.areas import Areas
from cotyle_platform.web.wall_probe import WallProbe

SLICE_HEIGHT_MM = 120.0
HANDLES_BEYOND_MM = 6.0
PX_PER_PERCENT = 6.5
"""How far a slice's handles reach for each percent of their scale, as the platform draws them."""
MARK_HEIGHT_MM = 90.0
SEARCH_HEIGHT_MM = 180.0
"""A landmark that was not found is looked for in more than its near surroundings."""
MARK_OPACITY = 1.0
"""A landmark is looked for on the surface of its bone."""
AT_LANDMARK = "landmark"
CLICK_PX = 1.5
"""A landmark let go nearer than this to where it was gripped was clicked on, not moved."""
CUP_OPACITY = 0.45
"""The wall map behind the cup is seen through it."""
PLANES = {
    "cup": "the cup's axes",
    "app": "anterior pelvic plane",
    "supine": "supine, level",
    "scanner": "the scanner's axes",
}
TITLES = {"cup": ("level, from below", "upright, from in front", "rim, from outside")}
FRAME_TITLES = ("transverse, from below", "coronal, from in front", "sagittal, from the left")
GREYS = {"bone": ("bone", 1800.0, 400.0), "soft": ("soft tissue", 400.0, 40.0), "wide": ("wide", 3500.0, 800.0)}
"""Window and level in HU; common practice, no source."""
PARTS = {
    "bones": ("bones", ()),
    "femurs": ("femurs", ("left_femur", "right_femur")),
    parts.CUP: ("cup", (parts.CUP,)),
    parts.CAVITY: ("wall map", (parts.CAVITY,)),
    parts.LANDMARKS: ("landmarks", (parts.LANDMARKS,)),
    parts.FOUND: ("cup found in pictures", (parts.FOUND,)),
    "handles": ("handles", ()),
}
BONES = ("left_hip_bone", "right_hip_bone", "sacrum")
SHOWN = ("bones", parts.CUP, parts.CAVITY, parts.FOUND, "handles")
LOOKS = {
    "into-the-socket": "into the socket",
    "from-inside": "from inside",
    "from-in-front": "from in front",
    "from-the-side": "from the side",
}


class Bone:
    """The scene and its views; state keys start with ``bone_``, and ``ct_window`` and ``ct_level``."""

    def __init__(self, areas: Areas, session: PlanningSession, state: Any, trigger: Any) -> None:
        self.areas, self.session, self._state = areas, session, state
        self.on_cup_moved: Callable[[Any, Any], None] = lambda *_: None
        self.on_let_go: Callable[[], None] = lambda: None
        self.on_landmark_moved: Callable[[str, Any], None] = lambda *_: None
        self.on_landmark_clicked: Callable[[str, Any, bool], None] = lambda *_: None
        """Told where a landmark that was not found is to be, (3,) LPS mm or None beside all bone; whether in 3D."""
        self.scene = PlanScene(
            areas.scene,
            session.case,
            on_cup_moved=lambda center, axis: self.on_cup_moved(center, axis),
            on_landmark_moved=self._landmark_let_go,
        )
        self.scene.show(session.plan)
        areas.background(self.scene.node(parts.CT))
        self._probe = WallProbe()
        self._shown: tuple[Any, ...] = ()
        self._anatomy = session.anatomy
        self._planes: Any = "cup"
        self._middle: Any = None
        self._mark: str | None = None
        self._before_marks: tuple[str, list[str], float] = ("cup", [], 0.0)
        self._held_at = -1
        self._fixed_state()
        self._turn()
        self._make_handles()
        areas.on_resized = self._size_handles
        areas.on_pointer = self._read_wall
        areas.on_hold = self._hold
        areas.on_click = self._clicked
        areas.on_shift = lambda: slices.show_cross(areas.scene)
        self.look("from-in-front")
        self.areas.show_height(SLICE_HEIGHT_MM)
        self.scene.set_opacity(parts.CUP, CUP_OPACITY)
        for part in PARTS:
            self.set_shown(part, part in SHOWN)
        state.change("bone_planes")(lambda bone_planes, **_: self.set_planes(bone_planes))
        state.change("bone_opacity")(lambda bone_opacity, **_: self.set_opacity(bone_opacity))
        state.change("reaming_position")(lambda **_: self.show_reamer())
        trigger("bone_grey")(self.set_grey)
        trigger("bone_window")(self.set_window)
        trigger("bone_show")(self.set_shown)
        trigger("bone_look")(self.look)
        trigger("bone_reset")(self.reset)

    def show(self, again: bool = False) -> None:
        """Draw the plan: the cup at once, the cavity as last measured, grey while that is of an older plan.

        ``again``: also where the plan is shown already, since a hand moved what must go back.
        """
        session, full = self.session, self.session.full
        planned = full.planned if full is not None and not session.stale else None
        marks = session.landmarks
        places = tuple((name, *mark.lps_mm) for name, mark in marks.items())
        shown = (session.revision, session.stale, id(session.anatomy), id(planned), places)
        if shown == self._shown and not again:
            return
        turned = self._shown and places != self._shown[-1]
        self._shown = shown
        if session.anatomy is not self._anatomy:
            self._anatomy, turned = session.anatomy, True
            self.scene.take_anatomy(session.anatomy)
        self.scene.show_landmarks(marks)
        self.scene.show(session.plan, planned, stale=planned is None)
        if self._mark is not None and self._mark in marks:
            self._middle = marks[self._mark].lps_mm
        if turned and not self.held:
            self._turn()
        self.show_reamer()
        if self._planes == "cup" and self.scene.slices_follow:
            self.areas.write_letters(self.scene.letters)
        self._size_handles()

    def show_reamer(self) -> None:
        """Draw the reamer where the scrubber is; at its end the cup is seated and the reamer gone."""
        steps = self.session.numbers.steps
        way, end = self._state.reaming_position, way_length_mm(steps)
        on_the_way = way is not None and float(way) < end - 1e-6
        place = reamer_at(steps, float(way)) if on_the_way else None
        self.scene.show_reamer(place)
        self._state.page_reamer = "seated cup" if place is None else f"{steps[place.step].diameter_mm:g} mm reamer"
        self.scene.set_shown(parts.CUP, parts.CUP in self._state.bone_shown and not on_the_way)

    def beside_center(self, step_mm: Any) -> Any:
        """Return the place (3,) LPS mm a step (right, up, outwards) from the cup's centre, as seen from outside."""
        right, up, outwards = (float(value) for value in step_mm)
        rim = cup_planes(self.session.numbers.cup, self._measuring_frame)[2]
        return (rim.plane_to_lps @ np.array([right, up, outwards, 1.0]))[:3]

    def set_planes(self, planes: str) -> None:
        """Set the slices to the axes of the cup or of a frame, through the cup's centre or the chosen landmark."""
        if planes in PLANES and planes != self._planes:
            self._planes = planes
            self._turn()

    def set_grey(self, name: str) -> None:
        """Take a usual grey scale."""
        if name in GREYS:
            _, window, level = GREYS[name]
            self.set_window(window, level)

    def set_window(self, window_hu: Any, level_hu: Any) -> None:
        """Show HU from ``level - window / 2`` to ``level + window / 2``."""
        try:
            window, level = float(window_hu), float(level_hu)
        except (TypeError, ValueError):
            return
        if window > 0:
            self._grey_node.SetWindowLevel(window, level)

    def set_shown(self, part: str, shown: bool) -> None:
        """Show or hide something."""
        if part not in PARTS:
            return
        names = BONES if part == "bones" else PARTS[part][1]
        for name in names:
            if name in self.scene.parts:
                self.scene.set_shown(name, bool(shown))
        if part == "handles":
            self._show_handles(bool(shown))
        now = [name for name in self._state.bone_shown or [] if name != part]
        self._state.bone_shown = [*now, part] if shown else now
        if part == parts.CUP:
            self.show_reamer()

    def set_opacity(self, opacity: Any) -> None:
        """Make the hip bones and the sacrum clear (0) to solid (1)."""
        for name in BONES:
            if name in self.scene.parts:
                self.scene.set_opacity(name, float(opacity))

    def look(self, name: str) -> None:
        """Look at the cup from one of the usual directions, or at the chosen landmark from where its bone faces."""
        cameras = cup_cameras(self.session.numbers.cup, self._measuring_frame)
        if self._mark is not None:
            cameras[AT_LANDMARK] = mark_camera(self._mark, self._middle, self.session.anatomy.surfaces)
        if name in cameras:
            self._state.bone_look = name
            views.look(self.areas.views[THREE_D], cameras[name])
            self.areas.views[THREE_D].schedule_render()

    def look_at_mark(self, name: str) -> None:
        """Bring all views to a landmark and let it be dragged; the cup's handles are out of the way meanwhile.

        One that was not found is looked for where the fitted shape or its bone says; then a click places it. Slices
        take the scanner's axes, which no landmark turns; the page can choose others.
        """
        if self._mark is None:
            self._before_marks = (self._planes, list(self._state.bone_shown), self._state.bone_opacity)
            self.set_shown(parts.LANDMARKS, True)
            self.set_shown("handles", False)
            self._choose("scanner", MARK_OPACITY)
        self._mark, found = name, self.session.landmarks.get(name)
        if found is not None:
            self.show()  # one that was just placed is not drawn yet
        anatomy = self.session.anatomy
        carried = anatomy.skeleton.seeds.points_lps_mm
        self._middle = place_to_look(name, carried, anatomy.surfaces) if found is None else found.lps_mm
        self.scene.choose_landmark(None if found is None else name)
        self.reset()
        self.look(AT_LANDMARK)

    def leave_marks(self) -> None:
        """Bring the views back to the cup, as they were before a landmark was chosen."""
        if self._mark is None:
            return
        planes, shown, opacity = self._before_marks
        self._mark = self._middle = None
        self.scene.choose_landmark(None)
        for part in (parts.LANDMARKS, "handles"):
            self.set_shown(part, part in shown)
        self._choose(planes, opacity)
        self.reset()
        self.look("from-in-front")

    def reset(self) -> None:
        """Bring slices back to the cup's centre, or to the chosen landmark, and to their usual size."""
        slices.no_cross(self.areas.scene)
        self._turn()
        searched = SEARCH_HEIGHT_MM if self._is_missing else MARK_HEIGHT_MM
        self.areas.show_height(SLICE_HEIGHT_MM if self._mark is None else searched)

    @property
    def _is_missing(self) -> bool:
        """Whether the landmark that is looked at was not found."""
        return self._mark is not None and self._mark not in self.session.landmarks

    def _choose(self, planes: str, opacity: float) -> None:
        self._state.bone_planes, self._state.bone_opacity = planes, opacity
        self._planes = planes
        self.set_opacity(opacity)

    def _landmark_let_go(self, name: str, place_lps_mm: Any) -> None:
        self._shown = ()  # the hand's place need not become the landmark's
        way_px = np.linalg.norm(place_lps_mm - self.session.landmarks[name].lps_mm) * self.areas.px_per_mm
        if way_px < CLICK_PX:
            self.show()
        else:
            self.on_landmark_moved(name, place_lps_mm)

    def _clicked(self, name: str, x: int, y: int) -> None:
        """Take a click where a landmark that was not found is to be: in a slice, or in 3D on what bone is shown."""
        if self._mark is None or not self._is_missing:
            return
        view = self.areas.views[name]
        if name in SLICES:
            self.on_landmark_clicked(self._mark, slices.place_at(view.get_view_node(), x, y), False)
            return
        bones = {each: mesh for each, mesh in self.session.anatomy.surfaces.items() if self._is_shown(each)}
        self.on_landmark_clicked(self._mark, first_on_bone(*views.line_under(view.renderer(), x, y), bones), True)

    def _is_shown(self, bone: str) -> bool:
        part = "bones" if bone in BONES else "femurs"
        return part in self._state.bone_shown

    def _turn(self) -> None:
        try:
            self.areas.write_letters(self.scene.slice_to(self._planes, self._middle))
        except InputError:
            return
        self._state.bone_titles = dict(zip(SLICES, TITLES.get(self._planes, FRAME_TITLES), strict=True))

    @property
    def held(self) -> bool:
        """Whether a hand is dragging in a view."""
        return not self.scene.slices_follow

    def _hold(self, down: bool) -> None:
        self.scene.slices_follow = not down
        if down:
            self._held_at = self.session.revision
            return
        if self.session.revision != self._held_at:  # a mere click leaves slices where the wheel brought them
            self._turn()
        self.on_let_go()

    def _read_wall(self, name: str) -> None:
        """Tell the wall under the pointer in 3D, unless the map is of an older plan."""
        words = ""
        if name == THREE_D and parts.CAVITY in self._state.bone_shown and not self.session.stale:
            view, cavity = self.areas.views[THREE_D], self.scene.node(parts.CAVITY)
            if cavity is not None:
                x, y = view.interactor().GetEventPosition()
                wall_mm = self._probe.read_mm(cavity.GetPolyData(), view.renderer(), x, y)
                words = "" if wall_mm is None else f"{wall_mm:.1f} mm of wall here"
        with self._state:
            self._state.bone_wall = words

    def _make_handles(self) -> None:
        """Give the slices handles of their own: the platform sizes those of 3D in mm, those of slices in pixels."""
        place = self.scene.node(parts.CUP_PLACE)
        in_3d = place.GetDisplayNode()
        self._in_slices = self.areas.scene.AddNewNodeByClass("vtkMRMLTransformDisplayNode")
        place.AddAndObserveDisplayNodeID(self._in_slices.GetID())
        in_3d.SetInteractionSizeAbsolute(True)
        self._in_slices.SetInteractionSizeAbsolute(False)
        self._in_slices.SetEditorScalingSliceEnabled(False)
        self._size_handles()

    def _size_handles(self) -> None:
        """Let the handles reach just beyond the rim."""
        reach_mm = self.session.numbers.cup.radius_mm + HANDLES_BEYOND_MM
        self.scene.node(parts.CUP_PLACE).GetDisplayNode().SetInteractionSizeMm(reach_mm)
        self._in_slices.SetInteractionScalePercent(reach_mm * self.areas.px_per_mm / PX_PER_PERCENT)

    def _show_handles(self, shown: bool) -> None:
        self.scene.set_handles(shown)
        self.scene.node(parts.CUP_PLACE).GetDisplayNode().SetEditorSliceIntersectionVisibility(False)
        self._in_slices.SetEditorVisibility(shown)
        self._in_slices.SetEditorVisibility3D(False)
        self._in_slices.SetEditorSliceIntersectionVisibility(shown)

    @property
    def _measuring_frame(self) -> Any:
        return self.session.numbers.pelvis.frames[MEASURING_FRAME]

    @property
    def _grey_node(self) -> Any:
        return self.scene.node(parts.CT).GetDisplayNode()

    def _fixed_state(self) -> None:
        state = self._state
        state.page_planes = [{"name": name, "words": words} for name, words in PLANES.items()]
        state.page_greys = [{"name": name, "words": words[0]} for name, words in GREYS.items()]
        state.page_parts = [{"name": name, "words": words[0]} for name, words in PARTS.items()]
        state.page_looks = [{"name": name, "words": words} for name, words in LOOKS.items()]
        colors = ["#" + "".join(f"{round(255 * channel):02x}" for channel in color) for color in wall_colors()[::16]]
        state.page_wall_colors, state.page_most_wall = colors, MOST_WALL_MM
        state.setdefault("reaming_position", 1e6)
        state.update({"bone_planes": "cup", "bone_opacity": 0.45, "bone_shown": [], "bone_titles": {}, "bone_wall": ""})
        node = self._grey_node

        def told(*_: Any) -> None:
            window, level = round(node.GetWindow()), round(node.GetLevel())
            named = [name for name, grey in GREYS.items() if grey[1:] == (window, level)]
            with state:
                state.ct_window, state.ct_level, state.bone_grey = window, level, (named or ["own"])[0]

        node.AddObserver("ModifiedEvent", told)
        told()
