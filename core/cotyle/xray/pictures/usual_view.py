"""A picture turned and mirrored so that columns run to the patient's left and rows to his feet.

Only by what the file or the user says of the patient's directions (DICOM Patient Orientation, PS3.3 C.7.6.1.1.1).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.xray.pictures.radiograph import FieldCircle, Radiograph

_AXES = {"L": (0, 1), "R": (0, -1), "F": (1, 1), "H": (1, -1)}


def usual_view(picture: Radiograph) -> tuple[Radiograph, Array]:
    """Return the picture as it is usually looked at, and the way back.

    Returns
    -------
    Radiograph, Array
        The picture, and the 2x3 matrix that takes its pixels (column, row, 1) to those of the file.

    Raises
    ------
    InputError
        ``picture-sides`` if it is not known which way columns and rows run, or they don't run left-right and
        head-foot (a side view).
    """
    told = picture.geometry.patient_orientation
    letters = tuple(direction[:1] for direction in told) if told is not None else ()
    if len(letters) != 2 or any(n not in _AXES for n in letters) or _AXES[letters[0]][0] == _AXES[letters[1]][0]:
        seen = f"its columns and rows run to {' and '.join(told)}" if told else "nothing tells which way it is shown"
        raise InputError(
            "picture-sides",
            f"the picture can't be turned to its usual view: {seen}",
            r"Say the patient's directions of columns and rows, such as L\F",
        )
    (across, along_columns), (_, along_rows) = _AXES[letters[0]], _AXES[letters[1]]
    turned = across == 1  # columns run head-foot
    # the sign in which the file's columns and rows run along the usual axes
    columns, rows = picture.size
    back = np.zeros((2, 3))
    for axis, sign, count in ((0, along_columns, columns), (1, along_rows, rows)):
        back[axis, 1 - axis if turned else axis] = sign
        back[axis, 2] = 0.0 if sign > 0 else count - 1.0
    return _moved(picture, turned, along_columns < 0, along_rows < 0, back), read_only(back)


def _moved(picture: Radiograph, turned: bool, flip_columns: bool, flip_rows: bool, back: Array) -> Radiograph:
    def moved(array: npt.NDArray[Any]) -> npt.NDArray[Any]:
        flipped = array[:: -1 if flip_rows else 1, :: -1 if flip_columns else 1]
        return np.ascontiguousarray(flipped.T if turned else flipped)

    geometry = picture.geometry
    pitch = geometry.pixel_pitch_mm
    circle = picture.field_circle
    if circle is not None:
        circle = FieldCircle(back[:, :2].T @ (circle.center_px - back[:, 2]), circle.radius_px)
    return replace(
        picture,
        attenuation=moved(picture.attenuation),
        usable=moved(picture.usable),
        geometry=replace(
            geometry,
            pixel_pitch_mm=(pitch[1], pitch[0]) if pitch is not None and turned else pitch,
            patient_orientation=("L", "F"),
        ),
        field_circle=circle,
        doubts=tuple(d for d in picture.doubts if "is mirrored" not in d),
    )
