"""Faulty CT series, each generated, with what must come of it: the table a stranger can hold against the reader.

The shape in each is a ball of 24 mm radius (57.906 ml, 48 mm across; closed form) with three denser marks inside, to
the left, to the back and to the top. A series ends right (volume to 1 %, length to 0.1 mm, marks where they belong,
with their HU) or is refused with a stable code and a sentence that says where and how much. The faults are those on
which general readers were seen to go wrong, up to 85 % of the volume, without an exception.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from pydicom.uid import JPEGLSLossless, RLELossless

from tests.image.dicom_phantom import marked_sphere_hu, tilted_slices
from tests.reliability.faulty_series import (
    Slices,
    Writer,
    all_without,
    both_blocks,
    compressed,
    cut_short,
    doubled,
    each,
    lying,
    metal,
    monochrome1,
    moved,
    named,
    negative_as_unsigned,
    nothing,
    oblique,
    oblong,
    one,
    pelvis_sized,
    scaled,
    tilted_with_a_gap,
    twelve_bit,
    two,
    two_halves,
    whole,
    with_scout,
    without,
)

RIGHT = "right"


@dataclass(frozen=True)
class Defect:
    """One series.

    Parameters
    ----------
    name:
        What is wrong with it.
    make:
        Returns its slices, or a function that writes them into a folder.
    plain, repaired:
        How it ends without and with ``--repair``: ``right``, or the code it is refused with.
    says:
        A pattern that the refusal, or the note, holds: where, how much.
    notes:
        Codes that go with a right result.
    within_mm:
        Error of a length allowed after a repair; more than 0.1 only where it ends in slices that were interpolated.
        What a missing slice held is not in its neighbours: interpolation by cubics (monotone, and through four slices),
        tried on the same series, leaves 0.16 to 0.24 mm where the straight line leaves 0.13 to 0.27 mm.
    """

    name: str
    make: Callable[[], Slices | Writer]
    plain: str = RIGHT
    repaired: str = RIGHT
    says: str = ""
    notes: tuple[str, ...] = ()
    within_mm: float = 0.1
    series: int | None = None


# fmt: off
DEFECTS = (
    Defect("regular, shuffled", whole),
    Defect("one slice missing", lambda: without(20),
           "series-gap", says=r"1 slice is missing between z = -12\.50 and -10\.50 mm \(gap 2\.00 mm\)"),
    Defect("five slices missing", lambda: without(5, 9, 20, 33, 50),
           "series-gap", says=r"5 slices are missing .*gap 2\.00 mm", within_mm=0.3),
    Defect("five neighbouring slices missing", lambda: without(*range(20, 25)),
           "series-gap", says=r"5 slices are missing .*gap 6\.00 mm"),
    Defect("a gap too wide to fill", lambda: without(*range(20, 32)), "series-gap", "series-gap", r"gap 13\.00 mm"),
    Defect("one slice twice", doubled, notes=("series-duplicate",), says=r"z = -11\.50 mm"),
    Defect("two pictures at one place", lambda: doubled(differs=True),
           *["series-duplicate-differs"] * 2, r"z = -11\.50 mm"),
    Defect("scout under the same UID", lambda: with_scout(["ORIGINAL", "PRIMARY", "LOCALIZER"]),
           notes=("series-scout-split",), says="1 image of a scout"),
    Defect("foreign orientation under the same UID", lambda: with_scout(["ORIGINAL", "PRIMARY", "AXIAL"]),
           notes=("series-split",), says=r"90\.0 deg away"),
    Defect("gantry tilt of 12 deg", lambda: tilted_slices(12.0, marked_sphere_hu),
           "series-tilt", says=r"gantry tilt of 12\.0 deg"),
    Defect("gantry tilt of -17 deg", lambda: tilted_slices(-17.0, marked_sphere_hu),
           "series-tilt", says=r"gantry tilt of 17\.0 deg"),
    Defect("tilt of 12 deg and a slice missing", tilted_with_a_gap,
           "series-gap", says=r"1 slice is missing .*gap 1\.96 mm"),
    Defect("positions off by 0.5 % of the spacing", lambda: moved(0.005)),
    Defect("positions off by 3 % of the spacing", lambda: moved(0.03),
           notes=("series-jitter",), says=r"vary by up to 0\.0\d\d mm"),
    Defect("positions off by 30 % of the spacing", lambda: moved(0.3),
           "series-uneven", says=r"gaps of 0\.\d\d to 1\.\d\d mm", within_mm=0.15),
    Defect("spacing of 1 mm, then 2 mm", both_blocks,
           "series-uneven", says=r"1\.00 mm from z = -32\.00 .*then 2\.00 mm", within_mm=0.25),
    Defect("one slice without position", lambda: one(20, ImagePositionPatient=None),
           "series-no-position", says="has no position"),
    Defect("one position not a number", lambda: one(20, ImagePositionPatient=["0", "nan", "3"]),
           "series-position-nan", says="not a number"),
    Defect("no positions", lambda: all_without("ImagePositionPatient"),
           *["series-no-position"] * 2, "have no position"),
    Defect("no orientation", lambda: all_without("ImageOrientationPatient"),
           *["series-no-orientation"] * 2, "have no orientation"),
    Defect("no pixel spacing", lambda: all_without("PixelSpacing"),
           *["series-pixel-spacing"] * 2, "no usable pixel spacing"),
    Defect("pixel spacing of zero", lambda: each(whole(), PixelSpacing=[0, 0]),
           *["series-pixel-spacing"] * 2, "no usable pixel spacing"),
    Defect("pixels 0.5 mm high and 1 mm wide", oblong),
    Defect("pixel spacing of metres", lambda: each(whole(), PixelSpacing=[1000, 1000]),
           *["series-pixel-spacing"] * 2, "64000 mm"),
    Defect("slope and intercept differ by slice", lambda: scaled([(0.5, -1000), (1.5, -900), (1, 0)]),
           notes=("series-rescale-varies",), says="differ between slices"),
    Defect("no slope and intercept", lambda: all_without("RescaleSlope"), *["series-rescale"] * 2, "no slope and"),
    Defect("slope not a number in one slice", lambda: one(20, RescaleSlope="nan"),
           *["series-rescale"] * 2, "no slope and"),
    Defect("slope of zero", lambda: each(whole(), RescaleSlope=0), *["series-rescale"] * 2, "no slope and"),
    Defect("12 bits stored, unsigned", lambda: twelve_bit(wrong_sign=False)),
    Defect("12 bits wrapped by a wrong sign", lambda: twelve_bit(wrong_sign=True),
           *["series-pixel-sign"] * 2, "darker than air inside itself"),
    Defect("negative values called unsigned", negative_as_unsigned, *["series-pixel-sign"] * 2, r"6\d{4} HU"),
    Defect("metal of 3,071 HU", lambda: metal(3071)),
    Defect("metal of 20,000 HU", lambda: metal(20_000)),
    Defect("metal of 30,000 HU", lambda: metal(30_000)),
    Defect("metal of 33,000 HU, unsigned", lambda: metal(33_000)),
    Defect("MONOCHROME1", lambda: monochrome1(inverted=False),
           notes=("series-monochrome1",), says="high values dark"),
    Defect("MONOCHROME1, pixels inverted too", lambda: monochrome1(inverted=True),
           *["series-inverted"] * 2, "stored inverted"),
    Defect("head first, prone", lambda: lying((-1, 0, 0), (0, -1, 0), "HFP")),
    Defect("feet first, supine", lambda: lying((-1, 0, 0), (0, 1, 0), "FFS")),
    Defect("feet first, prone", lambda: lying((1, 0, 0), (0, -1, 0), "FFP")),
    Defect("decubitus, left side down", lambda: lying((0, -1, 0), (1, 0, 0), "HFDL")),
    Defect("decubitus, right side down", lambda: lying((0, 1, 0), (-1, 0, 0), "HFDR")),
    Defect("coronal slices", lambda: lying((1, 0, 0), (0, 0, -1), "HFS")),
    Defect("oblique slices", oblique),
    Defect("two series in one folder", lambda: two(lambda s: s),
           *["series-several"] * 2, "1: .*, 64 slices; 2: .*, 64 slices"),
    Defect("two series, one chosen", lambda: two(lambda s: s), series=2),
    Defect("two kernels under one UID", lambda: two(lambda s: each(s, ConvolutionKernel="B30"), same_uid=True),
           *["series-several"] * 2, "2 series"),
    Defect("two phases under one UID", lambda: two(lambda s: each(s, AcquisitionNumber=2), same_uid=True),
           *["series-several"] * 2, "2 series"),
    Defect("half of the slices under another UID", two_halves,
           *["series-several"] * 2, "40 slices.*24 slices"),
    Defect("one slice", lambda: whole()[:1], *["series-single-slice"] * 2, "a single slice"),
    Defect("empty folder", nothing, *["series-none"] * 2, "0 files"),
    Defect("pixels cut short in one file", cut_short, *["series-pixels"] * 2, "cut short"),
    Defect("rows and columns of 65,535", lambda: each(whole(), Rows=65535, Columns=65535),
           *["image-too-large"] * 2, "65535"),
    Defect("rows of zero", lambda: each(whole(), Rows=0), *["series-pixel-format"] * 2, "64 x 0"),
    Defect("two thousand million frames in one file", lambda: one(20, NumberOfFrames=2_000_000_000),
           "series-gap", says="1 slice is missing"),
    Defect("name in Latin 1", lambda: named("Sample^Søren Ångström", "ISO_IR 100")),
    Defect("name in Japanese", lambda: named("Sample^Anna=山田^花子", ["", "ISO 2022 IR 87"])),
    Defect("name in Korean", lambda: named("Sample^Anna=김^안나", ["", "ISO 2022 IR 149"])),
    Defect("name in Chinese", lambda: named("Sample^Anna=王^小东", "GB18030")),
    Defect("unknown character set", lambda: named("Sample^Anna", "ISO 999")),
    Defect("compressed with loss before", lambda: each(whole(), LossyImageCompression="01"),
           notes=("series-lossy",), says="compressed with loss"),
    Defect("JPEG-LS", lambda: compressed(JPEGLSLossless)),
    Defect("RLE", lambda: compressed(RLELossless)),
)
"""Rows without a field of their own are read whole, as they are."""

COVERAGE = (
    Defect("a whole pelvis, coarse", lambda: pelvis_sized(32)),
    Defect("half a field of view", lambda: pelvis_sized(16),
           *["series-coverage"] * 2, r"128 mm from left to right \(at least 200 are needed\)"),
    Defect("top third only", lambda: pelvis_sized(32)[:20], *["series-coverage"] * 2, r"50 mm from top to bottom"),
)
"""Whether a hip can be planned on what reads right."""

# fmt: on
