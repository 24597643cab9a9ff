"""A real picture from its file to the usual view: straightened by a grid, scaled by a sphere, clicks brought along.

All that is clicked is given in the pixels of the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from cotyle.case.distortion_file import KnownDistortion
from cotyle.case.picture_start import PictureOfView
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.cup_in_picture.rim_ellipse import fit_rim_ellipse
from cotyle.xray.pictures.picture_file import Told, read_radiograph
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.pictures.sphere_scale import scale_from_sphere
from cotyle.xray.pictures.usual_view import usual_view
from cotyle.xray.views import ViewName

_PITCH_AGREES_SD = 2.0


@dataclass(frozen=True, eq=False)
class SeenSphere:
    """A ball, head or cup of known diameter: points on its outline, (n, 2) in the file's pixels, three at least.

    ``source_sphere_mm``: from the source along the beam; the isocentre's distance if None.
    """

    outline_px: Array
    diameter_mm: float
    source_sphere_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Clicked:
    """What was clicked on one picture; see :class:`~cotyle.case.picture_start.PictureOfView`."""

    rim_px: Array | None = None
    places_px: Mapping[str, Array] = field(default_factory=dict)
    sphere: SeenSphere | None = None


def read_picture(
    path: Path,
    view: ViewName,
    told: Told,
    clicked: Clicked,
    frame: int | None = None,
    distortion: KnownDistortion | None = None,
    turned_to_deg: tuple[float, float] | None = None,
) -> PictureOfView:
    """Return a picture in its usual view, with all that is known of its machine.

    Raises
    ------
    InputError
        Those of reading a picture, of the grid and of the sphere; ``scale-twice`` where both a pixel pitch and a sphere
        were given.
    """
    picture = read_radiograph(path, frame, told)
    if distortion is not None:
        picture = distortion.straightened(picture)
    pitch_sd = 0.0
    if clicked.sphere is not None:
        if told.pixel_pitch_mm is not None:
            raise InputError("scale-twice", "both a pixel pitch and a sphere were given as the scale", "Give one")
        outline = _straight(clicked.sphere.outline_px, distortion, "the sphere")
        picture, pitch_sd = _scaled(picture, replace(clicked.sphere, outline_px=outline))
    usual, to_file = usual_view(picture)
    known = usual.geometry
    if turned_to_deg is None and known.primary_deg is not None and known.secondary_deg is not None:
        turned_to_deg = (known.primary_deg, known.secondary_deg)

    def moved(pixels: Array, name: str) -> Array:
        return np.asarray((_straight(pixels, distortion, name) - to_file[:, 2]) @ np.linalg.inv(to_file[:, :2]).T)

    rim = None if clicked.rim_px is None else moved(clicked.rim_px, "the rim")
    if rim is not None:
        fit_rim_ellipse(rim)  # points that make no ellipse are refused before the long search for the pose
    places = {name: moved(pixel, name) for name, pixel in clicked.places_px.items()}
    return PictureOfView(usual, view, to_file, rim, places, turned_to_deg, pitch_sd)


def _straight(pixels: Array, distortion: KnownDistortion | None, name: str) -> Array:
    return pixels if distortion is None else distortion.straight(pixels, name)


def _scaled(picture: Radiograph, sphere: SeenSphere) -> tuple[Radiograph, float]:
    """Return a picture with the pixel pitch that a sphere tells, and that one's deviation as a share of it."""
    known = picture.geometry
    distance = known.source_detector_mm
    depth = sphere.source_sphere_mm if sphere.source_sphere_mm is not None else known.source_isocenter_mm
    if distance is None or depth is None:
        raise InputError(
            "sphere-distance",
            "a sphere gives the scale only with its own and the detector's distance from the source",
            "Give --source-detector, and --source-isocenter or --sphere-depth",
        )
    middle = (np.array(picture.size) - 1.0) / 2.0
    found = scale_from_sphere(sphere.outline_px, sphere.diameter_mm, distance, depth, middle)
    share = found.pixel_pitch_sd_mm / found.pixel_pitch_mm
    doubts = [*found.rests_on]
    if sphere.source_sphere_mm is None:
        doubts.append("The sphere was taken to lie as far from the source as the isocentre.")
    before = known.pixel_pitch_mm
    if before is not None and abs(found.pixel_pitch_mm / before[0] - 1.0) > _PITCH_AGREES_SD * share:
        doubts.append(
            f"The sphere says pixels of {found.pixel_pitch_mm:.3f} mm on the detector, the file {before[0]:g} mm; the "
            "sphere was followed."
        )
    doubts = [*(each for each in picture.doubts if "size of a pixel" not in each), *doubts]
    geometry = replace(known, pixel_pitch_mm=(found.pixel_pitch_mm, found.pixel_pitch_mm))
    return replace(picture, geometry=geometry, doubts=tuple(doubts)), share
