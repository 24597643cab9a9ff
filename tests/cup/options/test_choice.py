"""Optima that are known in closed form are found; on a hip bone no cup of a brute-force grid beats an option.

Solids: a socket in a half-space, bone that ends in a slanting inner face, bone with a flat mouth. Formulas beside the
tests are plain geometry; the share of a hemisphere between polar angles is the difference of their cosines
(Archimedes).
"""

from itertools import pairwise, product

import numpy as np
import pytest
from cotyle.cup.options.choice import Choice, Favours, choose
from cotyle.cup.options.figures import OBJECTIVES, dominates, gains
from cotyle.cup.options.limits import Limits, Pins
from cotyle.cup.options.trials import Bound
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import Zone
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side
from cup_solids import box, model_hip, socket_block
from option_problem import measuring, question_of

STRAIGHT = Zone((90.0, 90.0), (0.0, 0.0), Definition.RADIOGRAPHIC)
"""The cup looks straight out along x."""


def option(choice: Choice, favours: Favours):
    return next(each for each in choice.options if favours in each.favours)


def chosen(bone, limits, pins, zone=STRAIGHT, native=(0, 0, 0), diameter=50.0, wanted=None, points=5000, **how):
    question = question_of(bone, Side.LEFT, native, diameter, limits, pins, zone, wanted)
    return choose(question, measuring(question, bone, points), with_curves=False, **how)


SMALL_IN_SOCKET = Pins(outer_diameter_mm=48.0, superior_mm=0.0, anterior_mm=0.0)


def covered(medial):
    """Share of a hemisphere of 24 mm, moved in by ``medial``, that lies beyond a socket of 25 mm."""
    return 1.0 - (25.0**2 - 24.0**2 - medial**2) / (2 * 24.0 * medial)


def test_a_small_cup_in_a_socket_goes_as_deep_as_the_wanted_cover_asks_and_no_deeper():
    """covered(m) = 0.60 at m = 2.28: there centre and bone are kept best. The search goes by 0.5 mm, and 0.5 mm of
    centre or 0.5 ml of bone count as equal; 0.5 ml is less than 0.5 mm of a floor of 17 cm2.
    """
    choice = chosen(socket_block(25.0, 60.0), Limits(least_cover=0.60), SMALL_IN_SOCKET)
    shallowest = (-19.2 + np.sqrt(19.2**2 + 4 * 49.0)) / 2
    assert covered(shallowest) == pytest.approx(0.60)
    for wish in (Favours.CENTER, Favours.BONE):
        found = option(choice, wish)
        assert shallowest - 0.05 <= found.variables[0] <= shallowest + 1.05
        assert found.figures.cover == pytest.approx(covered(found.variables[0]), abs=0.006)
        assert found.figures.center_away_mm == pytest.approx(found.variables[0], abs=1e-6)


def test_the_most_cover_ends_where_the_wall_does():
    """A wall of 2 mm behind 31.1 mm of block stops the reamer of 47 mm at m = 5.6, where the cover is 0.93."""
    choice = chosen(socket_block(25.0, 31.1), Limits(least_wall_mm=2.0), SMALL_IN_SOCKET)
    found = option(choice, Favours.COVER)
    assert 5.0 <= found.variables[0] <= 5.5
    assert found.figures.wall_least_mm == pytest.approx(31.1 - 23.5 - found.variables[0], abs=0.01)
    assert found.figures.cover >= covered(5.5) - 0.01 - 0.006


def test_enough_wall_is_kept_and_no_more_is_asked_for():
    """5 mm of wall stand up to m = 2.5; the wish for wall may not cost cover beyond that."""
    choice = chosen(socket_block(25.0, 31.0), Limits(enough_wall_mm=5.0), SMALL_IN_SOCKET)
    found = option(choice, Favours.WALL)
    assert found.figures.wall_least_mm >= 4.5 - 0.01
    assert found.variables[0] == pytest.approx(2.5, abs=0.55)


