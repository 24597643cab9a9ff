"""What can be clicked on a picture of the pelvis, how well each thing says where it is, and whether the clicks lie as
the view must show them.

A click errs by the hand (1 mm at the hip by default). What is clicked also is not quite the CT's landmark: the lower
end of a teardrop is a shadow of several surfaces, the midline of the sacrum is a line that may be clicked at any height
and counts across only. These errors are given along the patient's left, posterior and superior axes (one SD; ours,
common practice, no source) and join the landmark's own uncertainty.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.landmarks import LANDMARK_NAMES
from cotyle.errors import InputError
from cotyle.space.arrays import Array, read_only
from cotyle.space.side import Side
from cotyle.xray.carm import CArm

CLICK_SD_MM = 1.0
FORAMEN_ENDS = ("top", "bottom", "medial", "lateral")
FORAMEN_NAMES = tuple(f"foramen_{end}_{side}" for end in FORAMEN_ENDS for side in Side)
ILIOISCHIAL_NAMES = tuple(f"ilioischial_line_{side}" for side in Side)
CONTOUR_NAMES = (*ILIOISCHIAL_NAMES, *FORAMEN_NAMES)
SACRAL_CREST = "sacral_crest"
CLICK_NAMES = (*LANDMARK_NAMES, SACRAL_CREST, *CONTOUR_NAMES)

# a surface from a CT of about 1 mm voxels, and what is seen of it on a picture
CONTOUR_SD_MM = 0.7
# where the halves of the ring don't fit each other, they may also have moved against each other since the CT; ours
ASYMMETRIC_RING_SD_MM = 5.0
_ON_THE_RING = ("symphysis", "sacrum_midline", SACRAL_CREST, "coccyx_tip")
# things nearer to each other than this in the view, or brought so near by such a turn of the patient, do not tell left
# from right, or up from down
_APART_MM, _TURNED_DEG = 15.0, 20.0


@dataclass(frozen=True)
class Meaning:
    """What clicks of a kind are: their name in words, and the SD in mm along left, posterior and superior."""

    words: str
    sd_mm: tuple[float, float, float]


_MEANINGS = {
    "teardrop": Meaning("teardrops", (0.7, 1.5, 1.0)),
    "hip_center": Meaning("hip centres", (0.5, 0.5, 0.5)),
    "symphysis": Meaning("symphysis", (0.7, 3.0, 2.0)),
    "sacrum_midline": Meaning("back edge of the sacral endplate", (1.5, 3.0, 2.0)),
    # a line: any height will do
    SACRAL_CREST: Meaning("sacral midline", (1.5, 5.0, 1.0)),
    "coccyx_tip": Meaning("tip of the coccyx", (1.5, 3.0, 2.0)),
    # the lowest place of a broad curve
    "ischial_tuberosity": Meaning("ischial tuberosities", (10.0, 3.0, 1.0)),
    "superolateral_rim": Meaning("edges of the sockets", (1.5, 5.0, 1.5)),
    "si_joint_inferior": Meaning("lower ends of the sacroiliac joints", (3.0, 5.0, 3.0)),
    "ilioischial_line": Meaning("ilio-ischial lines", (CONTOUR_SD_MM,) * 3),
    "foramen": Meaning("obturator foramina", (CONTOUR_SD_MM,) * 3),
}
_OTHER_SD_MM = (3.0, 3.0, 3.0)


def side_of(name: str) -> Side | None:
    """Return the side a click belongs to, None on the midline."""
    last = name.rpartition("_")[2]
    return Side(last) if last in set(Side) else None


def kind_of(name: str) -> str:
    """Return the kind of a click: its name without side, a foramen's without the end."""
    bare = name.rpartition("_")[0] if side_of(name) is not None else name
    return "foramen" if bare.startswith("foramen_") else bare


def meaning_of(name: str) -> Meaning:
    """Return what a click of this name means."""
    kind = kind_of(name)
    return _MEANINGS.get(kind, Meaning(kind.replace("_", " "), _OTHER_SD_MM))


def part_words(name: str) -> str:
    """Return the name in words of the part that a click shows, both sides together; of a foramen, which end."""
    if kind_of(name) == "foramen":
        return f"{_END_WORDS[name.split('_')[1]]} of the foramina"
    return meaning_of(name).words


_END_WORDS = {"top": "tops", "bottom": "bottoms", "medial": "inner ends", "lateral": "outer ends"}


def place_covariance(name: str, own_sd_mm: float, axes_lps: Array, asymmetric_ring: bool) -> Array:
    """Return the 3x3 LPS covariance (mm^2) of where the thing clicked lies.

    Parameters
    ----------
    own_sd_mm:
        The landmark's own uncertainty.
    axes_lps:
        Rows left, posterior, superior of the pelvis.
    asymmetric_ring:
        Whether the halves of the ring do not fit: then symphysis, sacrum and coccyx count less.
    """
    extra = ASYMMETRIC_RING_SD_MM if asymmetric_ring and kind_of(name) in _ON_THE_RING else 0.0
    variance = np.square(meaning_of(name).sd_mm) + own_sd_mm**2 + extra**2
    return np.asarray(axes_lps.T @ np.diag(variance) @ axes_lps)


