"""Codes of what is written: those of SNOMED CT and DICOM where they exist, else our own."""

from __future__ import annotations

from dataclasses import dataclass

from cotyle.cup.orientation import Definition
from cotyle.space.side import Side

OWN = "99COTYLE"
"""Designator of our own codes; docs/methods/dicom_out.md lists them."""

OWN_NAME = "Codes of Cotyle, research software; listed in docs/methods/dicom_out.md"

_LONGEST_VALUE, _LONGEST_MEANING = 16, 64


@dataclass(frozen=True)
class Code:
    """A coded concept: value (at most 16 characters), scheme, meaning (at most 64)."""

    value: str
    scheme: str
    meaning: str

    def __post_init__(self) -> None:
        if len(self.value) > _LONGEST_VALUE or len(self.meaning) > _LONGEST_MEANING:
            raise ValueError(f"{self.value}: {self.meaning} is too long for DICOM")


def own(value: str, meaning: str) -> Code:
    """Return a code of our own."""
    return Code(value, OWN, meaning)


# units, UCUM
MM = Code("mm", "UCUM", "mm")
DEG = Code("deg", "UCUM", "degree")
ML = Code("ml", "UCUM", "ml")
ONE = Code("1", "UCUM", "no units")
PERCENT = Code("%", "UCUM", "Percent")
PIXELS = Code("{pixels}", "UCUM", "pixels")  # an annotation, UCUM 3.1: counts without a unit

# SNOMED CT, as in the dictionary of DICOM PS3.16
SIDES = {Side.LEFT: Code("7771000", "SCT", "Left"), Side.RIGHT: Code("24028007", "SCT", "Right")}
YES, NO = Code("373066001", "SCT", "Yes"), Code("373067005", "SCT", "No")
ANATOMICAL_STRUCTURE = Code("91723000", "SCT", "Anatomical Structure")
PHYSICAL_OBJECT = Code("260787004", "SCT", "Physical object")
PELVIS = Code("118645006", "SCT", "Pelvis")
SACRUM = Code("54735007", "SCT", "Sacrum")
COCCYX = Code("64688005", "SCT", "Coccyx")
FEMUR = Code("71341001", "SCT", "Femur")
IMPLANT = Code("40388003", "SCT", "Implant")
HIP_JOINT = Code("24136001", "SCT", "Hip joint")
ACETABULUM = Code("37783008", "SCT", "Acetabulum")
ILIUM = Code("22356005", "SCT", "Ilium")
ISCHIUM = Code("85710004", "SCT", "Ischium")
SACROILIAC_JOINT = Code("39723000", "SCT", "Sacroiliac joint")
SYMPHYSIS = Code("82561000", "SCT", "Symphysis pubis")
CT_IMAGING = Code("25045-6", "LN", "CT unspecified body region")  # CID 100 knows no CT of the pelvis
X_RAY_IMAGING = Code("43468-8", "LN", "XR unspecified body region")
DIAMETER = Code("81827009", "SCT", "Diameter")
MEAN = Code("373098007", "SCT", "Mean")
STANDARD_DEVIATION = Code("386136009", "SCT", "Standard Deviation")
UNCERTAINTY = Code("371884006", "SCT", "+/-, range of measurement uncertainty")

# DICOM's own
HIP_CENTER = Code("112303", "DCM", "Acetabular Center of Rotation")
CUP_SHELL = Code("112305", "DCM", "Acetabular Cup Shell")
SOURCE_TO_DETECTOR = Code("113750", "DCM", "Distance Source to Detector")
COMMENT = Code("121106", "DCM", "Comment")
QUALITATIVE = Code("C0034375", "UMLS", "Qualitative Evaluations")
PLANNING_INTENT = Code("129013", "DCM", "Planning Intent")

FRAMES = {
    "app": ("APP", "anterior pelvic plane"),
    "supine": ("SUP", "supine frame"),
    "standing": ("STA", "standing frame"),
}
"""Short and long words of a frame."""

DEFINITIONS = {Definition.RADIOGRAPHIC: "R", Definition.OPERATIVE: "O", Definition.ANATOMIC: "A"}

