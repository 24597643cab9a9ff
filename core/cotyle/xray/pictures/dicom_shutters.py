"""What a DICOM file itself marks as outside the picture: collimator blades and shutters.

X-Ray Collimator (0018,1700 to 1720, PS3.3 C.8.7.3) and Display Shutter (0018,1600 to 1620, PS3.3 C.7.6.11) describe
the same shapes: a rectangle, a circle, a polygon, or several, in which case all of them bound the picture. Rows and
columns count from 1.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

Get = Callable[[str], Any]


def shuttered(get: Get, shape: tuple[int, int]) -> npt.NDArray[np.bool_] | None:
    """Return which pixels (rows, columns) lie outside what the file bounds; None if it bounds nothing sensible.

    ``get`` looks a DICOM keyword up. A shape that would leave less than a twentieth of the picture is not believed.
    """
    inside = np.ones(shape, dtype=bool)
    for kind in ("Collimator", "Shutter"):
        names = get(f"{kind}Shape")
        for name in [names] if isinstance(names, str) else names or ():
            inside &= _inside(str(name).upper(), kind, get, shape)
    share = inside.mean()
    return None if share == 1.0 or share < 0.05 else ~inside


def _inside(name: str, kind: str, get: Get, shape: tuple[int, int]) -> npt.NDArray[np.bool_]:
    rows, columns = np.mgrid[1 : shape[0] + 1, 1 : shape[1] + 1]
    try:
        if name == "RECTANGULAR":
            left, right, upper, lower = (
                int(get(f"{kind}{edge}"))
                for edge in ("LeftVerticalEdge", "RightVerticalEdge", "UpperHorizontalEdge", "LowerHorizontalEdge")
            )
            return np.asarray((columns > left) & (columns < right) & (rows > upper) & (rows < lower))
        if name == "CIRCULAR":
            row, column = (float(v) for v in get(f"CenterOfCircular{kind}"))
            return np.asarray(np.hypot(rows - row, columns - column) <= float(get(f"RadiusOfCircular{kind}")))
        if name == "POLYGONAL":
            corners = np.array([float(v) for v in get(f"VerticesOfThePolygonal{kind}")]).reshape(-1, 2)
            return _inside_polygon(rows, columns, corners)
    except (TypeError, ValueError):  # an edge is missing: the shape says nothing
        pass
    return np.ones(shape, dtype=bool)


def _inside_polygon(rows: Any, columns: Any, corners: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Return which pixels lie in a polygon of (row, column) corners: an odd number of edges crossed to the right."""
    inside = np.zeros(rows.shape, dtype=bool)
    for (row_a, column_a), (row_b, column_b) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if row_a != row_b:
            spans = (rows >= min(row_a, row_b)) & (rows < max(row_a, row_b))
            inside ^= spans & (columns < column_a + (rows - row_a) * (column_b - column_a) / (row_b - row_a))
    return inside
