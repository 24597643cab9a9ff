"""The platform's four views of bone on the page: three slices and 3D, drawn in turns, steered from the browser."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from trame_rca.utils import RcaViewAdapter
from trame_rca.widgets.rca import RemoteControlledArea
from trame_server import Server
from trame_slicer.core import SlicerApp
from trame_slicer.rca_view.rca_view_factory import RcaWindow
from trame_slicer.views import IViewFactory, SliceView, ThreeDView, ViewLayoutDefinition, ViewType

from cotyle_platform.scene import views
from cotyle_platform.scene.slices import Letters, field_of_view
from cotyle_platform.scene.stage import SLICES, THREE_D
from cotyle_platform.web.painting import InTurn, Turns, ViewPainter

MOVE_EVERY_MS = 16
SMALLEST_LETTER_PX, LETTERS_A_HEIGHT = 13, 16
CLICK_PX = 3
"""A button let go farther than this from where it was pressed has dragged."""
LARGEST_PX = 1_000_000
"""Pixels a view is drawn with at most; on a large screen the browser scales the picture up."""


class Areas:
    """Makes the views in a scene of their own and lays them out one by one."""

    def __init__(self, server: Server, turns: Turns) -> None:
        self._server = server
        self.app = SlicerApp()
        self.app.view_manager.register_factory(_InTurnViews(server, turns, self))
        names = dict(zip(SLICES, ("Axial", "Coronal", "Sagittal"), strict=True))
        wanted = [ViewLayoutDefinition.slice_view(way, label=name) for name, way in names.items()]
        wanted.append(ViewLayoutDefinition.threed_view(name=THREE_D, background_color=("#14171a", "#2b3036")))
        self.views: dict[str, Any] = {}
        for definition in wanted:
            view = self.app.view_manager.create_view(definition)
            views.prepare(view)
            self.views[definition.singleton_tag] = view
        self.views[THREE_D].renderer().SetUseDepthPeeling(False)
        self._letters = {name: views.SideLetters(self.views[name]) for name in SLICES}
        self.height_mm = 140.0
        self.on_resized: Callable[[], None] = lambda: None
        self.on_pointer: Callable[[str], None] = lambda _: None
        self.on_hold: Callable[[bool], None] = lambda _: None
        """Told whether the main button is down in a view."""
        self.on_click: Callable[[str, int, int], None] = lambda *_: None
        """Told the view and its pixels, from the lower left, where the main button was pressed and let go at one place.
        """
        self.on_shift: Callable[[], None] = lambda: None
        """Told that the pointer moves with Shift held: the platform then takes the crosshair and all slices there."""

    @property
    def scene(self) -> Any:
        """The platform's scene."""
        return self.app.scene

    def lay_out(self, name: str) -> None:
        """Place a view where the page is being built."""
        RemoteControlledArea(
            name=name,
            display="image",
            style=(f"{{position: 'absolute', inset: 0, cursor: {cursor_key(name)}}}",),
            send_mouse_move=True,
            event_throttle_ms=MOVE_EVERY_MS,
        )

    def background(self, volume: Any) -> None:
        """Show a volume in all slices."""
        for name in SLICES:
            self.views[name].set_background_volume_id(volume.GetID())

    def write_letters(self, letters: Mapping[str, Letters]) -> None:
        """Write the patient's sides into the slices."""
        for name, each in letters.items():
            self._letters[name].write(each)

    def show_height(self, height_mm: float) -> None:
        """Let the slices show so much from top to bottom."""
        self.height_mm = height_mm
        for name in SLICES:
            field_of_view(self.views[name].get_view_node(), height_mm)

    def resized(self, name: str) -> None:
        """Keep what a slice shows from top to bottom when the page gave it another shape."""
        if name in SLICES:
            field_of_view(self.views[name].get_view_node(), self.height_mm)
            rows = self.views[name].get_view_node().GetDimensions()[1]
            self._letters[name].resize(max(SMALLEST_LETTER_PX, round(rows / LETTERS_A_HEIGHT)))
            self.on_resized()

    @property
    def px_per_mm(self) -> float:
        """How large a slice is drawn."""
        return float(self.views[SLICES[0]].get_view_node().GetDimensions()[1] / self.height_mm)

    def ask_all(self) -> None:
        """Draw all views again."""
        for view in self.views.values():
            view.schedule_render()

    def close(self) -> None:
        """Let go of the views."""
        for view in self.views.values():
            view.set_scheduled_render(None)
            view.finalize()


