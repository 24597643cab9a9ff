"""A picture of a page for the docs: PNG of at most 400 kB, with as many shades as that leaves room for."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image, ImageOps

MOST_BYTES = 400_000
_BITS = (8, 7, 6, 5)


def keep_picture(screenshot: bytes, path: Path) -> None:
    """Write a screenshot as PNG; raises ValueError where it would be too large even with few shades."""
    picture = Image.open(io.BytesIO(screenshot)).convert("RGB")
    for bits in _BITS:
        buffer = io.BytesIO()
        ImageOps.posterize(picture, bits).save(buffer, format="png", optimize=True)
        if buffer.tell() <= MOST_BYTES:
            path.write_bytes(buffer.getvalue())
            return
    raise ValueError(f"{path.name} is larger than {MOST_BYTES} bytes: take a smaller picture")
