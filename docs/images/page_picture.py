"""A picture of a page for the docs: PNG of at most 400 kB, with as many colours as that leaves room for."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image

MOST_BYTES = 400_000
_COLOURS = (256, 192, 128, 96, 64, 48)


def keep_picture(screenshot: bytes, path: Path) -> None:
    """Write a screenshot as PNG; raises ValueError where it would be too large even with few colours."""
    picture = Image.open(io.BytesIO(screenshot)).convert("RGB")
    for colours in _COLOURS:
        few = picture.quantize(colours, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
        buffer = io.BytesIO()
        few.save(buffer, format="png", optimize=True)
        if buffer.tell() <= MOST_BYTES:
            path.write_bytes(buffer.getvalue())
            return
    raise ValueError(f"{path.name} is larger than {MOST_BYTES} bytes: take a smaller picture")
