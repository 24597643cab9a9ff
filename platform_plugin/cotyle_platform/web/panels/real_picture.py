"""Real pictures beside the simulated one: loaded, asked about, clicked on, compared with the plan, laid over.

The pictures stay in memory; a comparison that was kept stands in the case and is shown again when that is opened.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from cotyle.case.distortion_file import KnownDistortion, distortion_words
from cotyle.errors import InputError
from cotyle.report.screen_words import VIEW_WORDS
from cotyle.xray.pictures.patient_mark import PatientMark
from trame_server import Server

from cotyle_platform.session import PlanningSession
from cotyle_platform.session.apart import SupersededError
from cotyle_platform.web.panels import picture_tray as tray
from cotyle_platform.web.panels.comparison_shown import ShownComparison, kept_comparisons, of_made
from cotyle_platform.web.panels.panel import Panel, one_line
from cotyle_platform.web.panels.picture_form import fields_of, picture_of, point_kinds
from cotyle_platform.web.panels.picture_tray import Reading, Sent, Slot, Straightened

MOST_PICTURES = 4


class RealPicture(Panel):
    """Loads pictures of one moment, asks what nobody may guess, compares, and shows what came of it."""

    name = "real_picture"

    def __init__(self, server: Server, session: PlanningSession) -> None:
        super().__init__(server, session)
        self._slots: list[Slot] = []
        self._at = 0
        self._shown: ShownComparison | None = None
        self._grid: KnownDistortion | None = None
        self._with_pictures = True
        self._kept: dict[int, ShownComparison] = {}
        self._working: asyncio.Task[None] | None = None
        self.put(
            **{"": None, "file": None, "message": "", "progress": "", "busy": False, "result": None},
            reading=False, mode="beside", opacity=0.5, view="", views=dict(VIEW_WORDS), sizes=[], size="", tabs=[],
            at=0, questions=[], answers={}, points={}, clicking="", kinds=point_kinds(), keeps=[], kept=0, full=False,
            grid_file=None, grid="",
        )  # fmt: skip
        server.state.client_only("real_picture_mode", "real_picture_opacity", "real_picture_clicking")
        self.on("real_picture_file", self.load)
        self.on("real_picture_grid_file", self.load_grid)
        self.on("real_picture_view", self._named)
        trigger = server.controller.trigger
        trigger("real_picture_answer")(self.answer)
        trigger("real_picture_point")(self.point)
        trigger("real_picture_points")(self.set_points)
        trigger("real_picture_at")(self.choose)
        trigger("real_picture_compare")(self.start)
        trigger("real_picture_stop")(self.stop)
        trigger("real_picture_keep")(self.keep)
        trigger("real_picture_kept")(self.show_kept)
        trigger("real_picture_away")(self.take_away)
        trigger("real_picture_no_grid")(lambda: self._straighten(None))
        self._sizes()
        self._read_kept()

    def heard(self, kind: str, revision: int) -> None:
        """Say which diameters the plan knows, mark a comparison with an earlier plan, follow the case's folder."""
        if kind == "plan":
            self._follow_plan()
        if kind in ("plan", "full"):
            self.soon(self._sizes)
        elif kind == "saved":
            self._read_kept()

    # pictures

    def load(self, file: Any) -> None:
        """Take a file that the page sends; a bad one is refused in a line and the pictures that were there stay."""
        if not file:
            return
        self.put(file=None)
        if len(self._slots) >= MOST_PICTURES:
            self.put(message=f"no more than {MOST_PICTURES} pictures of one moment: put one away first")
            return
        sent = Sent(*tray.content_of(file), grid=self._grid)
        self._slots.append(Slot(sent))
        self._read(self._slots[-1], sent)

    def answer(self, question: str, value: Any) -> None:
        """Take an answer about the chosen picture; an empty one takes it back."""
        slot = self._slot
        if slot is not None:
            self._read(slot, slot.newest.answered(question, str(value).strip()))

    def point(self, what: str, column: float, row: float) -> None:
        """Take a click on the chosen picture, in the pixels in which it is shown."""
        points = self._slot.reading.shown_points().get(what, []) if self._slot and self._slot.reading else []
        self.set_points(what, [*points, (column, row)] if what in tray.MANY else [(column, row)])

    def set_points(self, what: str, shown_px: Sequence[Sequence[float]]) -> None:
        """Set all points of a kind on the chosen picture, in the pixels in which it is shown; none takes them away."""
        slot = self._slot
        if slot is None or slot.reading is None or what not in {each["name"] for each in point_kinds()}:
            return
        try:
            points = tuple(slot.reading.to_file((float(x), float(y))) for x, y in shown_px)
        except (InputError, TypeError, ValueError) as error:
            self.put(message=one_line(error) if isinstance(error, InputError) else "a point is two numbers")
            return
        before, slot.newest = slot.newest, slot.newest.pointed(what, points)
        if slot.newest.answers != before.answers:
            self._read(slot, slot.newest)
            return
        slot.reading = replace(slot.reading, sent=slot.newest)
        self._forget()
        self._show()

    def choose(self, at: int) -> None:
        """Show another one of the pictures."""
        self._at = int(at)
        self._show()

    def take_away(self) -> None:
        """Put the chosen picture away, or a comparison that was kept; what was read off it goes with it."""
        self.session.apart.cancel()
        if self._slot is not None and not self._kept_is_shown:
            self._slots.remove(self._slot)
        self._at = 0
        self._forget()
        self.put(message="")
        self._show()

    def load_grid(self, file: Any) -> None:
        """Straighten all pictures by a grid that the page sends: its picture, or a file that ``cotyle grid`` wrote."""
        if file:
            self.put(grid_file=None)
            self._straighten(tray.content_of(file))

    def _straighten(self, grid: tuple[bytes, str] | KnownDistortion | None) -> None:
        """Read all pictures anew, straightened by a grid or by none, off the event loop: all of them, or nothing."""
        slots = list(self._slots)
        sent, marks = [each.newest for each in slots], [self._marks(each) for each in slots]

        def take(outcome: Straightened | InputError) -> None:
            if isinstance(outcome, InputError):
                self.put(message=one_line(outcome), reading=False)
            elif slots != self._slots or sent != [each.newest for each in slots]:
                self._straighten(outcome.grid)  # more was said meanwhile
            else:
                self._have_straightened(outcome)

        self.put(reading=True)
        self.off_the_loop(lambda: tray.straightened(sent, marks, grid), take)

    def _have_straightened(self, found: Straightened) -> None:
        self._grid = found.grid
        for slot, reading in zip(self._slots, found.readings, strict=True):
            slot.newest, slot.reading = reading.sent, reading
        self._forget()
        self.put(message="", reading=False, grid="" if found.grid is None else distortion_words(found.grid))
        self._show()

    def _read(self, slot: Slot, sent: Sent) -> None:
        """Read a picture with its answers off the event loop; of several only the newest is taken."""
        slot.newest = sent
        marks = self._marks(slot)

        def take(outcome: Reading | InputError) -> None:
            if sent is slot.newest and slot in self._slots:
                self._taken(slot, sent, outcome)

        self.put(reading=True)
        self.off_the_loop(lambda: tray.read(sent, marks), take)

    def _taken(self, slot: Slot, sent: Sent, outcome: Reading | InputError) -> None:
        if isinstance(outcome, InputError):
            if slot.reading is None:
                self._slots.remove(slot)
            else:
                slot.newest = slot.reading.sent
            self.put(message=one_line(outcome), reading=False)
            return
        slot.reading = replace(outcome, sent=sent)
        self._at = self._slots.index(slot)
        self._forget()
        self.put(message=outcome.so_far.why, reading=False)
        self._show()

    def _named(self, view: Any) -> None:
        if self._slot is not None and not self._kept_is_shown:
            self._slot.view = str(view)
            self._tabs()

    @property
    def _slot(self) -> Slot | None:
        return self._slots[self._at] if self._at < len(self._slots) else None

    def _marks(self, slot: Slot) -> dict[str, PatientMark | None]:
        """Return whose pictures the others are, and the CT."""
        marks: dict[str, PatientMark | None] = {"the CT": None}
        for number, other in enumerate(self._slots, start=1):
            picture = None if other.reading is None else other.reading.so_far.radiograph
            if other is not slot and picture is not None:
                marks[f"picture {number}"] = picture.patient
        return marks

    # comparing

    def start(self) -> None:
        """Compare the pictures with the plan in a process of its own; a comparison that still runs is ended."""
        full, state, slots = self.session.full, self.session.state, list(self._slots)
        if self.server.state.real_picture_reading or not slots:
            return
        if full is None or self.session.stale:
            self.put(message="The plan is still being measured: try again in a moment")
            return
        diameter = float(self.server.state.real_picture_size)

        def compare(say: Callable[[str], None]) -> Any:
            from cotyle_platform.web.panels import comparing

            pictures = tray.ready(slots)
            doubts = tuple(dict.fromkeys(text for slot in slots if slot.reading for text in slot.reading.doubts))
            session = self.session
            asked = comparing.Asked(
                full.planned, full.measured, session.case.scan, session.bones, pictures, diameter, doubts
            )
            return session.apart.do(comparing.made, asked, say)

        def take(made: Any) -> None:
            if slots == self._slots:
                self._lay(of_made(made, full.revision, state))

        self._work(compare, take)

    def stop(self) -> None:
        """End a comparison that runs."""
        self.session.apart.cancel()

    def keep(self) -> None:
        """Write the comparison into the case and its report; only one with the plan that stands in the case."""
        shown = self._shown
        made = None if shown is None else shown.made
        if shown is None or made is None or self.server.state.real_picture_busy:
            return
        if self.session.unsaved or shown.revision != self.session.revision:
            self.put(message="The case holds another plan than the one compared: save it, then compare again")
            return

        def keep(say: Callable[[str], None]) -> int:
            from cotyle_platform.web.panels import comparing

            say("writing the report")
            return comparing.kept(self.session.folder, made)

        def take(number: int) -> None:
            if self._shown is shown:
                self._shown = replace(shown, kept_as=f"comparison-{number}")
                self._show()
            self._read_kept()

        self._work(keep, take)

    def show_kept(self, number: int) -> None:
        """Show a comparison that stands in the case."""
        shown = self._kept.get(int(number))
        if shown is not None:
            self._at = 0
            self._lay(shown)

    def _work(self, work: Callable[[Callable[[str], None]], Any], take: Callable[[Any], None]) -> None:
        """Do long work off the event loop, saying on the page what it is doing; only the newest ends the waiting."""
        loop = asyncio.get_running_loop()
        self.put(busy=True, message="", progress="starting")

        def say(words: str) -> None:
            loop.call_soon_threadsafe(lambda: self.put(progress=words) if self._working is task else None)

        async def run() -> None:
            try:
                take(await loop.run_in_executor(None, lambda: work(say)))
            except SupersededError:
                pass
            except Exception as error:  # whatever it is, the page goes on
                self.put(message=_fault(error))
            finally:
                if self._working is task:
                    self.put(busy=False, progress="")

        task = self._working = loop.create_task(run())

    # what is shown

    @property
    def _kept_is_shown(self) -> bool:
        return self._shown is not None and self._shown.number > 0

    def _follow_plan(self) -> None:
        """Know a comparison's plan again when it comes back, such as by undo; panels that are told later see it."""
        if self._shown is not None:
            self._shown = shown = self._shown.beside(self.session)
            if self.desk.comparison is shown.file:
                self.desk.compared_revision = shown.revision

    def _lay(self, shown: ShownComparison, with_pictures: bool = True) -> None:
        self._shown, self._with_pictures = shown.beside(self.session), with_pictures
        shown = self._shown
        self._show()
        self._sizes()
        self.desk.compared(shown.file, shown.revision, shown.words)

    def _forget(self) -> None:
        if self._shown is not None:
            self._shown = None
            self.desk.compared(None, -1)

    def _show(self) -> None:
        """Show the chosen picture, with what was compared if anything was."""
        shown, slot = self._shown, self._slot
        kept = self._kept_is_shown
        reading = slot.reading if slot is not None and not kept else None
        questions, answers = ([], {}) if reading is None else fields_of(reading)
        page = None if reading is None else picture_of(reading)
        if shown is not None and self._with_pictures:
            page = {**(page or {}), **shown.pictures[min(self._at, len(shown.pictures) - 1)]}
        self.put(
            **{"": page},
            questions=questions,
            answers=answers,
            points={} if reading is None else reading.shown_points(),
            view=slot.view if slot is not None and not kept else "",
            result=None if shown is None else shown.result(self.session.revision),
            kept=shown.number if shown is not None else 0,
            full=len(self._slots) >= MOST_PICTURES,
        )
        self._tabs()

    def _tabs(self) -> None:
        shown = self._shown
        if shown is not None and self._kept_is_shown:
            names = [str(each.view) for each in shown.file.views]
        else:
            names = [slot.view for slot in self._slots if slot.reading is not None]
        words = [f"{at}: {VIEW_WORDS.get(name, 'which view?')}" for at, name in enumerate(names, start=1)]
        self.put(tabs=words, at=self._at)

    def _read_kept(self) -> None:
        """Find the comparisons that stand in the case; the newest is laid down if nothing else is."""
        folder, state = self.session.folder, self.session.saved_state
        if not self._kept and not any(folder.glob("comparison-*.json")):
            return
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._have_kept(*kept_comparisons(folder, state))
            return

        async def read() -> None:
            self._have_kept(*await loop.run_in_executor(None, lambda: kept_comparisons(folder, state)))

        self._reads_kept = loop.create_task(read())

    def _have_kept(self, found: dict[int, ShownComparison], faults: tuple[str, ...]) -> None:
        gone = self._kept.keys() - found.keys()
        first = not self._kept
        self._kept = found
        self.put(keeps=[{"number": number, "words": each.title} for number, each in found.items()])
        if faults:
            self.put(message="; ".join(faults))
        elif gone:
            self.put(message="What was compared with the plan before is no longer in the case: its plan is another one")
        if self._shown is not None and self._shown.number in gone:
            self._forget()
            self._show()
        if first and found and self._shown is None and not self._slots and not self.session.unsaved:
            self._lay(found[max(found)], with_pictures=False)

    def _sizes(self) -> None:
        numbers, state = self.session.numbers, self.server.state
        cup = numbers.cup.outer_diameter_mm
        sizes = [{"value": f"{cup:g}", "words": f"{cup:g} mm cup"}]
        sizes += [
            {"value": f"{step.diameter_mm:g}", "words": f"{step.diameter_mm:g} mm reamer"} for step in numbers.steps
        ]
        known = {each["value"] for each in sizes}
        self.put(sizes=sizes, size=state.real_picture_size if state.real_picture_size in known else f"{cup:g}")
        if self._shown is not None:
            self.put(result=self._shown.result(self.session.revision))


def _fault(error: Exception) -> str:
    if isinstance(error, InputError):
        return one_line(error)
    if isinstance(error, OSError):
        return "the case folder can't be written"
    return f"comparing failed ({type(error).__name__}): this is our fault, not yours"