def checked_clicks(clicked: Mapping[str, npt.ArrayLike], carm: CArm) -> dict[str, Array]:
    """Return clicks as (column, row) arrays by name.

    Raises
    ------
    InputError
        ``click-name``, ``click-place`` (not two finite numbers, or beside the picture).
    """
    found = {}
    last = np.asarray(carm.size, dtype=float) - 0.5
    for name, place in clicked.items():
        if name not in CLICK_NAMES:
            raise InputError("click-name", f"{name!r} is nothing to click", f"Known are {', '.join(CLICK_NAMES)}")
        pixel = np.array(place, dtype=float)
        if pixel.shape != (2,) or not np.isfinite(pixel).all():
            raise InputError("click-place", f"the click on {name} must be a column and a row, got {place!r}")
        if (pixel < -0.5).any() or (pixel > last).any():
            raise InputError(
                "click-place",
                f"the click on {name} at column {pixel[0]:.0f}, row {pixel[1]:.0f} lies beside the picture of "
                f"{carm.size[0]} x {carm.size[1]} pixels",
            )
        found[name] = read_only(pixel)
    return found


def check_layout(clicks: Mapping[str, Array], places_lps_mm: Mapping[str, Array], carm: CArm) -> None:
    """Refuse clicks whose sides are swapped, or that are mirrored or upside down, against the view's nominal picture.

    ``places_lps_mm``: where the things clicked lie, by name; an end of a foramen or a line stands for its teardrop.
    A mirrored picture whose clicks were named after the mirrored picture looks like a true one and passes.

    Raises
    ------
    InputError
        ``clicks-swapped``, ``clicks-mirrored``, ``clicks-upside-down``.
    """
    proxies = {name: f"teardrop_{side_of(name)}" if name in CONTOUR_NAMES else name for name in clicks}
    into = np.cross(carm.column_direction_lps, carm.row_direction_lps)
    axes = np.stack([carm.column_direction_lps, carm.row_direction_lps, into])
    expected = {name: axes @ places_lps_mm[proxy] for name, proxy in proxies.items() if proxy in places_lps_mm}
    pairs = [pair for pair in combinations(expected, 2) if _tells_sides(*pair)]
    across, across_wrong = _compared(pairs, expected, clicks, 0)
    if across_wrong:
        if len(across) > 1 and len(across_wrong) == len(across):
            raise InputError(
                "clicks-mirrored",
                "all clicks lie the wrong way round: the picture may be mirrored, or left and right swapped",
                "The patient's left must lie where columns are higher; mirror the picture or swap the names",
            )
        raise InputError(
            "clicks-swapped",
            f"left and right do not fit: {_most_named(across_wrong)} on the wrong side of the others",
            "The patient's left must lie where columns are higher; swap the names or click again",
        )
    exact = [name for name in expected if name not in (*CONTOUR_NAMES, SACRAL_CREST)]
    heights, upside_down = _compared(list(combinations(exact, 2)), expected, clicks, 1)
    if upside_down and len(upside_down) == len(heights):
        raise InputError("clicks-upside-down", "the clicks lie upside down", "Turn the picture with the feet downwards")


def _tells_sides(first: str, second: str) -> bool:
    """Return whether two clicks must lie to the left and right of each other, whatever small turn the pose has."""
    sides = {side_of(first), side_of(second)}
    # an end of a foramen stands for its teardrop here and may lie near the midline; a tuberosity is broad
    rough = any(name in CONTOUR_NAMES or kind_of(name) == "ischial_tuberosity" for name in (first, second))
    return len(sides) == 2 and not (rough and None in sides)


def _compared(
    pairs: Iterable[tuple[str, str]], expected: Mapping[str, Array], clicks: Mapping[str, Array], axis: int
) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return the pairs that lie apart along columns or rows in any such view, and those clicked the other way round.

    ``expected``: mm along columns, rows and into the picture. Apart means still so after a turn of 20 deg any way.
    """
    apart, wrong = [], []
    for first, second in pairs:
        gap = expected[first] - expected[second]
        aside = float(np.linalg.norm(np.delete(gap, axis)))
        if abs(gap[axis]) > _APART_MM + np.tan(np.deg2rad(_TURNED_DEG)) * aside:
            apart.append((first, second))
            if gap[axis] * float(clicks[first][axis] - clicks[second][axis]) < 0:
                wrong.append((first, second))
    return apart, wrong


def _most_named(pairs: Iterable[tuple[str, str]]) -> str:
    names = [name for pair in pairs for name in pair]
    most = max(names.count(name) for name in names)
    return " and ".join(dict.fromkeys(name for name in names if names.count(name) == most))
