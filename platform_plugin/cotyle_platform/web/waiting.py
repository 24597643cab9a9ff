"""What is said while a case takes long to open: on the terminal, and in the browser at the planning page's own address.

The first time on a machine, loops are compiled for about a minute.
"""

from __future__ import annotations

import asyncio
import sys
import webbrowser
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from aiohttp import web
from cotyle import CAUTION

from cotyle_platform.web.guard import Guard, checked_address, middleware, new_token

PATIENCE_S = 3.0
WORDS = "The first time on this machine parts of the program are compiled, once: up to a minute."
_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Cotyle</title><style>
body {{ margin: 0; height: 100vh; display: grid; place-content: center; gap: 0.6rem; text-align: center;
  font: 1.05rem/1.4 system-ui, Arial, sans-serif; background: #14171a; color: #e9edf0; }}
@media (prefers-color-scheme: light) {{ body {{ background: #f3f5f7; color: #1a1f24; }} }}
h1 {{ font-size: 1.6rem; margin: 0; }} p {{ margin: 0; }}</style></head><body role="status">
<h1>The case is being made ready</h1><p>{words}</p>
<p><span id="gone">0</span> s so far. This page goes on by itself.</p>
<p><b>{caution}</b></p><script>
const began = Date.now();
setInterval(async () => {{
  document.getElementById("gone").textContent = Math.round((Date.now() - began) / 1000);
  const answer = await fetch("cotyle/icon.svg", {{ cache: "no-store" }}).catch(() => null);  // nobody may be there
  if (answer && answer.status === 200) window.location.reload();
}}, 700);
</script></body></html>
"""
T = TypeVar("T")


class WaitingPage:
    """Stands at an address until the planning page takes its place, with the same port and token."""

    def __init__(self, address: str | None, port: int, token: str | None) -> None:
        self._address, self.port, self.token = checked_address(address), port, token or new_token()
        app = web.Application(middlewares=[middleware(lambda: self.guard)])
        app.router.add_get("/index.html", self._page)
        app.router.add_get("/{other:.*}", self._later)
        self._runner = web.AppRunner(app)

    @property
    def guard(self) -> Guard:
        """Address, port and token, as those of the planning page will be."""
        return Guard(self._address, self.port, self.token)

    async def start(self) -> None:
        """Answer from now on."""
        await self._runner.setup()
        await web.TCPSite(self._runner, self._address, self.port).start()
        self.port = int(self._runner.addresses[0][1])

    async def close(self) -> None:
        """Let the port go."""
        await self._runner.cleanup()

    async def _page(self, _: web.Request) -> web.Response:
        return web.Response(text=_PAGE.format(words=WORDS, caution=CAUTION), content_type="text/html")

    async def _later(self, _: web.Request) -> web.Response:
        return web.Response(status=204)


async def waited_for(
    work: Awaitable[T], address: str | None, port: int, token: str | None, browser: bool
) -> tuple[T, WaitingPage | None]:
    """Return what comes of work; where it takes long, say so, and return the page that said it in the browser.

    ``token`` is that of a page that is open already; without one, and without ``browser``, the terminal alone is told.
    """
    task = asyncio.ensure_future(work)
    await asyncio.wait({task}, timeout=PATIENCE_S)
    if task.done():
        return await task, None
    sys.stderr.write(f"The case is being made ready. {WORDS}\n")
    sys.stderr.flush()
    if not browser and token is None:
        return await task, None
    page = WaitingPage(address, port, token)
    await page.start()
    try:
        if browser:
            webbrowser.open(page.guard.link)
        return await task, page
    finally:
        await page.close()


def say_while_slow(session: Any, say: Callable[[str], None]) -> None:
    """Say on the page why the first measurement takes long, if it does; to be called on an event loop."""
    said = []

    def look() -> None:
        if session.full is None:
            said.append(WORDS)
            say(f"Computing. {WORDS}")

    def heard(kind: str, _: int) -> None:
        if kind == "full" and said:
            said.clear()
            say("")

    session.subscribe(heard)
    asyncio.get_running_loop().call_later(PATIENCE_S, look)
