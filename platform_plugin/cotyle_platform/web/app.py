"""Opening a case in the browser: everything that one process of the viewer holds."""

from __future__ import annotations

import asyncio
import os
import sys
import webbrowser
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from cotyle.case import folder as names
from cotyle.errors import InputError

from cotyle_platform.web.guard import LOOPBACK, checked_address
from cotyle_platform.web.one_viewer import only_viewer_of

SAVED_WITHIN_S = 120.0


@dataclass(frozen=True)
class Opening:
    """How a case is opened.

    ``port`` 0 takes a free one; ``address`` opens the case to a network; ``token`` is that of a page that is open
    already, None makes a new one.
    """

    case: Path
    port: int = 0
    address: str | None = None
    browser: bool = True
    token: str | None = None


def begin_or_view(source: Path | None, port: int, address: str | None, browser: bool) -> None:
    """Show a case; a scan, or nothing, is led to a case first, step by step in the same page.

    Raises
    ------
    InputError
        As :func:`view`, and for a path where nothing is.
    """
    if source is not None and not source.exists():
        raise InputError("case-missing", f"there is nothing at {source.name or source}", "Check the path")
    if source is not None and names.is_case(source):
        view(Opening(source, port, address, browser))
        return
    from cotyle_platform.web.start.app import case_from_scan

    _draw_without_a_screen()
    begun = case_from_scan(source, port=port, address=address, browser=browser)
    if begun is not None:
        case, port, token = begun
        view(Opening(case, port, address, browser=False, token=token))


def view(opening: Opening) -> None:
    """Show a case until the viewer is stopped.

    Raises
    ------
    InputError
        For what is no case, an address or a port that cannot be had, a machine that cannot draw.
    """
    checked_address(opening.address)
    names.require_case(opening.case)
    _draw_without_a_screen()
    from cotyle_platform.scene.stage import require_opengl

    require_opengl()
    with only_viewer_of(opening.case):
        asyncio.run(_view(opening))


def _draw_without_a_screen() -> None:
    if sys.platform.startswith("linux") and not os.environ.get("DISPLAY"):
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")


async def _view(opening: Opening) -> None:
    from trame_server import Server
    from vtkmodules.vtkCommonCore import vtkObject

    from cotyle_platform.session import PlanningSession
    from cotyle_platform.web.areas import Areas
    from cotyle_platform.web.bone import Bone
    from cotyle_platform.web.found_in_bone import FoundInBone
    from cotyle_platform.web.landmarks import Landmarks
    from cotyle_platform.web.layout.plan_page import lay_out
    from cotyle_platform.web.page import Page
    from cotyle_platform.web.painting import Turns
    from cotyle_platform.web.server import ViewerServer
    from cotyle_platform.web.waiting import say_while_slow, waited_for

    vtkObject.GlobalWarningDisplayOff()
    loop = asyncio.get_running_loop()
    server = Server("cotyle", vn_constructor=None)
    server.client_type = "vue3"
    turns = Turns()
    reading = loop.run_in_executor(None, PlanningSession.open, opening.case, loop.call_soon_threadsafe)
    session, waited = await waited_for(reading, opening.address, opening.port, opening.token, opening.browser)
    if waited is not None:
        opening = replace(opening, port=waited.port, token=waited.token, browser=False)
    areas = Areas(server, turns)
    bone = Bone(areas, session, server.state, server.controller.trigger)
    page = Page(server, session, bone)
    Landmarks(server, session, bone, page)
    panels = panels_of(server, session)
    FoundInBone(bone, session, server.state)
    say_while_slow(session, page.say)
    lay_out(server, areas, panels)

    async def closing() -> None:
        page.end_edit()
        if page.writing or session.surveying:  # what was begun is written whole, a moved landmark kept in the draft
            await loop.run_in_executor(None, session.settle, SAVED_WITHIN_S)
        panels["decisions"].close()
        session.close()
        await turns.close()

    viewer = ViewerServer(server, opening.address, opening.port)
    if opening.token is not None:
        viewer.token = opening.token
    viewer.files["/report"] = lambda: session.folder / names.REPORT_HTML
    panels["export"].takes_paths = checked_address(opening.address) == LOOPBACK
    viewer.files["/export"] = lambda: panels["export"].file
    await viewer.run(lambda link: _ready(link, opening), closing)


def panels_of(server: Any, session: Any) -> dict[str, Any]:
    """Return the panels by their place on the page."""
    from cotyle_platform.web import panels

    places = {
        "screen": "ScreenPanel",
        "track": "DepthTrack",
        "field": "OrientationField",
        "posture": "PosturePanel",
        "export": "ExportPanel",
        "two_plans": "PlanCompare",
        "decisions": "Decisions",
    }
    return {place: getattr(panels, kind)(server, session) for place, kind in places.items() if hasattr(panels, kind)}


def _ready(link: str, opening: Opening) -> None:
    sys.stderr.write(f"{link}\nThe case is open in this viewer; Ctrl-C ends it.\n")
    if opening.address is not None:
        sys.stderr.write(
            f"Open to the network on {opening.address}: whoever has the link sees and changes this case, unencrypted.\n"
        )
    sys.stderr.flush()
    if opening.browser:
        webbrowser.open(link)
