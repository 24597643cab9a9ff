"""Pictures that must never be called converged: another patient or hip, a mirror image, a knee, nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from cotyle.image.volume import Volume
from cotyle.space.side import Side
from cotyle.xray.views import ViewName

from tests.validation.theatre.effects import counted, field_mask, shown
from tests.validation.theatre.making import TOOLS, Theatre, seed_of, take
from tests.validation.theatre.matter import mu_per_mm
from tests.validation.theatre.outside_projector import OutsideProjector
from tests.validation.theatre.patients import Patient
from tests.validation.theatre.picture import TheatrePicture
from tests.validation.theatre.scene import Tool, draw_scene
from tests.validation.theatre.sets import ViewChoice, set_of
from tests.validation.theatre.shots import draw_shot, machine_of, nominal_carm


def wrong_pictures(theatre: Theatre, pixels: int) -> Iterator[TheatrePicture]:
    """Yield four wrong pictures of a patient: other hip (two views), a knee, a black one."""
    patient = theatre.patient
    other = Side.LEFT if patient.side is Side.RIGHT else Side.RIGHT
    own = set_of(patient.name)
    for number, choice in enumerate((ViewChoice(ViewName.AP_HIP), own.choices[2])):
        seed = seed_of(patient.name, number, kind=3)
        rng = np.random.default_rng([seed, 11])
        # before the operation: no metal gives the side away
        scene = draw_scene(patient, rng, Tool.NOTHING if number == 0 else TOOLS[number])
        shown_shot = draw_shot(patient, choice, rng, pixels, side=other)
        claimed = draw_shot(patient, choice, rng, pixels)
        picture = take(
            theatre, scene, shown_shot, name=f"wrong-{patient.name}{number:02d}-other-hip", seed=seed, kev=own.other_kev
        )
        yield replace(
            picture,
            side=patient.side,
            nominal_carm=claimed.nominal,
            wrong="the other hip",
            cup=None,
            hip_lps_mm=patient.truth.sockets[patient.side].center_lps_mm,
        )
    seed = seed_of(patient.name, 2, kind=3)
    template = take(
        theatre,
        draw_scene(patient, np.random.default_rng([seed, 11]), Tool.NOTHING),
        draw_shot(patient, ViewChoice(ViewName.AP_HIP), np.random.default_rng([seed, 13]), pixels),
        name=f"wrong-{patient.name}02-knee",
        seed=seed,
        kev=own.other_kev,
    )
    yield knee(template)
    yield black(replace(template, name=f"wrong-{patient.name}03-black"))


def mirrored(picture: TheatrePicture) -> TheatrePicture:
    """Return a picture with left and right exchanged on the screen."""
    return replace(
        picture,
        name=f"mirrored-{picture.name}",
        grey=np.ascontiguousarray(picture.grey[:, ::-1]),
        usable=np.ascontiguousarray(picture.usable[:, ::-1]),
        contents=replace(picture.contents, mirrored=True),
        wrong="mirrored",
        cup=None,
        pairing=None,
    )


def as_if_of(picture: TheatrePicture, patient: Patient) -> TheatrePicture:
    """Return a picture as if it were one of another patient: what it is then registered to is that one's scan."""
    columns, _ = picture.true_carm.size
    choice = ViewChoice(picture.view, picture.nominal_carm.pixel_pitch_mm[0] * columns > 350.0, picture.angle_deg)
    machine = machine_of(set_of(patient.name).detector, choice, columns, picture.source_isocenter_mm)
    return replace(
        picture,
        name=f"stranger-{picture.name}-as-{patient.name}",
        subject=patient.name,
        side=patient.side,
        nominal_carm=nominal_carm(patient, choice, patient.side, machine),
        hip_lps_mm=patient.truth.sockets[patient.side].center_lps_mm,
        wrong=f"patient {picture.subject}",
        cup=None,
        pairing=None,
    )


def black(picture: TheatrePicture) -> TheatrePicture:
    """Return the picture of a beam that was never on: noise of the electronics."""
    rng = np.random.default_rng([picture.seed, 14])
    levels = 2**picture.contents.screen.bits
    noise = rng.normal(0.02 * levels, 0.006 * levels, picture.grey.shape)
    grey = np.clip(np.rint(noise), 0, levels - 1) * picture.usable
    return replace(picture, grey=grey.astype(np.uint16), wrong="black", cup=None)


def knee(picture: TheatrePicture) -> TheatrePicture:
    """Return the picture of a knee of plain bodies: shaft, condyles, tibia, fibula, kneecap in flesh."""
    mu = _knee_mu(picture)
    rng = np.random.default_rng([picture.seed, 15])
    carm, contents = picture.true_carm, picture.contents
    integrals = OutsideProjector(mu).project(carm).astype(float)
    columns, rows = carm.size
    usable = field_mask((rows, columns), contents.screen.round_field)
    grey = shown(counted(integrals, carm.pixel_pitch_mm[0], contents.physics, rng), usable, contents.screen)
    return replace(picture, grey=grey, usable=usable, wrong="a knee", cup=None)


# centre and half axes (left, posterior, superior) in mm, CT number that it has
_FLESH = ((0, 0, 0), (75, 80, 400), 40)
_BONES = (
    ((0, 0, 90), (15, 15, 85), 1000),
    ((0, 0, 90), (7, 7, 80), 0),
    ((22, 5, 12), (24, 32, 22), 420),
    ((-22, 5, 12), (24, 32, 22), 420),
    ((0, -5, 35), (26, 20, 30), 400),
    ((0, 5, -30), (40, 26, 18), 380),
    ((3, 3, -110), (14, 15, 85), 950),
    ((3, 3, -110), (7, 7, 80), 0),
    ((-38, 12, -110), (6, 6, 90), 700),
    ((0, -42, 25), (21, 10, 22), 450),
)


KNEE = (_FLESH, *_BONES)
"""The bodies of a knee."""


def _knee_mu(picture: TheatrePicture) -> Volume:
    step = 1.5
    line = [np.arange(-n, n + step / 2, step) for n in (105.0, 81.0, 78.0)]
    z, y, x = np.meshgrid(*line, indexing="ij", sparse=True)
    kev = picture.contents.kev
    water, bone = mu_per_mm("water", kev), mu_per_mm("cortical_bone", kev)
    mu = np.zeros((len(line[0]), len(line[1]), len(line[2])), dtype=np.float32)
    for center, half, hu in KNEE:
        level = sum(
            ((axis - middle) / length) ** 2 for axis, middle, length in zip((x, y, z), center, half, strict=True)
        )
        mu[np.asarray(level) < 1.0] = water + max(hu, 0) / 1500.0 * (bone - water)
    affine = np.diag([step, step, step, 1.0])
    affine[:3, 3] = picture.hip_lps_mm + np.array([line[2][0], line[1][0], line[0][0]])
    return Volume(mu, affine)
