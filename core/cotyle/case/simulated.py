"""Simulated X-ray views of a planned case: the picture, what is drawn over it, and the cues."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from enum import Enum
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.landmarks import Landmarks
from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.plan_file import PlanFile
from cotyle.cup.component import Cup
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.frames import SCANNER, Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.xray.cues import cues
from cotyle.xray.display import Display, render
from cotyle.xray.ellipse import Ellipse, project_circle, to_pixels
from cotyle.xray.outlines import HemisphereOutline, hemisphere_outline
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of, prepare
from cotyle.xray.views import FILM, Machine, View, named_view

CUE_VIEWS = ("ap_pelvis", "ap_hip")


class PlacedCup(Protocol):
    """What a view needs to know of a planned cup; a cup that is planned in full is one, and so are live numbers."""

    @property
    def plan(self) -> PlanFile:
        """The complete plan."""

    @property
    def pelvis(self) -> Pelvis:
        """The frames."""

    @property
    def cup(self) -> Cup:
        """The cup in place."""

    @property
    def landmarks(self) -> Landmarks:
        """Landmarks by name."""

    @property
    def hip_bone(self) -> TriangleMesh:
        """The hip bone that receives the cup."""


@dataclass(frozen=True, eq=False)
class SimulatedView:
    """One view: 8-bit grey (rows, columns), bone light; outline and rim ellipse of the planned cup in pixels."""

    view: View
    pixels: npt.NDArray[np.uint8]
    outline: HemisphereOutline
    rim_ellipse: Ellipse
    cues: dict[str, Any]

    @property
    def known_angle_deg(self) -> float | None:
        """Angle of the rim's long axis to the columns; None for a rim that is seen as a circle."""
        angle = self.rim_ellipse.major_axis_angle_deg
        return angle if np.isfinite(angle) else None


def simulate(planned: PlacedCup, scan: Volume | ReadyVolume, view: View) -> SimulatedView:
    """Return a view of the scan with the planned cup's outline; the cup itself is drawn, not projected as metal.

    A scan made ready by :func:`cotyle.xray.projector.line_integrals.prepare` serves several views faster.
    """
    integrals = line_integrals_of(prepare(scan) if isinstance(scan, Volume) else scan, view.carm)
    return seen(planned, view, grey_of(integrals))


def seen(planned: PlacedCup, view: View, pixels: npt.NDArray[np.uint8]) -> SimulatedView:
    """Return a picture with what is drawn over it and the cues of a planned cup."""
    rim = planned.cup.rim
    return SimulatedView(
        view,
        pixels,
        hemisphere_outline(view.carm, rim),
        to_pixels(project_circle(view.carm, rim), view.carm),
        view_cues(planned, view),
    )


def grey_of(integrals: npt.NDArray[np.float32]) -> npt.NDArray[np.uint8]:
    """Return 8-bit grey of line integrals (rows, columns), bone light."""
    return render(integrals, Display(window=_bone_window(integrals)))


def view_of(
    planned: PlacedCup, name: str, frame: str = "supine", film: bool = False, angle_deg: float | None = None
) -> View:
    """Return a named view of a case.

    Raises
    ------
    InputError
        ``frame-unknown`` and those of :func:`cotyle.xray.views.named_view`.
    """
    frames: dict[str, Frame] = {"scanner": SCANNER, **planned.pelvis.frames}
    if frame not in frames:
        raise InputError("frame-unknown", f"there is no frame {frame!r}", f"Choose from {', '.join(frames)}")
    points = {mark: each.lps_mm for mark, each in planned.landmarks.items()}
    machine: Machine | None = FILM if film else None
    return named_view(name, frames[frame], points, planned.plan.side, machine, angle_deg)


def view_cues(planned: PlacedCup, view: View) -> dict[str, Any]:
    """Return the cues of the planned cup in a view as plain values, with how the view was made."""
    points = {mark: each.lps_mm for mark, each in planned.landmarks.items()}
    found = cues(view.carm, planned.cup.rim, planned.plan.side, points, planned.hip_bone)
    content = flat(dataclasses.asdict(found))
    content.pop("missing", None)
    return {"frame": view.frame_name, "tube": str(view.carm.tube.value), **content}


def case_cues(planned: PlacedCup) -> dict[str, dict[str, Any]]:
    """Return the cues of the usual views, level with the supine frame."""
    return {name: view_cues(planned, view_of(planned, name)) for name in CUE_VIEWS}


def _bone_window(integrals: npt.NDArray[np.float32]) -> tuple[float, float]:
    """Return the window that spreads bone over the grey scale and lets flesh go dark."""
    body = integrals[integrals > 0.05 * integrals.max()]
    if body.size == 0:
        return 0.0, 1.0
    low, high = (float(value) for value in np.percentile(body, [22.0, 99.8]))
    return low, max(high, low + 1e-3)


def flat(tree: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return nested values under joined names: enums as text, numbers that are not finite as None."""
    found: dict[str, Any] = {}
    for key, value in tree.items():
        name = f"{prefix}{key}"
        if isinstance(value, dict):
            found |= flat(value, f"{name}_")
        elif isinstance(value, Enum):
            found[name] = str(value.value)
        elif isinstance(value, float) and not np.isfinite(value):
            found[name] = None
        else:
            found[name] = value
    return found
