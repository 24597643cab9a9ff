"""How a machine bends its pictures: read off a picture of its grid, or kept in a file of its own. Pixels."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from cotyle.case.produced_by import ProducedBy, produced_by
from cotyle.case.schema import FileModel, Finite
from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.distortion import Distortion, fit_distortion, straightened
from cotyle.xray.pictures.grid_dots import find_grid
from cotyle.xray.pictures.picture_file import Told, read_radiograph
from cotyle.xray.pictures.radiograph import Radiograph

Pair = tuple[Finite, Finite]


@dataclass(frozen=True, eq=False)
class KnownDistortion:
    """How pictures of this size (columns, rows) are bent."""

    distortion: Distortion
    size: tuple[int, int]

    def straight(self, points_px: Array, name: str) -> Array:
        """Return where points (2,) or (n, 2) that were clicked on a bent picture lie in the straight one.

        Raises
        ------
        InputError
            ``grid-beyond`` where they lie beyond the grid's dots.
        """
        return _known_points(self.distortion.straight(points_px), name)

    def bent(self, points_px: Array, name: str) -> Array:
        """Return where points (2,) or (n, 2) of the straight picture lie in the bent one, as :meth:`straight` does."""
        return _known_points(self.distortion.bent(points_px), name)

    def straightened(self, picture: Radiograph) -> Radiograph:
        """Return a picture of the same machine with its distortion undone.

        Raises
        ------
        InputError
            ``grid-size`` for a picture of another size.
        """
        if picture.size != self.size:
            raise InputError(
                "grid-size",
                f"the grid was taken at {self.size[0]} x {self.size[1]} pixels, the picture has "
                f"{picture.size[0]} x {picture.size[1]}",
                "Take both with the same machine, field and export",
            )
        return straightened(picture, self.distortion)


def _known_points(points_px: Array, name: str) -> Array:
    if not np.isfinite(points_px).all():
        raise InputError(
            "grid-beyond", f"{name} lies beyond the dots of the grid, where nothing is known", "Click within them"
        )
    return points_px


class DistortionFile(FileModel):
    """The whole of a distortion file; fields as in :class:`~cotyle.xray.pictures.distortion.Distortion`."""

    schema_name: Literal["cotyle/distortion"] = Field(default="cotyle/distortion", alias="schema")
    version: Literal[1] = 1
    produced_by: ProducedBy | None = None
    columns: Annotated[int, Field(gt=0)]
    rows: Annotated[int, Field(gt=0)]
    model: str
    center_px: Pair
    reach_px: Annotated[Finite, Field(gt=0)]
    terms: tuple[tuple[int, int], ...]
    coefficients_px: tuple[Pair, ...]
    residual_px: Finite
    held_back_px: Finite
    worst_px: Finite
    dots: int
    spacing_px: Finite
    hull: tuple[tuple[Finite, Finite, Finite], ...]


def read_distortion(path: Path) -> KnownDistortion:
    """Return the distortion that a picture of a grid shows, or that a file of one holds.

    Raises
    ------
    InputError
        ``grid-dots``, ``grid-places``, ``grid-residual`` where the picture shows no square grid, ``field-invalid``, and
        those of reading a picture.
    """
    if path.suffix.lower() == ".json":
        return _known(DistortionFile.read(path))
    # which way grey grows is of no matter: dots may be dark or light
    picture = read_radiograph(path, told=Told(polarity=Polarity.BONE_LIGHT))
    return KnownDistortion(fit_distortion(find_grid(picture.attenuation, _within_field(picture))), picture.size)


def _within_field(picture: Radiograph) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Return the round field, or all: the dots themselves may look like marks that were burnt in."""
    circle = picture.field_circle
    rows, columns = picture.attenuation.shape
    if circle is None:
        return np.ones((rows, columns), dtype=bool)
    down, across = np.ogrid[:rows, :columns]
    return np.asarray(np.hypot(across - circle.center_px[0], down - circle.center_px[1]) < circle.radius_px - 2.0)


def distortion_file(known: KnownDistortion) -> DistortionFile:
    """Return the file of a distortion."""
    found = known.distortion
    return DistortionFile(
        produced_by=produced_by(),
        columns=known.size[0],
        rows=known.size[1],
        model=found.model,
        center_px=(float(found.center_px[0]), float(found.center_px[1])),
        reach_px=found.reach_px,
        terms=found.terms,
        coefficients_px=tuple((float(each.real), float(each.imag)) for each in found.coefficients),
        residual_px=found.residual_px,
        held_back_px=found.held_back_px,
        worst_px=found.worst_px,
        dots=found.dots,
        spacing_px=found.spacing_px,
        hull=tuple((float(x), float(y), float(offset)) for x, y, offset in found.hull),
    )


def distortion_words(known: KnownDistortion) -> str:
    """Return how well a grid is known, and which pictures it is good for, in two sentences."""
    found, (columns, rows) = known.distortion, known.size
    return (
        f"{found.dots} dots, {found.spacing_px:.1f} px apart, {found.model}: {found.held_back_px:.2f} px at dots that "
        f"were held back, at most {found.worst_px:.2f} px. Good for pictures of {columns} x {rows} pixels of the same "
        "machine where it stood."
    )


def _known(file: DistortionFile) -> KnownDistortion:
    if not len(file.terms) == len(file.coefficients_px) or (1, 0) not in file.terms or len(file.hull) < 3:
        raise InputError("field-invalid", "the distortion file is not whole", "Make it again from the grid's picture")
    return KnownDistortion(
        Distortion(
            model=file.model,
            center_px=read_only(np.array(file.center_px)),
            reach_px=file.reach_px,
            terms=file.terms,
            coefficients=np.array([complex(*each) for each in file.coefficients_px]),
            residual_px=file.residual_px,
            held_back_px=file.held_back_px,
            worst_px=file.worst_px,
            dots=file.dots,
            spacing_px=file.spacing_px,
            hull=read_only(np.array(file.hull)),
        ),
        (file.columns, file.rows),
    )
