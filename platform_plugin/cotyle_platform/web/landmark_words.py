"""Landmarks in plain words: what each is, where it comes from, how sure it is."""

from __future__ import annotations

from collections.abc import Iterable

from cotyle.anatomy.landmarks import APP_NAMES, Landmark, Origin
from cotyle.space.side import Side

MARK_WORDS = {
    "asis": "ASIS (anterior superior iliac spine)",
    "pubic_tubercle": "pubic tubercle",
    "psis": "PSIS (posterior superior iliac spine)",
    "ischial_tuberosity": "ischial tuberosity, lowest point",
    "teardrop": "teardrop, lower end",
    "hip_center": "hip centre",
    "superolateral_rim": "superolateral edge of the socket",
    "si_joint_inferior": "sacroiliac joint, lower end",
    "symphysis": "symphysis, middle",
    "sacrum_midline": "sacral midline, back edge of the S1 endplate",
    "coccyx_tip": "tip of the coccyx",
}


def in_order(names: Iterable[str], side: Side | None) -> tuple[str, ...]:
    """Return names as they are reviewed: the pelvic plane's four, the operated side's, the midline's, the others."""
    known = list(names)
    mine = [name for name in known if side is not None and name.endswith(f"_{side}")]
    middle = [name for name in known if not name.endswith(("_left", "_right"))]
    return tuple(dict.fromkeys([*(name for name in APP_NAMES if name in known), *mine, *middle, *known]))


def mark_words(name: str) -> str:
    """Return a landmark's name in words, its side first."""
    for side in Side:
        if name.endswith(f"_{side}"):
            return f"{side} {MARK_WORDS[name.removesuffix(f'_{side}')]}"
    return MARK_WORDS[name]


def origin_words(mark: Landmark, agreed: bool = False) -> str:
    """Return in words where a landmark comes from and how sure it is."""
    how = {
        Origin.DETECTED: "found by the program",
        Origin.GIVEN: "placed by hand",
        Origin.EXTRAPOLATED: "outside the scan, or known only from the shape model",
    }[mark.origin]
    return f"{how}, ± {2 * mark.uncertainty_mm:.1f} mm" + (", agreed to" if agreed else "")
