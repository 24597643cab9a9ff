"""Pictures and lines as the page draws them: data in the page itself, points as text."""

from __future__ import annotations

import base64
import io
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.space.arrays import Array
from PIL import Image

_QUALITY = 90


def picture_uri(pixels: npt.NDArray[np.uint8]) -> str:
    """Return 8-bit grey (rows, columns) as a JPEG in a data address."""
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, format="jpeg", quality=_QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def points_text(line_px: Array) -> str:
    """Return (n, 2) pixels as the page's polylines take them."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in line_px)


def drawn_lines(lines: Mapping[str, Array], of: str = "") -> list[dict[str, Any]]:
    """Return lines by name as the page draws them; ``of`` goes before their names."""
    return [{"kind": f"{of}{name}", "points": points_text(line)} for name, line in lines.items() if len(line)]
