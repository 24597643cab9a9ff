"""What a DICOM X-ray file says of the machine, and what of it can be believed.

Meanings are those of PS3.3: X-Ray Acquisition and XA Positioner modules (C.8.7), DX positioning (C.8.11.5), enhanced
XA/XRF macros (C.8.19.6), pixel spacing (10.7.1). What is zero, missing, impossible or has two meanings comes out as
None with a sentence: mobile C-arms write such values without measuring them (common practice, no source).
"""

from __future__ import annotations

from cotyle.xray.pictures.dicom_fields import FrameFields, finite
from cotyle.xray.pictures.radiograph import KnownGeometry
from cotyle.xray.pictures.raw_picture import Doubt

SOURCE_DETECTOR_RANGE_MM = (500.0, 2500.0)
"""Outside it no C-arm and no X-ray room works; our choice."""

DETECTOR_RANGE_MM = (80.0, 600.0)
"""How long the longer side of a picture may be on the detector; stationary plates end at 430 mm (common practice)."""

_BEAM_MODALITIES = frozenset({"XA", "RF"})
_LETTERS = frozenset("LRAPHF")


def geometry_of(
    fields: FrameFields, modality: str, frame: int, size: tuple[int, int]
) -> tuple[KnownGeometry, tuple[Doubt, ...]]:
    """Return what a file says of a frame's geometry, and a sentence for each thing that it leaves open.

    Parameters
    ----------
    fields:
        The frame's fields.
    modality:
        ``XA`` and ``RF`` positioner angles and distances are those of a C-arm; in others the same fields mean the
        beam and the table (PS3.3 C.8.11.5) and are not taken.
    frame:
        Number of the frame, from 1, for angles given as increments.
    size:
        Columns and rows of the picture.
    """
    doubts: list[Doubt] = []
    detector_mm = _source_detector(fields, doubts)
    isocenter_mm = None
    primary = secondary = None
    if modality in _BEAM_MODALITIES:
        isocenter_mm = _source_isocenter(fields, detector_mm, doubts)
        primary, secondary = _angles(fields, frame, doubts)
    else:
        _note_ambiguous(fields, doubts)
    geometry = KnownGeometry(
        pixel_pitch_mm=_pitch(fields, size, doubts),
        source_detector_mm=detector_mm,
        source_isocenter_mm=isocenter_mm,
        primary_deg=primary,
        secondary_deg=secondary,
        tube=None,
        patient_orientation=_orientation(fields, doubts),
    )
    _note_tube(fields, doubts)
    return geometry, tuple(doubts)


def _source_detector(fields: FrameFields, doubts: list[Doubt]) -> float | None:
    value = fields.number("DistanceSourceToDetector")
    low, high = SOURCE_DETECTOR_RANGE_MM
    if value is not None and low <= value <= high:
        return value
    if value is None or value == 0:
        doubts.append(Doubt("The file does not tell the distance from source to detector.", "source_detector_mm"))
    else:
        doubts.append(
            Doubt(
                f"The file gives {value:g} mm from source to detector, which no machine has: not taken.",
                "source_detector_mm",
            )
        )
    return None


def _source_isocenter(fields: FrameFields, detector_mm: float | None, doubts: list[Doubt]) -> float | None:
    """Return source to isocentre: stated, or from the magnification, which is their ratio (PS3.3 C.8.7.5)."""
    stated = fields.number("DistanceSourceToIsocenter") or fields.number("DistanceSourceToPatient")
    magnification = fields.number("EstimatedRadiographicMagnificationFactor")
    magnification = magnification if magnification is not None and 1.0 < magnification < 3.0 else None
    if stated and not (0 < stated < (detector_mm or SOURCE_DETECTOR_RANGE_MM[1])):
        doubts.append(
            Doubt(
                f"The file gives {stated:g} mm from source to isocentre, which can't be: not taken.",
                "source_isocenter_mm",
            )
        )
        stated = None
    if not stated and magnification and detector_mm:
        doubts.append(
            Doubt(
                f"The distance from source to isocentre follows from the file's magnification {magnification:g}.",
                "source_isocenter_mm",
            )
        )
        return detector_mm / magnification
    if not stated:
        doubts.append(Doubt("The file does not tell the distance from source to isocentre.", "source_isocenter_mm"))
        return None
    if magnification and detector_mm and abs(detector_mm / stated / magnification - 1.0) > 0.02:
        doubts.append(
            Doubt(
                f"The file contradicts itself: its distances magnify {detector_mm / stated:.3f} times, it says "
                f"{magnification:g}; the distance to the isocentre is not taken.",
                "source_isocenter_mm",
            )
        )
        return None
    return stated


