"""From a patient, a scene and a shot to a picture; the same seed makes the same picture."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from tests.validation.theatre.bodies import BodyParts, ProjectedBody, body_mask, parts_of, projected
from tests.validation.theatre.effects import Physics, Screen, counted, field_mask, shown
from tests.validation.theatre.patients import Patient, make_body
from tests.validation.theatre.picture import Contents, Pairing, TheatrePicture
from tests.validation.theatre.scene import Scene, Tool, draw_scene, line_integrals_of, shadows_of
from tests.validation.theatre.sets import set_of
from tests.validation.theatre.shots import Shot, draw_shot, stated, wrong_camera

TOOLS = (Tool.CUP, Tool.REAMER, Tool.CUP, Tool.NOTHING, Tool.CUP_ON_HANDLE)
SCALE_ERROR = 0.03
DISTANCE_ERROR = 1.01
CENTER_OFF_MM = (3.0, -3.0)


@dataclass
class Theatre:
    """A patient on the table; his body is made anew, prepared once for each energy, and only the last one is kept."""

    patient: Patient
    parts: BodyParts = field(init=False)
    _body: ProjectedBody | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        body, labels = make_body(self.patient.name)
        self.parts = parts_of(body, labels, body_mask(body))

    def body(self, kev: float) -> ProjectedBody:
        """Return the body at an energy."""
        if self._body is None or self._body.kev != kev:
            self._body = None
            heads = {side: (head.center_lps_mm, head.radius_mm) for side, head in self.patient.truth.heads.items()}
            self._body = projected(self.parts, kev, heads)
        return self._body


def seed_of(subject: str, number: int, kind: int = 0) -> int:
    """Return the seed of a picture: from the subject's letter, its number and the kind of set."""
    return 100000 * (ord(subject[0]) - ord("A") + 1) + 1000 * kind + number


def usual_pictures(theatre: Theatre, count: int, pixels: int) -> Iterator[TheatrePicture]:
    """Yield the pictures of a patient: ten views in turn, every fifth with a wrong scale, energies in groups."""
    subject = theatre.patient.name
    own = set_of(subject)
    first = own.first_number(subject)
    for number in sorted(range(first, first + count), key=own.energy_kev):
        rng = np.random.default_rng([seed_of(subject, number), 11])
        choice = own.choices[number % len(own.choices)]
        tool = TOOLS[(number + ord(subject[0])) % len(TOOLS)]
        scene, shot = draw_scene(theatre.patient, rng, tool), draw_shot(theatre.patient, choice, rng, pixels)
        scale = 1.0 + SCALE_ERROR * (-1) ** (number // 5) if number % 5 == 4 else 1.0
        yield take(
            theatre,
            scene,
            shot,
            name=f"{subject}{number:02d}-{choice.view}",
            seed=seed_of(subject, number),
            kev=own.energy_kev(number),
            scale_error=scale,
        )


def wrong_camera_pictures(theatre: Theatre, count: int, pixels: int) -> Iterator[TheatrePicture]:
    """Yield pictures whose detector is 1 % farther away than stated and 3 mm off its middle, either way."""
    own = set_of(theatre.patient.name)
    for number in range(count):
        seed = seed_of(theatre.patient.name, number, kind=1)
        rng = np.random.default_rng([seed, 11])
        choice = own.choices[(0, 1, 2)[number % 3]]
        scene = draw_scene(theatre.patient, rng, TOOLS[number % len(TOOLS)])
        shot = draw_shot(theatre.patient, choice, rng, pixels)
        yield take(
            theatre,
            scene,
            shot,
            name=f"camera-{theatre.patient.name}{number:02d}-{choice.view}",
            seed=seed,
            kev=own.other_kev,
            wrong_detector=True,
        )


def take(
    theatre: Theatre,
    scene: Scene,
    shot: Shot,
    *,
    name: str,
    seed: int,
    kev: float,
    scale_error: float = 1.0,
    wrong_detector: bool = False,
    pairing: Pairing | None = None,
) -> TheatrePicture:
    """Take a picture; physics and screen are drawn from the seed."""
    rng = np.random.default_rng([seed, 12])
    physics = Physics(
        hardening=float(rng.uniform(0.0, 0.03)),
        scatter=float(rng.choice([0.0, rng.uniform(0.1, 0.4)])),
        body_photons=float(np.exp(rng.uniform(np.log(40.0), np.log(400.0)))),
    )
    screen = draw_screen(rng)
    true = wrong_camera(shot.true, DISTANCE_ERROR, CENTER_OFF_MM) if wrong_detector else shot.true
    patient = theatre.patient
    hip = patient.truth.sockets[shot.side].center_lps_mm
    flesh_and_bone, metal = line_integrals_of(scene, theatre.body(kev), true, patient.side)
    metal = metal + shadows_of(scene, true, hip, rng)
    columns, rows = true.size
    usable = field_mask((rows, columns), screen.round_field)
    intensity = counted(np.maximum(flesh_and_bone + metal, 0.0), true.pixel_pitch_mm[0], physics, rng)
    return TheatrePicture(
        name=name,
        subject=patient.name,
        side=shot.side,
        view=shot.choice.view,
        angle_deg=shot.choice.angle_deg,
        grey=shown(intensity, usable, screen, metal > 0.4),
        usable=usable,
        true_carm=true,
        nominal_carm=stated(shot.nominal, scale_error),
        source_isocenter_mm=shot.source_isocenter_mm,
        hip_lps_mm=hip,
        cup=scene.metal if shot.side is patient.side else None,
        contents=Contents(
            scene.tool,
            scene.retractors,
            scene.head_cut,
            kev,
            physics,
            screen,
            scale_error,
            wrong_detector,
        ),
        seed=seed,
        lie_deg=shot.lie_deg,
        pairing=pairing,
    )


def draw_screen(rng: np.random.Generator) -> Screen:
    """Draw how a picture is shown: mostly a logarithm, 8 or 12 bits, either polarity, mostly a round field."""
    logarithm = bool(rng.uniform() < 0.75)
    return Screen(
        logarithm=logarithm,
        # thin parts take up most of the intensities; a machine lets them burn out
        low_percent=float(rng.uniform(0.5, 4.0) if logarithm else rng.uniform(5.0, 20.0)),
        high_percent=float(rng.uniform(98.5, 99.9)),
        # intensity drowns bone in black; a screen brightens it
        exponent=float(rng.uniform(0.8, 1.25) if logarithm else rng.uniform(1.5, 3.0)),
        bits=int(rng.choice([8, 12])),
        bone_light=bool(rng.uniform() < 0.5),
        round_field=bool(rng.uniform() < 0.7),
        spares_metal=bool(rng.uniform() < 0.6),
    )
