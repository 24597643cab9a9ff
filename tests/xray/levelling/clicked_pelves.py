"""Pictures of random pelves as a seeded surgeon clicks them: the true pose, and clicks with the stated errors."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from cotyle.anatomy.landmarks import Landmark, Origin
from cotyle.anatomy.pelvis import build_pelvis
from cotyle.space.fits import fit_sphere
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.levelling.clicks import CONTOUR_SD_MM, FORAMEN_ENDS, place_covariance
from cotyle.xray.levelling.contour_points import ilioischial_point
from cotyle.xray.levelling.point_task import Known
from cotyle.xray.levelling.sacral_midline import sacral_midline
from cotyle.xray.views import WIDE_C_ARM, ViewName, named_view
from PIL import Image, ImageDraw
from scipy import ndimage

from tests.anatomy.pelves import subject

DIVISIONS = 7
LANDMARK_SD_MM = 0.7
TEARDROPS = ("teardrop_left", "teardrop_right")
POINTS = (*TEARDROPS, "symphysis", "sacral_crest", "hip_center_left", "hip_center_right")
TUBEROSITIES = ("ischial_tuberosity_left", "ischial_tuberosity_right")
FORAMINA = tuple(f"foramen_{end}_{side}" for end in FORAMEN_ENDS for side in Side)
LINES = ("ilioischial_line_left", "ilioischial_line_right")
ALL = (*POINTS, *TUBEROSITIES, *FORAMINA, *LINES)


@cache
def pelvis(seed: int) -> Known:
    """A random pelvis with its landmarks, frames and surfaces; landmarks as sure as a good scan makes them."""
    surfaces, seeds = subject(seed, DIVISIONS)
    places = dict(seeds.points_lps_mm)
    for side in Side:
        places[f"hip_center_{side}"] = fit_sphere(seeds.socket(side).lunate)[0].center_lps_mm
    landmarks = {name: Landmark(name, place, Origin.DETECTED, LANDMARK_SD_MM) for name, place in places.items()}
    bones = {side: surfaces[f"{side}_hip_bone"] for side in Side}
    return Known(landmarks, build_pelvis(landmarks).supine, bones, surfaces["sacrum"])


def nominal(known: Known, view=ViewName.AP_PELVIS, side: Side | None = None, machine=WIDE_C_ARM) -> CArm:
    return named_view(view, known.frame, places_of(known), side, machine).carm


def places_of(known: Known) -> dict:
    return {name: mark.lps_mm for name, mark in known.landmarks.items()}


def displaced(carm: CArm, known: Known, rng: np.random.Generator, most_deg=12.0, most_mm=25.0) -> CArm:
    """The C-arm turned about a random axis through the middle of the hips by up to so much, and shifted."""
    axis = rng.standard_normal(3)
    rotation = rotation_matrix(axis, rng.uniform(0.0, most_deg))
    middle = 0.5 * (known.landmarks["hip_center_left"].lps_mm + known.landmarks["hip_center_right"].lps_mm)
    return carm.moved(rigid_matrix(rotation, middle - rotation @ middle + rng.uniform(-most_mm, most_mm, 3)))


@dataclass(frozen=True)
class Errors:
    """What the clicks of a trial err by: the hand in mm at the hip, and whether the things clicked do as stated."""

    click_mm: float = 1.0
    places: bool = True


def clicks_of(carm: CArm, known: Known, names, rng: np.random.Generator, errors: Errors = Errors()) -> dict:
    """Clicks on the picture that a pose takes; ends of foramina from a filled picture of the bone's triangles."""
    middle = known.landmarks["hip_center_left"].lps_mm
    mm_per_px = np.asarray(carm.pixel_pitch_mm) / carm.magnification(middle)
    clicks = {}
    for name in names:
        if name == "sacral_crest" or name in known.landmarks:
            mark = known.landmarks["sacrum_midline" if name == "sacral_crest" else name]
            place = mark.lps_mm
            if name == "sacral_crest":  # anywhere on its lower part
                line = sacral_midline(known.frame, place, known.sacrum)
                place = line[rng.integers(0, len(line) // 2)]
            if errors.places:
                spread = place_covariance(name, mark.uncertainty_mm, known.frame.axes, known.asymmetric_ring)
                place = place + rng.multivariate_normal(np.zeros(3), spread)
            pixel = carm.project(place)
        else:
            pixel = contour_pixel(carm, known, name)
            if pixel is None:
                continue
            if errors.places:
                pixel = pixel + rng.standard_normal(2) * CONTOUR_SD_MM / mm_per_px
        clicks[name] = pixel + rng.standard_normal(2) * errors.click_mm / mm_per_px
    return clicks


def contour_pixel(carm: CArm, known: Known, name: str):
    side = Side(name.rpartition("_")[2])
    if name.startswith("foramen"):
        hole = filled_hole(carm, known, side)
        return None if hole is None else hole[name.split("_")[1]]
    teardrop = known.landmarks[f"teardrop_{side}"].lps_mm
    mm_per_px = carm.pixel_pitch_mm[1] / carm.magnification(teardrop)
    row = float(carm.project(teardrop)[1])
    for above_mm in (10.0, 15.0, 6.0, 2.0):
        found = ilioischial_point(carm, known.hip_bones[side], teardrop, side, row - above_mm / mm_per_px)
        if found is not None:
            return found.pixel
    return None


_HOLES: dict = {}


def filled_hole(carm: CArm, known: Known, side: Side):
    """Ends of the hole in the filled picture of one hip bone (Pillow draws, SciPy labels), or None."""
    key = (id(known), side, carm.projection_matrix.tobytes())
    if key not in _HOLES:
        bone = known.hip_bones[side]
        fine = carm.resized((2 * carm.size[0], 2 * carm.size[1]))
        picture = Image.new("1", fine.size, 0)
        draw = ImageDraw.Draw(picture)
        for triangle in fine.project(bone.vertices_lps_mm)[bone.triangles]:
            draw.polygon([tuple(corner) for corner in triangle], fill=1)
        labels, _ = ndimage.label(~np.array(picture))
        sizes = np.bincount(labels.ravel())
        border = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
        sizes[np.unique(np.append(border, 0))] = 0
        ends = None
        if sizes.max() > 600:
            rows, columns = (0.5 * (places - 0.5) for places in np.nonzero(labels == sizes.argmax()))
            lateral, medial = (columns.max() + 0.25, columns.min() - 0.25)[:: int(side.lateral_sign)]
            # only the coordinate along the end's own direction counts
            ends = {
                "top": np.array([columns.mean(), rows.min() - 0.25]),
                "bottom": np.array([columns.mean(), rows.max() + 0.25]),
                "medial": np.array([medial, rows.mean()]),
                "lateral": np.array([lateral, rows.mean()]),
            }
        _HOLES[key] = ends
    return _HOLES[key]