# our own that are no numbers
HIP_SIDE = own("HIP-SIDE", "Side of the hip")
VERDICT = own("VERDICT", "Verdict on the plan")
VERDICT_WORDS = own("VERDICT-WORDS", "Verdict on the plan, in words")
HIP_VERDICTS = {side: own(f"VERDICT-{side.upper()}", f"Verdict on what was found of the {side} hip") for side in Side}
WARNING = own("WARNING", "Warning")
DATES = own("DATES", "What the dates in this object are")
GRADES = {
    "sound": own("SOUND", "Sound"),
    "check": own("CHECK", "Check the points"),
    "cannot_plan": own("CANNOT-PLAN", "Cannot be planned automatically"),
}
BREACHED = own("WALL-BREACHED", "Cavity goes through the inner wall")
CROWE = own("CROWE", "Crowe group of the hip")
CROWE_GROUPS = {name: own(f"CROWE-{name}", f"Crowe {name}") for name in ("I", "II", "III", "IV")}
ENGAGES = own("REAMER-ENGAGES", "What of the bone the reamer engages")
ORIGIN = own("ORIGIN", "How a landmark was found")
ORIGINS = {
    "detected": own("DETECTED", "Detected on the surface of the bone"),
    "given": own("GIVEN", "Given by the user"),
    "extrapolated": own("EXTRAPOLATED", "Extrapolated beyond the scan"),
}
FRAME = own("FRAME", "Frame in which angles count")
FRAME_ORIGIN = own("FRAME-ORIGIN", "Origin of the frame")
REAMER = own("REAMER", "Acetabular reamer")
REAMER_START = own("REAMER-START", "Center of the reamer where it starts")
REAMER_END = own("REAMER-END", "Center of the reamer where it stops")
PRESS_FIT = own("PRESS-FIT", "Press-fit")
BONE_COVER = own("COVERAGE", "Cover of the cup by host bone")
HIP_SHIFT = own("SHIFT", "Shift of the hip center by the plan")
INNER_WALL = own("WALL", "Inner wall of the pelvis behind the cavity")
WALL_VIEW = own("WALL-VIEW", "C-arm view that shows the least wall")
CHECK_POINT = own("CHECK-POINT", "Point to check before the plan is used")
CHECK_WORDS = own("CHECK-WORDS", "What to check there")
CUP_CENTER = own("CUP-CENTER", "Center of the planned cup")
WALL_LEAST_AT = own("WALL-LEAST-AT", "Where the remaining wall is least")
PICTURE = own("XRAY-VIEW", "Simulated X-ray view")
XRAY_SOURCE = own("XRAY-SOURCE", "Focal spot of the X-ray tube")
XRAY_DETECTOR = own("XRAY-DETECTOR", "Center of the detector's pixel (0, 0)")
PITCH = own("XRAY-PITCH", "Distance of neighboring pixels on the detector")

LANDMARKS = {
    "asis": (own("LM-ASIS", "Anterior superior iliac spine"), ILIUM),
    "pubic_tubercle": (own("LM-TUBERCLE", "Pubic tubercle"), PELVIS),
    "psis": (own("LM-PSIS", "Posterior superior iliac spine"), ILIUM),
    "ischial_tuberosity": (own("LM-ISCHIAL", "Lowest point of the ischial tuberosity"), ISCHIUM),
    "teardrop": (own("LM-TEARDROP", "Teardrop of the acetabulum"), ACETABULUM),
    "hip_center": (HIP_CENTER, HIP_JOINT),
    "superolateral_rim": (own("LM-RIM", "Superolateral rim of the acetabulum"), ACETABULUM),
    "si_joint_inferior": (own("LM-SI-JOINT", "Lower end of the sacroiliac joint"), SACROILIAC_JOINT),
    "symphysis": (own("LM-SYMPHYSIS", "Pubic symphysis"), SYMPHYSIS),
    "sacrum_midline": (own("LM-SACRUM", "Midline of the sacrum"), SACRUM),
    "coccyx_tip": (own("LM-COCCYX", "Tip of the coccyx"), COCCYX),
}
"""By name without its side: what a landmark is, and the site it lies at."""
