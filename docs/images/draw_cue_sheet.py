"""Draw the picture of the cue sheet's method from a demo case: python docs/images/draw_cue_sheet.py cotyle-demo"""

from __future__ import annotations

import sys
from pathlib import Path

from PIL import Image

HERE = Path(__file__).parent
WIDTH, GAP = 1000, 14


def main() -> None:
    """Write ``cue-sheet.jpg`` beside this file."""
    figures = Path(sys.argv[1]) / "figures"
    pictures = [Image.open(figures / name).convert("RGB") for name in ("mistakes.png", "wall-view.png")]
    scaled = [each.resize((WIDTH, round(each.height * WIDTH / each.width))) for each in pictures]
    both = Image.new("RGB", (WIDTH, sum(each.height for each in scaled) + GAP), "white")
    both.paste(scaled[0], (0, 0))
    both.paste(scaled[1], (0, scaled[0].height + GAP))
    both.save(HERE / "cue-sheet.jpg", quality=88)


if __name__ == "__main__":
    main()
