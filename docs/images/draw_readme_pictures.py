"""Draw the README's pictures from a case of the demo: python docs/images/draw_readme_pictures.py cotyle-demo

Page one of the report needs ``pdftoppm`` (Debian package poppler-utils).
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
PAGE_DPI, HEIGHT, GAP = 88, 480, 16


def main() -> None:
    """Write ``report.png`` and ``screen-and-bone.png`` beside this file."""
    case = Path(sys.argv[1])
    page = ["pdftoppm", "-r", str(PAGE_DPI), "-f", "1", "-l", "1", "-singlefile", "-png"]
    subprocess.run([*page, str(case / "report.pdf"), str(HERE / "report")], check=True)
    Image.open(HERE / "report.png").quantize(128).save(HERE / "report.png", optimize=True)
    pictures = [Image.open(case / "figures" / name) for name in ("ap-pelvis.png", "slice-axis-upright.png")]
    scaled = [each.convert("RGB").resize((round(each.width * HEIGHT / each.height), HEIGHT)) for each in pictures]
    both = Image.new("RGB", (sum(each.width for each in scaled) + GAP, HEIGHT), "white")
    both.paste(scaled[0], (0, 0))
    both.paste(scaled[1], (scaled[0].width + GAP, 0))
    both.quantize(128).save(HERE / "screen-and-bone.png", optimize=True)


if __name__ == "__main__":
    main()
