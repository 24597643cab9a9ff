"""Artificial cups measured in boxes of voxels whose metal is known."""

from functools import cache

import numpy as np
import pytest
from cotyle.anatomy.metal.bony_bed import BedPoints, bed_guide, bed_of, look_behind, look_behind_cement
from cotyle.anatomy.metal.metal_cup import CupKind
from cotyle.anatomy.metal.metal_cup_search import find_metal_cup
from cotyle.anatomy.metal.metal_parts import PartKind, metal_parts
from cotyle.image.metal import find_metal
from cotyle.space.shapes import Sphere

from tests.anatomy.artificial_hips import AXIS, MIDDLE, SIDE, Hip, scan_of

# the search starts where a fitted shape puts the hip: some millimetres off
NEAR = MIDDLE + np.array([5.0, -4.0, 6.0])
NO_POINTS = np.empty((0, 3))


@cache
def searched(hip: Hip):
    volume = scan_of(hip)
    metal = find_metal(volume)
    return volume, metal, find_metal_cup(volume, metal, SIDE, NEAR)


@cache
def behind(hip: Hip) -> BedPoints:
    volume, _, found = searched(hip)
    sphere = Sphere(found.cup.center_lps_mm, 0.5 * found.cup.outer_diameter_mm)
    if hip.cemented:
        return look_behind_cement(volume, sphere, found.cup.opening_axis_lps)
    return look_behind(volume, sphere, found.cup.opening_axis_lps, found.inner_radius_mm)


def angle_deg(a, b):
    return np.rad2deg(np.arccos(np.clip(a @ b, -1.0, 1.0)))


def ball_ml(radius_mm):
    return 4.0 / 3.0 * np.pi * (radius_mm / 10.0) ** 3


@pytest.mark.parametrize("ceiling_hu", [30_000.0, 3071.0], ids=["whole scale", "twelve bits"])
@pytest.mark.parametrize("screws", [0, 2])
def test_a_shell_is_measured_below_the_voxel_whatever_the_scanner_clips(ceiling_hu, screws):
    hip = Hip(ceiling_hu=ceiling_hu, screws=screws)
    cup = searched(hip)[2].cup
    assert cup.kind is CupKind.SHELL
    assert np.linalg.norm(cup.center_lps_mm - MIDDLE) < min(0.5, 3.0 * cup.center_sd_mm)
    assert angle_deg(cup.opening_axis_lps, AXIS) < min(1.0, 3.0 * cup.axis_sd_deg)
    assert abs(cup.outer_diameter_mm - hip.cup.diameter_mm) < min(1.0, 3.0 * cup.diameter_sd_mm)


def test_a_thin_small_shell_about_a_large_ball_is_told_from_it():
    hip = Hip(cup_radius_mm=23.0, shell_mm=3.0, ball_radius_mm=16.0)
    found = searched(hip)[2]
    assert np.linalg.norm(found.cup.center_lps_mm - MIDDLE) < 0.5
    assert found.cup.outer_diameter_mm == pytest.approx(46.0, abs=0.6)
    assert found.ball.radius_mm == pytest.approx(16.0, abs=0.4)


@pytest.mark.parametrize("cement_hu", [600.0, 1500.0])
def test_a_cemented_cup_is_measured_by_its_wire_and_the_edge_of_its_plastic(cement_hu):
    hip = Hip(cup_radius_mm=25.0, line_mm=3.0, cemented=True, cement_hu=cement_hu)
    cup = searched(hip)[2].cup
    assert cup.kind is CupKind.CEMENTED
    assert np.linalg.norm(cup.center_lps_mm - MIDDLE) < 0.6
    assert angle_deg(cup.opening_axis_lps, AXIS) < 1.0
    assert cup.outer_diameter_mm == pytest.approx(50.0, abs=1.0)


def test_a_ball_without_a_cup_is_not_taken_for_one():
    assert searched(Hip(with_cup=False, line_mm=2.0))[2] is None


def test_far_from_metal_there_is_no_cup():
    volume, metal, _ = searched(Hip())
    assert find_metal_cup(volume, metal, SIDE, MIDDLE + np.array([150.0, 0.0, 0.0])) is None


