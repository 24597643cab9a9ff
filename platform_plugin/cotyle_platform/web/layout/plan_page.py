"""The planning page put together: doubts and figures above, bone and screen in the middle, the depth track below."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Any

from trame.ui.vuetify3 import VAppLayout
from trame.widgets import html
from trame_server import Server

from cotyle_platform.scene.stage import SLICES, THREE_D
from cotyle_platform.web.areas import Areas

STATIC = Path(str(resources.files("cotyle_platform.web").joinpath("static")))
FILES = {"serve": {"cotyle": str(STATIC)}, "scripts": ["cotyle/page.js"], "styles": ["cotyle/page.css"]}


def lay_out(server: Server, areas: Areas, panels: dict[str, Any]) -> None:
    """Build the page; ``panels`` by place: ``screen``, ``track``, ``field``, ``posture``, ``export``, ``two_plans``,
    ``decisions``. Each has ``build``.
    """
    server.enable_module(FILES)
    server.state.trame__favicon = "cotyle/icon.svg"
    server.state.trame__title = "Cotyle"
    with VAppLayout(server, theme=("page_theme", "dark")) as page:
        with html.Div(classes=("['ct-page', 'ct-' + page_theme, { 'is-surveying': page_surveying }]",)):
            _put("top.html")
            _put("figures.html")
            with html.Div(classes="ct-main"):
                with html.Section(classes="ct-cup", v_show=("!marks_open",), **_named("Cup")):
                    _put("cup.html")
                    _build(panels, "posture")
                with html.Section(classes="ct-marks", v_if=("marks_open",), **_named("Landmarks")):
                    _put("landmarks.html")
                with html.Section(
                    classes="ct-bone",
                    keydown="window.cotyle.key($event)",
                    __events=["keydown"],
                    **_named("Bone. Arrows and Page keys move the cup."),
                    tabindex="0",
                ):
                    _put("bone_bar.html")
                    with html.Div(classes="ct-views"):
                        for name in (*SLICES, THREE_D):
                            _view(areas, name)
                with html.Section(classes="ct-screen", **_named("Screen")):
                    _build(panels, "screen")
                with html.Section(classes="ct-field", v_show=("!marks_open",), **_named("Orientation")):
                    _build(panels, "field")
                with html.Section(classes="ct-track", **_named("Depth track")):
                    _build(panels, "track")
            with html.Div(classes="ct-two", v_if=("page_two_plans",)):
                _build(panels, "two_plans")
            with html.Div(classes="ct-two", v_if=("page_export",)):
                _build(panels, "export")
            with html.Div(classes="ct-two ct-decide", v_if=("page_decide",), **_named("Decisions")):
                _build(panels, "decisions")
            _put("foot.html")
        page.root.theme = ("page_theme", "dark")


def _view(areas: Areas, name: str) -> None:
    with html.Div(classes="ct-view"):
        areas.lay_out(name)
        html.Div(f"{{{{ bone_titles['{name}'] }}}}" if name in SLICES else "", classes="ct-title")
        if name == THREE_D:
            _put("three_d.html")


def _named(words: str) -> dict[str, Any]:
    """Return what tells a reader of the screen what a part of the page is."""
    return {"aria_label": words, "__properties": ["tabindex", ("aria_label", "aria-label")]}


def _build(panels: dict[str, Any], place: str) -> None:
    if place in panels:
        panels[place].build()


def _put(name: str) -> None:
    text = resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
    html.Div(text, classes=f"ct-part ct-part-{name.split('.')[0].replace('_', '-')}")