@pytest.mark.parametrize(("largest", "reached"), [(48.0, True), (49.0, True), (54.0, False)])
def test_a_cup_as_large_as_may_be_reaches_the_largest_size(largest, reached):
    """Cups come in even sizes: below 49 mm the largest is 48."""
    limits = Limits(least_cover=0.60, largest_size_mm=largest)
    choice = chosen(socket_block(25.0, 60.0), limits, SMALL_IN_SOCKET)
    for each in choice.options:
        assert (Bound.LARGEST_SIZE in each.binding) == reached


def slanted(slant_deg: float, depth_mm: float) -> TriangleMesh:
    """Bone behind the plane x = 20 whose inner face slants: it lies deeper the higher up."""
    block = box((-1.0, -60, -60), (20, 60, 60), cell_mm=10.0)
    at = block.vertices_lps_mm.copy()
    back = at[:, 0] < -0.5
    at[back, 0] = -depth_mm - np.tan(np.radians(slant_deg)) * at[back, 2]
    return block.with_vertices(at)


@pytest.mark.parametrize("slant_deg", [0.0, 20.0])
def test_a_wedge_of_a_wall_is_left_by_the_shortest_way(slant_deg):
    """The floor must stay 2 mm from a plane: the nearest centre lies along its normal, by what is missing.

    The plane is n.x = -d with n = (cos a, 0, sin a) and d = depth cos a; a reamer of radius 25.5 at the native centre
    leaves d - 25.5, 4 mm too little.
    """
    slant = np.radians(slant_deg)
    missing = 4.0
    depth = (25.5 + 2.0 - missing) / np.cos(slant)
    pins = Pins(outer_diameter_mm=52.0, anterior_mm=0.0)
    choice = chosen(slanted(slant_deg, depth), Limits(least_wall_mm=2.0), pins)
    found = option(choice, Favours.CENTER)
    assert found.figures.wall_least_mm >= 2.0 - 1e-6
    assert missing - 0.05 <= found.figures.center_away_mm <= missing + 0.5 + 0.5
    # medial and superior: out of the bone, and up, where it is thicker
    assert found.variables[:2] == pytest.approx([-missing * np.cos(slant), missing * np.sin(slant)], abs=1.1)


def test_a_flat_mouth_is_covered_best_by_the_steepest_and_least_turned_cup():
    """Bone medial to the centre covers (90 + OI) / 180 with sin OI = sin RI cos RA: most at 45 and 12.5 deg."""
    zone = Zone((30.0, 50.0), (7.5, 27.5), Definition.RADIOGRAPHIC)
    pins = Pins(medial_mm=0.0, superior_mm=0.0, anterior_mm=0.0, outer_diameter_mm=52.0)
    bone = box((-70, -70, -70), (0, 70, 70), cell_mm=10.0)
    choice = chosen(bone, Limits(), pins, zone)
    best = (90.0 + np.degrees(np.arcsin(np.sin(np.radians(45.0)) * np.cos(np.radians(12.5))))) / 180.0
    assert max(each.figures.cover for each in choice.options) == pytest.approx(best, abs=0.01)


@pytest.fixture(scope="module")
def hip():
    return model_hip(Side.RIGHT)


@pytest.fixture(scope="module")
def asked(hip):
    """Angles and depth from front to back are pinned, so that brute force can be held against the rest."""
    pins = Pins(anterior_mm=0.0, inclination_deg=40.0, anteversion_deg=17.5)
    return question_of(hip.bone, hip.side, hip.center, hip.diameter, Limits(), pins, frame=hip.frame)


@pytest.fixture(scope="module")
def on_hip(hip, asked):
    return choose(asked, measuring(asked, hip.bone, 5000), with_heights=True)


@pytest.fixture(scope="module")
def brute_force(hip, asked):
    """Every cup of a grid of 3 mm that keeps the limits, measured."""
    exact = measuring(asked, hip.bone, 5000)
    size = asked.native_diameter_mm // 2 * 2 + 2.0
    grid = [np.array([m, s, 0.0, size, 40.0, 17.5]) for m, s in product(range(0, 13, 3), range(-3, 13, 3))]
    kept = []
    for cup in grid:
        figures = exact(cup)
        if figures.cover >= 0.60 and figures.wall_least_mm >= 2.0:
            kept.append((cup, figures))
    assert len(kept) > 5
    return kept


