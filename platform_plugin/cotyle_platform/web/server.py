"""The viewer's server: one case, one process, this machine alone unless another address was opened by name."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from aiohttp import web
from cotyle.errors import InputError
from trame_server import Server

from cotyle_platform.web.guard import Guard, checked_address, middleware, new_token

STOP_SIGNALS = (signal.SIGINT, signal.SIGTERM)


@dataclass
class ViewerServer:
    """A page's server that is started and stopped from one event loop.

    ``address`` is the interface to listen on (checked by :func:`~cotyle_platform.web.guard.checked_address`), ``port``
    0 takes a free one. The library's own command line and environment are not obeyed: they could open other interfaces
    or set a known token.
    """

    trame: Server
    address: str | None = None
    port: int = 0
    token: str = field(default_factory=new_token)
    files: dict[str, Callable[[], Path]] = field(default_factory=dict)
    """Files of the case that the page may open, by their place; asked for anew each time."""
    _stopping: asyncio.Event = field(default_factory=asyncio.Event, init=False)

    @property
    def guard(self) -> Guard:
        """Address, port and token as they are once the server runs."""
        return Guard(checked_address(self.address), self.trame.port, self.token)

    def stop(self) -> None:
        """Ask the server to end; :meth:`run` then returns."""
        self._stopping.set()

    async def run(self, ready: Callable[[str], Any], closing: Callable[[], Awaitable[None]] | None = None) -> None:
        """Serve until stopped; ``ready`` gets the link once the page answers, ``closing`` runs before the end.

        Raises
        ------
        InputError
            ``port-taken`` or ``address`` if the server cannot listen there.
        """
        address = checked_address(self.address)
        _require_free(address, self.port)
        options = self.trame.cli.parse_known_args([])[0]
        options.host, options.port, options.authKey = address, self.port, self.token
        options.timeout, options.nosignalhandlers, options.server = 0, True, True
        self.trame.cli.parse_known_args = lambda *_: (options, [])
        self.trame.controller.on_server_bind.add(self._guarded)
        serving = asyncio.ensure_future(
            self.trame.start(
                exec_mode="coroutine", show_connection_info=False, open_browser=False, disable_logging=True
            )
        )
        with _signals_to(self.stop):
            await asyncio.wait(
                {serving, asyncio.ensure_future(_as_future(self.trame.ready))}, return_when="FIRST_COMPLETED"
            )
            if serving.done():
                serving.result()
            ready(self.guard.link)
            stopping = asyncio.ensure_future(self._stopping.wait())
            await asyncio.wait({serving, stopping}, return_when="FIRST_COMPLETED")
            stopping.cancel()
            if closing is not None:
                await closing()
            if not serving.done():
                await self.trame.stop()
        with contextlib.suppress(asyncio.CancelledError):
            await serving

    def _guarded(self, site: Any) -> None:
        site.app.middlewares.append(middleware(lambda: self.guard))
        for place, file in self.files.items():
            site.app.router.add_get(place, _reader(file))


def _reader(file: Callable[[], Path]) -> Callable[[web.Request], Awaitable[web.StreamResponse]]:
    async def read(_: web.Request) -> web.StreamResponse:
        path = file()
        if not path.is_file():
            return web.Response(status=404, text="There is no such file in the case folder.\n")
        return web.FileResponse(path, headers={"Cache-Control": "no-store"})

    return read


async def _as_future(future: Any) -> Any:
    return await future


def _require_free(address: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as trial:
        if os.name == "posix":
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((address, port))
        except OSError as error:
            reason = (error.strerror or type(error).__name__).lower()
            code = "port-taken" if port else "address"
            raise InputError(
                code, f"cannot listen on {address} port {port}: {reason}", "Choose another with --port"
            ) from error


@contextlib.contextmanager
def _signals_to(stop: Callable[[], None]) -> Any:
    """Let Ctrl-C and a plain kill end the server in order; where the loop cannot, Python's own handling stays."""
    loop = asyncio.get_running_loop()
    taken = []
    for each in STOP_SIGNALS:
        with contextlib.suppress(NotImplementedError, RuntimeError, ValueError):
            loop.add_signal_handler(each, stop)
            taken.append(each)
    try:
        yield
    finally:
        for each in taken:
            loop.remove_signal_handler(each)
