"""Export from the page: what of the case, and whether as a file to download or into a new folder of this machine."""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path
from typing import Any

from cotyle.errors import InputError
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.session.apart import SupersededError
from cotyle_platform.session.exporting import PARTS, SMALL, ExportAsked, clear_away, exported
from cotyle_platform.web.panels.panel import Panel, one_line


class ExportPanel(Panel):
    """Writes the case as it is saved, in a process of its own; a name of the file or folder names nobody."""

    name = "export"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self.takes_paths = True
        """Whether the page may name a folder of this machine; not where it is open to a network."""
        self._own: tempfile.TemporaryDirectory[str] | None = None
        self._working: asyncio.Task[None] | None = None
        server.state.setdefault("page_export", False)
        server.state.client_only("page_export")
        parts = [{"name": name, "words": words} for name, words in PARTS.items()]
        self.put(parts=parts, chosen=list(SMALL), busy="", message="", ready="", folder="", done="", paths=True)
        trigger = server.controller.trigger
        trigger("export_choose")(self.choose)
        trigger("export_file")(self.as_file)
        trigger("export_folder")(self.into_folder)
        trigger("export_stop")(lambda: session.exporter.cancel())

    @property
    def file(self) -> Path:
        """The file that was made last; it is gone once the viewer ends."""
        if self._own is None:
            self._own = tempfile.TemporaryDirectory(prefix="cotyle-viewer-")
        return Path(self._own.name) / "cotyle-export.zip"

    def build(self) -> None:
        """Lay the choices out where the page has put them."""
        self.put(paths=self.takes_paths)
        self.draw("export.html")

    def heard(self, kind: str, revision: int) -> None:
        """Take an export away that the case has left behind."""
        if kind == "saved" and self.server.state.export_ready:
            self.file.unlink(missing_ok=True)
            self.put(ready="")

    def choose(self, part: str, chosen: bool) -> None:
        """Choose a part, or leave it out."""
        now = [name for name in self.server.state.export_chosen if name != part]
        self.put(chosen=[*now, part] if chosen and part in PARTS else now)

    def as_file(self) -> None:
        """Make one file to download."""
        self._export(self.file)

    def into_folder(self, path: str) -> None:
        """Write into a folder that is not there yet, or is empty."""
        target = Path(str(path).strip()).expanduser()
        if not self.takes_paths:
            self.put(message="This page is open to a network: it takes no paths. Download the file instead")
        elif not str(path).strip() or not target.is_absolute() or target.suffix == ".zip":
            self.put(message="Name a new folder by its whole path")
        elif target.is_file() or (target.is_dir() and any(target.iterdir())):
            self.put(message="There is something already: name a new folder, or an empty one")
        elif not target.parent.is_dir():
            self.put(message="There is no folder in which that one could stand")
        else:
            self._export(target)

    def _export(self, target: Path) -> None:
        if self.server.state.export_busy:
            return
        if self.session.unsaved:
            self.put(message="The plan is not saved yet: save it, then export")
            return
        asked = ExportAsked(self.session.folder, tuple(self.server.state.export_chosen), target, self.file.parent)
        loop = asyncio.get_running_loop()
        self.put(busy="starting", message="", ready="", done="")

        def say(words: str) -> None:
            loop.call_soon_threadsafe(lambda: self.put(busy=words))

        async def run() -> None:
            answer: dict[str, Any] = {}
            try:
                size = await loop.run_in_executor(None, lambda: self.session.exporter.do(exported, asked, say))
                if target == self.file:
                    answer["ready"] = f"{target.stat().st_size / 1e6:.1f} MB"
                else:
                    answer["done"] = f"Written: {size / 1e6:.1f} MB"
            except SupersededError:
                clear_away(target)
            except InputError as error:
                answer["message"] = one_line(error)
            except OSError as error:
                answer["message"] = f"it cannot be written: {error.strerror or type(error).__name__}"
            finally:
                self.put(busy="", **answer)

        self._working = loop.create_task(run())
