"""The start page put together: steps at the left, views of the scan beside them."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from trame.ui.vuetify3 import VAppLayout
from trame.widgets import html
from trame_server import Server

from cotyle_platform.scene.stage import SLICES, THREE_D
from cotyle_platform.web.areas import Areas
from cotyle_platform.web.layout.plan_page import STATIC as SHARED

STATIC = Path(str(resources.files("cotyle_platform.web.start").joinpath("static")))
FILES = {
    "serve": {"cotyle": str(SHARED), "cotyle_start": str(STATIC)},
    "scripts": ["cotyle_start/start.js"],
    "styles": ["cotyle/page.css", "cotyle_start/start.css"],
}
TITLES = {"Red": "Axial, from below", "Green": "Coronal, from in front", "Yellow": "Sagittal, from the left"}


def lay_out(server: Server, areas: Areas) -> None:
    """Build the page."""
    server.enable_module(FILES)
    server.state.trame__favicon = "cotyle/icon.svg"
    server.state.trame__title = "Cotyle"
    with VAppLayout(server, theme=("page_theme", "dark")) as page:
        with html.Div(classes=("['ct-page', 'st-page', 'ct-' + page_theme]",)):
            _put("top.html")
            with html.Div(classes="st-main"):
                with html.Section(classes="st-steps"):
                    for name in ("series", "side", "bones", "landmarks", "plan"):
                        _put(f"{name}.html")
                with html.Div(classes="ct-views"):
                    for name in (*SLICES, THREE_D):
                        with html.Div(classes="ct-view"):
                            areas.lay_out(name)
                            html.Div(TITLES.get(name, "Bones found"), classes="ct-title")
            _put("foot.html")
        page.root.theme = ("page_theme", "dark")


def _put(name: str) -> None:
    text = resources.files(__package__).joinpath(name).read_text(encoding="utf-8")
    html.Div(text, classes="ct-part")
