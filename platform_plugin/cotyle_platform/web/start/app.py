"""The start page by itself: serves it until a case was written, and says where."""

from __future__ import annotations

import asyncio
import sys
import webbrowser
from pathlib import Path

from cotyle_platform.web.guard import LOOPBACK, checked_address
from cotyle_platform.web.server import ViewerServer


def case_from_scan(
    source: Path | None, *, port: int = 0, address: str | None = None, token: str | None = None, browser: bool = True
) -> tuple[Path, int, str] | None:
    """Lead from a CT to a case in the browser; returns its folder, the port and the token, None if it was ended before.

    The planning page can then be served at the same port with the same token: the page looks for it and loads it.

    Raises
    ------
    InputError
        For an address or a port that cannot be had, a machine that cannot draw.
    """
    checked_address(address)
    from cotyle_platform.scene.stage import require_opengl

    require_opengl()
    return asyncio.run(_serve(source, port, address, token, browser))


async def _serve(
    source: Path | None, port: int, address: str | None, token: str | None, browser: bool
) -> tuple[Path, int, str] | None:
    from trame_server import Server
    from vtkmodules.vtkCommonCore import vtkObject

    from cotyle_platform.web.start.flow import StartFlow

    vtkObject.GlobalWarningDisplayOff()
    loop = asyncio.get_running_loop()
    server = Server("cotyle-start", vn_constructor=None)
    server.client_type = "vue3"
    viewer = ViewerServer(server, address, port)
    if token is not None:
        viewer.token = token
    ready: list[Path] = []

    def written(case: Path) -> None:
        ready.append(case)
        loop.call_later(_SEEN_S, viewer.stop)  # the page first learns that the case is there

    flow = StartFlow(server, written, source=source, alone=checked_address(address) == LOOPBACK)
    flow.build()

    async def closing() -> None:
        flow.close()
        await flow.turns.close()

    def told(link: str) -> None:
        sys.stderr.write(f"{link}\nCtrl-C ends the viewer; nothing is written before the last step.\n")
        sys.stderr.flush()
        if browser:
            webbrowser.open(link)

    await viewer.run(told, closing)
    return (ready[0], viewer.guard.port, viewer.token) if ready else None


_SEEN_S = 1.5
