"""Pictures of a case through the viewer's own views: ``python -m cotyle_platform.scene.drawing CASE FOLDER``."""

from __future__ import annotations

import sys
from pathlib import Path

from cotyle.case.stages import MEASURING_FRAME, PlannedCup, plan_cup
from cotyle.case.store import StoredCase, read_case
from cotyle.cup.reaming_way import ReamerPlace
from cotyle.errors import InputError
from cotyle.report.cavity_view import cup_cameras

from cotyle_platform.scene import parts, views
from cotyle_platform.scene.plan_scene import Planes, PlanScene
from cotyle_platform.scene.stage import SLICES, THREE_D, Stage

SLICE_NAMES = dict(zip(SLICES, ("level", "upright", "side"), strict=True))
CAVITY_LOOKS = ("into-the-socket", "from-inside")
_SLICE_HEIGHT_MM = 140.0


def draw_case(
    case: StoredCase,
    planned: PlannedCup,
    folder: Path,
    *,
    planes: Planes = "cup",
    reamer: ReamerPlace | None = None,
    size_px: tuple[int, int] = (640, 480),
) -> list[Path]:
    """Draw the slices and the 3D looks of a plan as PNG files; returns them.

    Parameters
    ----------
    planes:
        Axes of the slices.
    reamer:
        A reamer on its way to show in place of the cup, or None.

    Raises
    ------
    InputError
        ``no-opengl`` or ``viewer-missing``: nothing is written then.
    """
    written: list[Path] = []
    with Stage(size_px) as stage:
        picture = PlanScene(stage.scene, case)
        picture.show(planned.plan, planned)
        picture.set_handles(False)
        if reamer is not None:
            picture.show_reamer(reamer)
            picture.set_shown(parts.CUP, False)
        stage.background(picture.node(parts.CT))
        stage.write_letters(picture.slice_to(planes))
        stage.show_height(_SLICE_HEIGHT_MM)
        folder.mkdir(parents=True, exist_ok=True)
        for name, words in SLICE_NAMES.items():
            written.append(folder / f"slice-{planes}-{words}.png")
            stage.write_png(name, written[-1])
        for name, camera in cup_cameras(planned.cup, planned.pelvis.frames[MEASURING_FRAME]).items():
            picture.show_cavity_alone(name in CAVITY_LOOKS)
            picture.show_scale(name in CAVITY_LOOKS)
            views.look(stage.view(THREE_D), camera)
            written.append(folder / f"{name}.png")
            stage.write_png(THREE_D, written[-1])
        picture.close()
    return written


def main(arguments: list[str]) -> int:
    """Draw a case folder's plan into a folder; returns the exit code."""
    if len(arguments) != 2:
        print("usage: python -m cotyle_platform.scene.drawing CASE FOLDER", file=sys.stderr)  # noqa: T201
        return 2
    try:
        case = read_case(Path(arguments[0]))
        for path in draw_case(case, plan_cup(case.anatomy, case.scan, case.plan), Path(arguments[1])):
            print(path.name)  # noqa: T201
    except InputError as error:
        print(str(error), file=sys.stderr)  # noqa: T201
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