def test_no_option_is_beaten_by_another(on_hip):
    worth = gains([each.figures for each in on_hip.options], 5.0)
    for n, each in enumerate(on_hip.options):
        beaten = any(dominates(worth[m], worth[n]) for m in range(len(worth)) if m != n)
        assert beaten == each.beaten
        assert not beaten or each.favours[0] in (Favours.SAME_HEIGHT, Favours.HIGH_CENTER)


def test_no_cup_of_a_brute_force_grid_beats_an_option(on_hip, brute_force):
    """Beyond what counts as equal, in one thing, while being nowhere worse."""
    equal = np.array([each.equal_within for each in OBJECTIVES])
    grid = gains([figures for _, figures in brute_force], 5.0)
    for each in on_hip.options:
        if each.beaten:
            continue
        own = gains([each.figures], 5.0)[0]
        better = (grid >= own).all(axis=1) & (grid > own + equal).any(axis=1)
        assert not better.any(), each.favours


@pytest.mark.parametrize("wish", [Favours.COVER, Favours.RIM_WALLS, Favours.CENTER, Favours.BONE, Favours.COVER_ABOVE])
def test_no_cup_of_a_brute_force_grid_is_better_in_what_an_option_favours(on_hip, brute_force, wish):
    number = [
        Favours.COVER,
        Favours.COVER_ABOVE,
        None,
        Favours.WALL,
        Favours.RIM_WALLS,
        Favours.CENTER,
        Favours.BONE,
    ].index(wish)
    grid = gains([figures for _, figures in brute_force], 5.0)[:, number]
    own = gains([option(on_hip, wish).figures], 5.0)[0, number]
    # as good as equal, and the estimate's own error
    assert own >= grid.max() - 2.0 * OBJECTIVES[number].equal_within


def test_limits_hold_by_measured_figures(on_hip):
    for each in on_hip.options:
        assert each.figures.cover >= 0.60
        assert each.figures.wall_least_mm >= 2.0
        assert each.figures.rise_mm <= 15.0
        assert each.variables[[2, 4, 5]].tolist() == [0.0, 40.0, 17.5]


def test_a_high_centre_lies_high_and_the_wanted_height_is_kept(on_hip):
    assert option(on_hip, Favours.HIGH_CENTER).figures.rise_mm >= 7.5 - 1e-6
    assert abs(option(on_hip, Favours.SAME_HEIGHT).figures.rise_mm) <= 2.0 + 1e-6


def test_deeper_cups_cover_more_along_the_curve_until_the_wall_ends_it(on_hip):
    curve = on_hip.curves[Favours.HIGH_CENTER]
    cover = [point.figures.cover for point in curve]
    assert len(curve) >= 4
    assert [point.variables[0] for point in curve] == sorted(point.variables[0] for point in curve)
    assert max(cover) - cover[0] > 0.1
    rises = [after >= before - 0.01 for before, after in pairwise(cover[: int(np.argmax(cover)) + 1])]
    assert all(rises)


def test_the_same_question_gives_the_same_cups(hip, asked, on_hip):
    again = choose(asked, measuring(asked, hip.bone, 5000), with_heights=True, with_curves=False)
    assert [each.favours for each in again.options] == [each.favours for each in on_hip.options]
    for one, other in zip(again.options, on_hip.options, strict=True):
        assert np.array_equal(one.variables, other.variables)
        assert one.figures == other.figures


def test_a_free_height_never_covers_less_than_a_restored_one(on_hip):
    free = {point.variables[0]: point.figures.cover for point in on_hip.curves[Favours.HIGH_CENTER]}
    for point in on_hip.curves[Favours.SAME_HEIGHT]:
        assert free[point.variables[0]] >= point.figures.cover