def test_bone_that_touches_the_shell_is_told_from_bone_behind_a_dark_line():
    tight, loose = behind(Hip()), behind(Hip(line_mm=2.5))
    assert np.nanmedian(tight.gap_mm) < 0.5
    assert np.nanmedian(loose.gap_mm) == pytest.approx(2.5, abs=0.5)
    assert min(tight.seen.mean(), loose.seen.mean()) > 0.8


def test_the_bed_of_a_shell_that_moved_is_where_the_bone_is():
    hip = Hip(cup_radius_mm=25.0, line_mm=2.5, bed_shift_mm=(-0.8, 0.4, 1.0))
    bed = bed_of(behind(hip), NO_POINTS, NO_POINTS)
    off = np.linalg.norm(bed.sphere.center_lps_mm - hip.bed.center_lps_mm)
    assert off < 0.8
    assert off < 0.8 * np.linalg.norm(hip.bed_shift_mm)
    assert bed.sphere.diameter_mm == pytest.approx(hip.bed.diameter_mm, abs=1.2)
    assert bed.gap_share > 0.6


@pytest.mark.parametrize("cement_hu", [600.0, 1000.0, 1500.0])
def test_the_bed_behind_cement_is_found_whether_or_not_the_cement_is_as_dense_as_cortex(cement_hu):
    hip = Hip(cup_radius_mm=25.0, line_mm=3.0, bed_shift_mm=(0.5, 0.0, 0.5), cemented=True, cement_hu=cement_hu)
    bed = bed_of(behind(hip), NO_POINTS, NO_POINTS)
    assert np.linalg.norm(bed.sphere.center_lps_mm - hip.bed.center_lps_mm) < 0.6
    assert bed.sphere.diameter_mm == pytest.approx(hip.bed.diameter_mm, abs=1.4)


def test_no_bed_is_told_where_there_is_no_bone():
    hip = Hip(line_mm=40.0)
    assert bed_of(behind(hip), NO_POINTS, NO_POINTS) is None


def test_a_surface_that_faces_the_cup_is_drawn_to_the_bed_and_no_other():
    hip = Hip(line_mm=2.5)
    guide = bed_guide([behind(hip)])
    outward = -AXIS
    place = MIDDLE + (hip.bed.radius_mm + 1.5) * outward
    way, sure = guide(np.stack([place, place, MIDDLE + 60.0 * outward]), np.stack([-outward, outward, -outward]))
    assert way[0] == pytest.approx(1.5, abs=0.6)
    assert sure.tolist() == [1.0, 0.0, 0.0]


def test_metal_is_parted_into_shell_head_stem_and_screws():
    volume, metal, found = searched(Hip(screws=2))
    parts = metal_parts(volume, metal, {SIDE: found})
    kinds = sorted(part.kind for part in parts)
    assert kinds == [PartKind.HEAD, PartKind.SCREW, PartKind.SCREW, PartKind.SHELL, PartKind.STEM]
    by_kind = {part.kind: part for part in parts}
    # metal is what lies above 2200 HU: its blur adds up to half a millimetre to each face
    assert ball_ml(14.0) < by_kind[PartKind.HEAD].volume_ml < 1.05 * ball_ml(14.5)
    shell_ml = by_kind[PartKind.SHELL].volume_ml
    assert 0.5 * (ball_ml(27.0) - ball_ml(23.0)) < shell_ml < 0.5 * (ball_ml(27.6) - ball_ml(22.4))
    assert by_kind[PartKind.HEAD].density_hu > by_kind[PartKind.SHELL].density_hu
    assert {part.side for part in parts} == {SIDE}


def test_the_wire_of_a_cemented_cup_is_named():
    hip = Hip(cup_radius_mm=25.0, line_mm=3.0, cemented=True)
    volume, metal, found = searched(hip)
    kinds = {part.kind for part in metal_parts(volume, metal, {SIDE: found})}
    assert kinds == {PartKind.HEAD, PartKind.WIRE, PartKind.STEM}