def _angles(fields: FrameFields, frame: int, doubts: list[Doubt]) -> tuple[float | None, float | None]:
    primary, secondary = (
        _angle(fields, f"Positioner{which}Angle", f"Positioner{which}AngleIncrement", frame, limit, doubts)
        for which, limit in (("Primary", 180.0), ("Secondary", 90.0))
    )
    if not primary and not secondary:
        if primary is not None or secondary is not None:
            doubts.append(
                Doubt(
                    "The file gives positioner angles 0 / 0, which mobile C-arms write without measuring: not taken, "
                    "confirm them.",
                    "primary_deg",
                )
            )
        else:
            doubts.append(Doubt("The file does not tell the positioner angles.", "primary_deg"))
        return None, None
    return primary, secondary


def _angle(
    fields: FrameFields, keyword: str, increments: str, frame: int, limit: float, doubts: list[Doubt]
) -> float | None:
    """Return a positioner angle; in a file that turns, the increment counts from the first frame (PS3.17 FFF.2)."""
    angle = fields.number(keyword)
    steps = fields.get(increments)
    if angle is not None and steps is not None and not fields.of_its_own:
        values = list(steps) if hasattr(steps, "__len__") and not isinstance(steps, str) else [steps]
        step = finite(values[frame - 1]) if frame <= len(values) else None
        if step is None and frame > 1:
            doubts.append(
                Doubt(f"The C-arm turned during the run and the file gives no angle of frame {frame}.", "primary_deg")
            )
            return None
        if step:
            doubts.append(
                Doubt(
                    f"The angle of frame {frame} is the first frame's plus its increment of {step:g} deg.",
                    "primary_deg",
                )
            )
            angle += step
    if angle is not None and abs(angle) > limit:
        doubts.append(
            Doubt(f"The file gives a positioner angle of {angle:g} deg, which can't be: not taken.", "primary_deg")
        )
        return None
    return angle


def _note_ambiguous(fields: FrameFields, doubts: list[Doubt]) -> None:
    angles = [fields.number(f"Positioner{which}Angle") for which in ("Primary", "Secondary")]
    if any(angles):
        doubts.append(
            Doubt(
                "The file gives positioner angles of a radiographic unit, of which it is not clear whether they tell "
                "where the tube or the detector stands: not taken.",
                "primary_deg",
            )
        )
    if fields.number("DistanceSourceToPatient"):
        doubts.append(
            Doubt(
                "The file's distance from source to patient is that to the table, not to an isocentre: not taken.",
                "source_isocenter_mm",
            )
        )


