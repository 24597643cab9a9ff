"""Measures how often polarity, round field and blades are found on simulated pictures of pelves.

    python -m tests.xray.pictures.measure [--pictures 150] [--subjects 11 12]

The pictures are views of synthetic subjects (sample_data) with and without a metal shell and a retractor, shown in
ways drawn at random: polarity, log or intensity, window, gamma 0.6 to 1.6, exposure, blur, round field, blades. The
subjects 1, 2 and 3 set the weights and limits of the code; others measure it. Figures: docs/methods/pictures.md.
"""

import argparse
from dataclasses import replace

import numpy as np
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.display import Display, Polarity, Scale, render, round_field_mask
from cotyle.xray.pictures.field import find_field
from cotyle.xray.pictures.polarity import SURE, grey_evidence
from cotyle.xray.projector.reference import line_integrals
from cotyle.xray.solids import shell_chords_mm
from cotyle.xray.views import C_ARM, FILM, named_view
from cotyle_sample import Posture, Variant, make_subject, scan
from scipy import ndimage

SIZE = 512
VIEWS = ("ap_hip", "ap_pelvis", "obturator_oblique", "iliac_oblique", "inlet", "cross_table_lateral")
METAL_PER_MM = 0.3  # about titanium at 60 keV, NIST XAAMDI
Y, X = np.mgrid[:SIZE, :SIZE]
MIDDLE = (SIZE - 1) / 2.0


def integrals_of(seeds):
    """Line integrals with and without a shell."""
    made = []
    for seed in seeds:
        side = (Side.LEFT, Side.RIGHT)[seed % 2]
        subject = make_subject(seed=seed, variant=Variant.WORN, affected_side=side)
        posture = Posture(*np.random.default_rng(seed).normal(0.0, 5.0, 3))
        volume, truth = scan(subject, posture, seed=seed, voxel_mm=(1.5, 1.5, 1.5))
        points = {name: getattr(mark, "lps_mm", mark) for name, mark in truth.landmarks.items()}
        for name in VIEWS:
            machine = replace(FILM if name == "ap_pelvis" else C_ARM, size=(SIZE, SIZE))
            carm = named_view(name, SCANNER, points, side, machine).carm
            plain = line_integrals(volume, carm)
            axis = np.array([side.lateral_sign * 0.62, -0.25, -0.74])
            rim = Circle(np.asarray(points[f"hip_center_{side}"]), axis / np.linalg.norm(axis), 27.0)
            made += [plain, plain + METAL_PER_MM * shell_chords_mm(carm, rim, 4.0)]
    return made


def picture(integrals, rng):
    """One picture as some screen would show it, its polarity, and its field without blades."""
    made = integrals.copy()
    if rng.random() < 0.3:  # a retractor or rod
        turn, at = rng.uniform(0.0, np.pi), rng.uniform(50, SIZE - 50, 2)
        across = (X - at[0]) * np.cos(turn) + (Y - at[1]) * np.sin(turn)
        along = -(X - MIDDLE) * np.sin(turn) + (Y - MIDDLE) * np.cos(turn)
        made += 4.0 * ((np.abs(across) < rng.uniform(4, 14)) & (along > rng.uniform(60, 200)))
    made = ndimage.gaussian_filter(made, rng.uniform(0.7, 1.5))
    polarity, scale = Polarity(rng.choice(list(Polarity))), Scale(rng.choice(list(Scale)))
    seen = made[made > 0.05 * made.max()]
    window = tuple(np.percentile(seen, [rng.uniform(0, 25), rng.uniform(97, 100)]))
    photons = 10.0 ** rng.uniform(2.8, 4.5) * np.exp(np.median(seen))
    is_round = rng.random() < 0.6
    grey = render(made, Display(polarity, scale, window, photons, is_round), int(rng.integers(1e6)))
    inside = round_field_mask(grey.shape) if is_round else np.ones(grey.shape, dtype=bool)
    curved = np.rint(255.0 * (grey / 255.0) ** rng.uniform(0.6, 1.6))
    return np.where(inside, curved, 0.0), polarity, inside, is_round


def bladed(grey, polarity, inside, rng):
    """One to three blades, as attenuating as the most attenuating of the body or more."""
    made, kept = grey.astype(float), inside.copy()
    level = rng.uniform(0.0, 40.0)
    level = 255.0 - level if polarity is Polarity.BONE_LIGHT else level
    first, tilt, count = int(rng.integers(4)), rng.uniform(-0.3, 0.3), int(rng.integers(1, 4))
    for n in range(count):
        turn = (0.0, np.pi, np.pi / 2, -np.pi / 2)[(first + n) % 4] + tilt
        beyond = (X - MIDDLE) * np.cos(turn) + (Y - MIDDLE) * np.sin(turn) - rng.uniform(130, 210)
        weight = np.where(inside, 1.0 / (1.0 + np.exp(-beyond / rng.uniform(0.8, 2.0))), 0.0)
        made = made * (1.0 - weight) + weight * (level + rng.normal(0.0, 3.0, made.shape))
        kept &= beyond < 0
    return np.clip(np.rint(made), 0, 255), kept, count


def main():
    """Print the figures."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--pictures", type=int, default=150)
    parser.add_argument("--subjects", type=int, nargs="+", default=[11, 12])
    given = parser.parse_args()
    rng, bodies = np.random.default_rng(5), integrals_of(given.subjects)
    right, fields, lost, found_blades, spilt = [], [], [], [], []
    for _ in range(given.pictures):
        grey, polarity, inside, is_round = picture(bodies[int(rng.integers(len(bodies)))], rng)
        field = find_field(grey.astype(np.float32))
        light = grey_evidence(grey.astype(np.float32), field.usable).bone_light
        right.append(light if polarity is Polarity.BONE_LIGHT else 1.0 - light)
        off = abs(field.circle.radius_px - SIZE / 2) if field.circle is not None else np.nan
        fields.append((is_round, field.circle is not None, off))
        lost.append(1.0 - (field.usable & inside).sum() / inside.sum())
        made, kept, count = bladed(grey, polarity, inside, rng)
        blades = find_field(made.astype(np.float32))
        found_blades.append((count, len(blades.edges)))
        spilt.append(((blades.usable & ~kept).sum() / kept.sum(), 1.0 - (blades.usable & kept).sum() / kept.sum()))
    right, fields, spilt = np.array(right), np.array(fields, dtype=float), np.array(spilt)
    there = fields[:, 0] > 0
    print(
        f"polarity: right {np.mean(right >= SURE):.3f}, asked {np.mean(np.abs(right - 0.5) < SURE - 0.5):.3f}, ", end=""
    )
    print(f"wrong {np.mean(right <= 1 - SURE):.3f}")
    print(
        f"round field: found {fields[there, 1].mean():.3f}, radius off {np.nanmax(fields[there, 2]):.2f} px at most; "
    )
    print(f"  seen where there is none {fields[~there, 1].mean():.3f}")
    print(f"no blades: more than a tenth of the field lost in {np.mean(np.array(lost) > 0.1):.3f}")
    counts = np.array(found_blades)
    print(f"blades: found {counts[:, 1].clip(max=counts[:, 0]).sum()} of {counts[:, 0].sum()}")
    print(f"  more than 2 % beyond them left usable in {np.mean(spilt[:, 0] > 0.02):.3f}, ", end="")
    print(f"more than a tenth of the field lost in {np.mean(spilt[:, 1] > 0.1):.3f}")


if __name__ == "__main__":
    main()