def cursor_key(name: str) -> str:
    """Return the state's key of the pointer's shape over a view."""
    return f"{name}_active_view_cursor"


class _InTurnViews(IViewFactory):
    """Makes views that ask for their turn."""

    def __init__(self, server: Server, turns: Turns, areas: Areas) -> None:
        super().__init__()
        self._server, self._turns, self._areas = server, turns, areas

    def can_create_view(self, view: ViewLayoutDefinition) -> bool:
        return view.view_type in (ViewType.SLICE_VIEW, ViewType.THREE_D_VIEW)

    def _create_view(self, view: ViewLayoutDefinition, scene: Any, app_logic: Any) -> Any:
        make = SliceView if view.view_type is ViewType.SLICE_VIEW else ThreeDView
        name = view.singleton_tag
        made = make(scene=scene, app_logic=app_logic, name=name, scheduled_render_strategy=InTurn(None))
        made.set_view_properties(view.properties)
        self._server.state.setdefault(cursor_key(name), "default")
        window = RcaWindow(made.render_window(), self._server.state, cursor_key(name))
        painter = ViewPainter(self._turns, window)
        made.set_scheduled_render(InTurn(painter))
        area = _Area(window, name, painter, self._turns, self._areas)
        self._server.controller.on_server_ready.add(lambda **_: self._server.controller.rc_area_register(area))
        return made

    def _get_slicer_view(self, view: Any) -> Any:
        return view


class _Area(RcaViewAdapter):
    """Takes the page's mouse and size of one view; of moves that came in together only the last is obeyed."""

    def __init__(self, window: Any, name: str, painter: ViewPainter, turns: Turns, areas: Areas) -> None:
        super().__init__(window, name, scheduler=painter, do_schedule_render_on_interaction=False)
        self.max_pixel_count = LARGEST_PX
        self._painter, self._turns = painter, turns
        self._move: tuple[Any, dict[str, Any]] | None = None
        self._areas = areas
        self._pressed_at = (-1, -1)

    def update_size(self, origin: Any, size: dict[str, Any]) -> None:
        super().update_size(origin, size)
        self._areas.resized(self.area_name)

    def on_interaction(self, origin: Any, event: dict[str, Any]) -> None:
        self._turns.first = self._painter
        if event.get("type") == "MouseMove":
            if self._move is None:
                asyncio.get_running_loop().call_soon(self._obey_move)
            self._move = (origin, event)
            return
        self._obey_move()
        kind = event.get("type")
        if kind == "LeftButtonPress":
            self._areas.on_hold(True)
        super().on_interaction(origin, event)
        if kind == "LeftButtonPress":
            self._pressed_at = self._place
        if kind == "LeftButtonRelease":
            self._areas.on_hold(False)
            if max(abs(now - then) for now, then in zip(self._place, self._pressed_at, strict=True)) <= CLICK_PX:
                self._areas.on_click(self.area_name, *self._place)

    @property
    def _place(self) -> tuple[int, int]:
        x, y = self._areas.views[self.area_name].interactor().GetEventPosition()
        return int(x), int(y)

    def _obey_move(self) -> None:
        if self._move is not None:
            waiting, self._move = self._move, None
            if waiting[1].get("shiftKey"):
                self._areas.on_shift()
            super().on_interaction(*waiting)
            self._areas.on_pointer(self.area_name)