def _pitch(fields: FrameFields, size: tuple[int, int], doubts: list[Doubt]) -> tuple[float, float] | None:
    """Return (between columns, between rows) on the detector; DICOM writes rows first (PS3.3 10.7.1.3)."""
    imager, pixel = fields.pair("ImagerPixelSpacing"), fields.pair("PixelSpacing")
    if imager is None:
        if pixel is not None:
            how = fields.text("PixelSpacingCalibrationType")
            where = f"calibrated in the patient ({how})" if how else "of which it doesn't say in which plane"
            doubts.append(
                Doubt(
                    f"The file gives only pixels of {pixel[1]:g} x {pixel[0]:g} mm {where}: not taken.",
                    "pixel_pitch_mm",
                )
            )
        else:
            doubts.append(Doubt("The file does not tell the size of a pixel on the detector.", "pixel_pitch_mm"))
        return None
    pitch = (imager[1], imager[0])
    longest = max(pitch[0] * size[0], pitch[1] * size[1])
    if not DETECTOR_RANGE_MM[0] <= longest <= DETECTOR_RANGE_MM[1]:
        doubts.append(
            Doubt(
                f"Pixels of {pitch[0]:g} x {pitch[1]:g} mm would make a picture of {longest:.0f} mm on the detector, "
                "which can't be: not taken.",
                "pixel_pitch_mm",
            )
        )
        return None
    if pixel is not None and max(abs(a / b - 1.0) for a, b in zip(pixel, imager, strict=True)) > 1e-3:
        doubts.append(
            Doubt(
                f"The file also gives pixels of {pixel[1]:g} x {pixel[0]:g} mm in the patient; those on the detector "
                "are taken.",
                "pixel_pitch_mm",
            )
        )
    _check_field_of_view(fields, pitch, size, doubts)
    if fields.text("XRayReceptorType") == "IMG_INTENSIFIER" or fields.get("IntensifierSize") is not None:
        doubts.append(
            Doubt("An image intensifier bends the picture; without a picture of a calibration grid it stays bent.")
        )
    return pitch


def _check_field_of_view(
    fields: FrameFields, pitch: tuple[float, float], size: tuple[int, int], doubts: list[Doubt]
) -> None:
    """Say so where the stated field of view and the pixels disagree (field = pixels x pitch, PS3.3 C.8.19.6.4.1.2)."""
    stated = fields.get("FieldOfViewDimensionsInFloat") or fields.get("FieldOfViewDimensions")
    if stated is None or isinstance(stated, str):
        return
    values = [finite(v) for v in (stated if hasattr(stated, "__len__") else [stated])]
    widths = [v for v in values if v]
    if not widths:
        return
    seen, told = max(pitch[0] * size[0], pitch[1] * size[1]), max(widths)
    if abs(seen / told - 1.0) > 0.05:
        doubts.append(
            Doubt(
                f"The pixels span {seen:.0f} mm on the detector but the file calls its field {told:.0f} mm wide.",
                "pixel_pitch_mm",
            )
        )


def _orientation(fields: FrameFields, doubts: list[Doubt]) -> tuple[str, str] | None:
    value = fields.get("PatientOrientation")
    if value is not None and not isinstance(value, str) and len(value) == 2:
        along_columns, along_rows = (str(v).strip().upper() for v in value)
        if _LETTERS.issuperset(along_columns + along_rows) and along_columns and along_rows:
            if along_columns[0] == "R":
                doubts.append(
                    Doubt("The picture is mirrored: its columns run to the patient's right.", "patient_orientation")
                )
            return along_columns, along_rows
    flipped = fields.text("FieldOfViewHorizontalFlip") == "YES"
    turned = fields.number("FieldOfViewRotation")
    known = []
    if flipped:
        known.append("flipped")
    if turned:
        known.append(f"turned by {turned:g} deg")
    against = f" It was {' and '.join(known)} against the detector, which does not tell it." if known else ""
    doubts.append(
        Doubt(
            f"The file does not tell on which side of the picture the patient's left lies.{against}",
            "patient_orientation",
        )
    )
    return None


def _note_tube(fields: FrameFields, doubts: list[Doubt]) -> None:
    view = fields.text("ViewPosition")
    hint = {
        "AP": " It calls the view AP: beam from the front, as over the table.",
        "PA": " It calls the view PA: beam from behind, as under the table.",
    }.get(view, "")
    doubts.append(Doubt(f"The file does not tell whether the tube was under or over the table.{hint}", "tube"))
