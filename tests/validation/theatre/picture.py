"""One picture of the theatre with its truth, and its file."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.cup.component import Cup
from cotyle.files import atomic_path
from cotyle.space.arrays import Array
from cotyle.space.side import Side
from cotyle.xray.carm import CArm, Tube
from cotyle.xray.pictures.field import find_field
from cotyle.xray.pictures.radiograph import KnownGeometry, Radiograph
from cotyle.xray.views import ViewName

from tests.validation.theatre.effects import Physics, Screen, attenuation_of
from tests.validation.theatre.scene import Tool
from tests.validation.theatre.sets import set_of


@dataclass(frozen=True)
class Contents:
    """What is in a picture and what was done to it.

    scale_error: stated over true pitch; 1 where it is right. wrong_camera: whether the true detector is not where it is
    stated. mirrored: left and right exchanged on the screen.
    """

    tool: Tool
    retractors: int
    head_cut: bool
    kev: float
    physics: Physics
    screen: Screen
    scale_error: float = 1.0
    wrong_camera: bool = False
    mirrored: bool = False


@dataclass(frozen=True)
class Pairing:
    """Two pictures of one moment: ``motion`` is the rigid 4x4 of the C-arm from the first picture to the second.

    It is written in the first camera's own axes (columns, rows, columns x rows; origin in the source), as a machine
    could tell it: see :func:`tests.validation.theatre.pairs.follow`.
    """

    name: str
    number: int
    motion: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, eq=False)
class TheatrePicture:
    """A simulated picture of the theatre.

    Parameters
    ----------
    name, subject, side, view:
        ``subject`` is the patient whose scan it goes with by its file, ``side`` the hip it is said to show, ``view``
        the name by which it was taken; ``angle_deg`` the view's own angle.
    grey:
        Levels on the screen, uint16, shape (rows, columns).
    usable:
        Pixels that see the beam.
    true_carm:
        Where source and detector were, in the scan's LPS.
    nominal_carm:
        What the view's name and the stated machine alone tell: the pose to start from.
    source_isocenter_mm:
        Of the machine, as stated.
    hip_lps_mm:
        True centre of the hip of ``side``.
    cup:
        True cup or reamer in the socket, None where there is none.
    wrong:
        Why it must not be called converged; empty for a right one.
    lie_deg:
        Turn of the patient against the level pelvis.
    """

    name: str
    subject: str
    side: Side
    view: ViewName
    angle_deg: float | None
    grey: npt.NDArray[np.uint16]
    usable: npt.NDArray[np.bool_]
    true_carm: CArm
    nominal_carm: CArm
    source_isocenter_mm: float
    hip_lps_mm: Array
    cup: Cup | None
    contents: Contents
    seed: int
    lie_deg: float
    wrong: str = ""
    pairing: Pairing | None = field(default=None)

    @property
    def radiograph(self) -> Radiograph:
        """The picture as Cotyle takes it: as shown, larger for more matter, with the stated geometry.

        Raises
        ------
        InputError
            ``picture-empty`` where Cotyle finds the field itself and finds none.
        """
        carm = self.nominal_carm
        known = KnownGeometry(
            pixel_pitch_mm=carm.pixel_pitch_mm,
            source_detector_mm=carm.source_detector_mm,
            source_isocenter_mm=self.source_isocenter_mm,
            tube=Tube.UNDER_TABLE,
        )
        screen = self.contents.screen
        if not set_of(self.subject).finds_field:
            return Radiograph(attenuation_of(self.grey, self.usable, screen), self.usable, known, modality="XA")
        # outside the field the screen is black, whatever the polarity
        shown = attenuation_of(self.grey, np.ones_like(self.usable), screen)
        return Radiograph(shown, find_field(shown).usable, known, modality="XA")

    @property
    def depth_is_judged(self) -> bool:
        """Whether the stated geometry lets the depth be known: not with a wrong pitch or camera."""
        return self.contents.scale_error == 1.0 and not self.contents.wrong_camera

    def scaled_down(self, factor: int) -> TheatrePicture:
        """Return it with blocks of ``factor`` x ``factor`` pixels averaged, for quick trials."""
        columns, rows = (n // factor for n in self.true_carm.size)
        block = self.grey[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
        usable = self.usable[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
        cut = (columns * factor, rows * factor)
        cameras = (each.cropped((0, 0), cut).resized((columns, rows)) for each in (self.true_carm, self.nominal_carm))
        true, nominal = cameras
        return replace(
            self,
            grey=np.rint(block.mean(axis=(1, 3))).astype(np.uint16),
            usable=np.asarray(usable.all(axis=(1, 3))),
            true_carm=true,
            nominal_carm=nominal,
        )


def write_picture(picture: TheatrePicture, folder: Path) -> Path:
    """Write NAME.npz (grey levels, field) and NAME.json (all else); returns the latter."""
    with atomic_path(folder / f"{picture.name}.npz") as path:
        packed = np.packbits(picture.usable)
        np.savez_compressed(path, grey=picture.grey, usable=packed)
    plain = _plain(picture)
    with atomic_path(folder / f"{picture.name}.json") as path:
        path.write_text(json.dumps(plain, indent=1), encoding="utf-8")
    return folder / f"{picture.name}.json"


def read_picture(path: Path) -> TheatrePicture:
    """Read what :func:`write_picture` wrote, given its JSON."""
    plain = json.loads(path.read_text(encoding="utf-8"))
    with np.load(path.with_suffix(".npz")) as arrays:
        grey, packed = arrays["grey"], arrays["usable"]
    usable = np.unpackbits(packed, count=grey.size).astype(bool).reshape(grey.shape)
    contents = plain["contents"]
    cup, pairing = plain["cup"], plain["pairing"]
    side = Side(plain["side"])
    return TheatrePicture(
        name=plain["name"],
        subject=plain["subject"],
        side=side,
        view=ViewName(plain["view"]),
        angle_deg=plain["angle_deg"],
        grey=grey,
        usable=usable,
        true_carm=_carm(plain["true_carm"]),
        nominal_carm=_carm(plain["nominal_carm"]),
        source_isocenter_mm=plain["source_isocenter_mm"],
        hip_lps_mm=np.array(plain["hip_lps_mm"]),
        cup=None if cup is None else Cup(side, cup["center_lps_mm"], cup["axis_lps"], cup["outer_diameter_mm"]),
        contents=Contents(
            **{
                **contents,
                "tool": Tool(contents["tool"]),
                "physics": Physics(**contents["physics"]),
                "screen": Screen(**contents["screen"]),
            }
        ),
        seed=plain["seed"],
        lie_deg=plain["lie_deg"],
        wrong=plain["wrong"],
        pairing=None
        if pairing is None
        else Pairing(pairing["name"], pairing["number"], tuple(tuple(row) for row in pairing["motion"])),
    )


def load_pictures(folder: Path) -> tuple[TheatrePicture, ...]:
    """Return all pictures of a folder in the order of their names."""
    return tuple(iterate_pictures(folder))


def iterate_pictures(folder: Path) -> Iterator[TheatrePicture]:
    """Yield them one by one."""
    for path in sorted(Path(folder).glob("*.json")):
        yield read_picture(path)


def _plain(picture: TheatrePicture) -> dict[str, Any]:
    cup = picture.cup
    return {
        "name": picture.name,
        "subject": picture.subject,
        "side": str(picture.side),
        "view": str(picture.view),
        "angle_deg": picture.angle_deg,
        "true_carm": _plain_carm(picture.true_carm),
        "nominal_carm": _plain_carm(picture.nominal_carm),
        "source_isocenter_mm": picture.source_isocenter_mm,
        "hip_lps_mm": [float(each) for each in picture.hip_lps_mm],
        "cup": None
        if cup is None
        else {
            "center_lps_mm": cup.center_lps_mm.tolist(),
            "axis_lps": cup.opening_axis_lps.tolist(),
            "outer_diameter_mm": cup.outer_diameter_mm,
        },
        "contents": asdict(picture.contents),
        "seed": picture.seed,
        "lie_deg": picture.lie_deg,
        "wrong": picture.wrong,
        "pairing": None if picture.pairing is None else asdict(picture.pairing),
    }


def _plain_carm(carm: CArm) -> dict[str, Any]:
    vectors = ("source_lps_mm", "detector_origin_lps_mm", "column_direction_lps", "row_direction_lps")
    return {
        **{name: getattr(carm, name).tolist() for name in vectors},
        "pixel_pitch_mm": list(carm.pixel_pitch_mm),
        "size": list(carm.size),
        "tube": str(carm.tube),
    }


def _carm(plain: dict[str, Any]) -> CArm:
    return CArm(
        **{
            **plain,
            "pixel_pitch_mm": tuple(plain["pixel_pitch_mm"]),
            "size": tuple(plain["size"]),
            "tube": Tube(plain["tube"]),
        }
    )
