"""One picture's clicks against one pelvis: what they stand for, the pose they give, and which don't belong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from cotyle.anatomy.landmarks import Landmarks
from cotyle.anatomy.sections import near_part
from cotyle.anatomy.survey import Survey
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.frames import Frame
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side
from cotyle.xray.carm import CArm
from cotyle.xray.levelling.click_tests import ClickTest, click_tests
from cotyle.xray.levelling.clicks import (
    CLICK_SD_MM,
    CONTOUR_NAMES,
    ILIOISCHIAL_NAMES,
    SACRAL_CREST,
    place_covariance,
    side_of,
)
from cotyle.xray.levelling.contour_points import ForamenOutline, foramen_outline, ilioischial_point, nearest_on_curve
from cotyle.xray.levelling.point_fit import (
    PointFit,
    Prior,
    See,
    Sighting,
    fit_pose,
    huber,
    picture_px,
    whitened_residuals,
    whitenings,
)
from cotyle.xray.levelling.sacral_midline import BEHIND_SD_MM, sacral_midline
from cotyle.xray.registration.motion import Handle

# more of a contour may come into sight as the pose gets better
_ROUNDS = 3
# starts along the least certain direction, in its SDs
_STARTS = (0.0, -1.5, 1.5)
_MORE_STARTS = (0.0, -1.0, 1.0, -2.5, 2.5)
# what a click costs whose contour is not seen from a pose: as one three SDs off
_UNSEEN = 9.0
_BONE_WITHIN_MM = 110.0
# beyond this the beam grazes other parts of the posterior column; ours
_FROM_THE_FRONT_DEG = 20.0
# more wrong clicks than this share are no answer
_MOST_WRONG = 0.2


@dataclass(frozen=True, eq=False)
class Known:
    """What is known beforehand.

    Parameters
    ----------
    landmarks:
        Of the case.
    frame:
        Frame of the pelvis in which the view is named; its axes carry the clicks' uncertainties.
    hip_bones:
        Surfaces by side, for foramina and ilio-ischial lines; may be empty.
    sacrum:
        Its surface, for the sacral midline; without it the depth of that line is a guess.
    click_sd_mm, click_sds_mm:
        One SD of a click, at the hip; that of single clicks by name.
    asymmetric_ring:
        Whether the anatomy has the finding ``ring-asymmetric``: then symphysis, sacrum and coccyx count less.
    prior:
        How far the pose may be from the view's nominal one.
    """

    landmarks: Landmarks
    frame: Frame
    hip_bones: Mapping[Side, TriangleMesh] = field(default_factory=dict)
    sacrum: TriangleMesh | None = None
    click_sd_mm: float = CLICK_SD_MM
    click_sds_mm: Mapping[str, float] = field(default_factory=dict)
    asymmetric_ring: bool = False
    prior: Prior = field(default_factory=Prior)


def known_of(survey: Survey, surfaces: Mapping[str, TriangleMesh], frame_name: str = "supine") -> Known:
    """Return what is known of a pelvis that was surveyed; ``surfaces`` by bone name.

    Raises
    ------
    InputError
        ``levelling-frame`` for a frame that the pelvis does not have.
    """
    frames = survey.pelvis.frames
    if frame_name not in frames:
        raise InputError("levelling-frame", f"there is no frame {frame_name!r}", f"Choose from {', '.join(frames)}")
    return Known(
        landmarks=survey.landmarks,
        frame=frames[frame_name],
        hip_bones={side: surfaces[f"{side}_hip_bone"] for side in Side if f"{side}_hip_bone" in surfaces},
        sacrum=surfaces.get("sacrum"),
        asymmetric_ring=any(finding.code == "ring-asymmetric" for finding in survey.doubts),
    )


@dataclass(frozen=True, eq=False)
class PointTask:
    """The clicks of one picture and what they are held against; ``clicks`` are (column, row) by name."""

    known: Known
    nominal: CArm
    clicks: Mapping[str, Array]
    handle: Handle

    @cached_property
    def mm_per_px(self) -> Array:
        """Size of a pixel at the hip, (2,)."""
        return np.asarray(self.nominal.pixel_pitch_mm) / self.nominal.magnification(self.handle.pivot_lps_mm)

    def usable(self, primary_deg: float = 0.0) -> tuple[str, ...]:
        """Return the clicks whose landmark or bone is known; the ilio-ischial line only in views from the front.

        Raises
        ------
        InputError
            ``clicks-few`` if less than two points (not lines) are among them.
        """
        aside = abs(primary_deg) > _FROM_THE_FRONT_DEG
        names = tuple(
            name for name in self.clicks if self._is_known(name) and not (aside and name in ILIOISCHIAL_NAMES)
        )
        if sum(name in self.known.landmarks for name in names) < 2:
            raise InputError(
                "clicks-few",
                f"{len(names)} click(s) on points that the CT shows are too few to level by",
                "Click at least both teardrops",
            )
        return names

    def settle(self, names: Sequence[str], thorough: bool = False) -> PointFit:
        """Return the pose that these clicks give: of landmarks first, then with what is seen of contours from there.

        The pose that landmarks and contours agree on may lie some degrees from where the landmarks alone put it, with
        a worse agreement between. So several starts along the least certain direction are looked at; the best is
        followed, or, if ``thorough``, each.
        """
        prior = self.known.prior
        zero = np.zeros(len(prior.sds))
        bare = fit_pose(self._see(names, {}), self.nominal, self.handle, prior, zero, robust=True)
        starts = [bare.unknowns + step * bare.steps for step in (_MORE_STARTS if thorough else _STARTS)]
        if not set(names) & set(CONTOUR_NAMES):
            starts = starts[:1]
        elif not thorough:
            starts = [min(starts, key=lambda start: self._cost(names, start))]
        fits = [self._followed(names, start) for start in starts]
        best = min(fits, key=lambda fit: self._cost(names, fit.unknowns))
        see = self._see(names, self._contours(best.carm, names))
        return fit_pose(see, self.nominal, self.handle, prior, best.unknowns, robust=False)

    def residual_mm(self, fit: PointFit) -> float:
        """Root-mean-square distance of clicks from where the pose puts them, at the hip; of lines, across them."""
        places = fit.carm.project(np.stack([each.lps_mm for each in fit.sightings]))
        shown = picture_px(self.nominal.center_px, fit.unknowns, places)
        squares = []
        for each, pixel in zip(fit.sightings, shown, strict=True):
            apart = (pixel - each.pixel) * self.mm_per_px
            squares.append(float(apart @ apart) if each.across is None else float(apart @ each.across) ** 2)
        return float(np.sqrt(np.mean(squares)))

    def _is_known(self, name: str) -> bool:
        if name not in CONTOUR_NAMES:
            return ("sacrum_midline" if name == SACRAL_CREST else name) in self.known.landmarks
        side = side_of(name)
        return side in self.known.hip_bones and f"teardrop_{side}" in self.known.landmarks

    def _followed(self, names: Sequence[str], start: Array) -> PointFit:
        contours: set[str] = set()
        seen = self._contours(self.handle.moved(self.nominal, start[:6]), names)
        for _ in range(_ROUNDS):
            contours |= set(seen)
            fit = fit_pose(self._see(names, seen), self.nominal, self.handle, self.known.prior, start, robust=True)
            start = fit.unknowns
            seen = self._contours(fit.carm, names)
            if set(seen) <= contours:
                break
        return fit

    def _cost(self, names: Sequence[str], unknowns: Array) -> float:
        """Return how badly a pose explains the clicks, wrong ones counting less."""
        carm = self.handle.moved(self.nominal, unknowns[:6])
        seen = [*self._landmarks(carm, names), *self._contours(carm, names).values()]
        apart = whitened_residuals(whitenings(seen, carm), self.nominal.center_px, unknowns, carm, seen)
        squares = np.append((apart**2).sum(axis=1), [_UNSEEN] * (len(names) - len(seen)))
        return float(huber(squares).sum() + ((unknowns / self.known.prior.sds) ** 2).sum())

    def _see(self, names: Sequence[str], contours: Mapping[str, Sighting]) -> See:
        """Return what tells, for any pose, the landmarks and the contours seen at first.

        A contour that is not seen from some pose keeps the point last seen, so that the clicks stay the same.
        """
        last = dict(contours)

        def see(carm: CArm) -> Sequence[Sighting]:
            last.update(self._contours(carm, list(last)))
            return [*self._landmarks(carm, names), *last.values()]

        return see

    def _landmarks(self, carm: CArm, names: Sequence[str]) -> list[Sighting]:
        found = []
        for name in names:
            if name == SACRAL_CREST:
                on_it = nearest_on_curve(carm, self._midline, self.clicks[name])
                own_sd_mm = self.known.landmarks["sacrum_midline"].uncertainty_mm
                found.append(self._sighting(name, on_it.lps_mm, own_sd_mm, on_it.across))
            elif name not in CONTOUR_NAMES:
                mark = self.known.landmarks[name]
                # of the tuberosity's broad curve only the height is clear
                across = np.array([0.0, 1.0]) if name.startswith("ischial_tuberosity") else None
                found.append(self._sighting(name, mark.lps_mm, mark.uncertainty_mm, across))
        return found

    def _contours(self, carm: CArm, names: Sequence[str]) -> dict[str, Sighting]:
        """Return the contour points of these clicks that are seen from a pose."""
        found = {}
        outlines: dict[Side, ForamenOutline | None] = {}
        for name in names:
            side = side_of(name)
            if name not in CONTOUR_NAMES or side is None:
                continue
            if name in ILIOISCHIAL_NAMES:
                teardrop = self.known.landmarks[f"teardrop_{side}"].lps_mm
                seen = ilioischial_point(carm, self._bones[side], teardrop, side, float(self.clicks[name][1]))
            else:
                if side not in outlines:
                    outlines[side] = foramen_outline(carm, self._bones[side], self.places, side)
                outline = outlines[side]
                seen = None if outline is None else outline.end(name.split("_")[1], side)
            if seen is not None:
                found[name] = self._sighting(name, seen.lps_mm, seen.sd_mm, seen.across)
        return found

    def _sighting(self, name: str, lps_mm: Array, own_sd_mm: float, across: Array | None) -> Sighting:
        axes = self.known.frame.axes
        covariance = place_covariance(name, own_sd_mm, axes, self.known.asymmetric_ring)
        if name == SACRAL_CREST and self.known.sacrum is None:
            covariance = covariance + BEHIND_SD_MM**2 * np.outer(axes[1], axes[1])
        click_sd_mm = self.known.click_sds_mm.get(name, self.known.click_sd_mm)
        return Sighting(name, self.clicks[name], lps_mm, covariance, click_sd_mm / self.mm_per_px, across)

    @cached_property
    def places(self) -> dict[str, Array]:
        """Landmarks and the middle of the sacral crest, LPS mm by name."""
        places = {name: mark.lps_mm for name, mark in self.known.landmarks.items()}
        if "sacrum_midline" in places:
            places[SACRAL_CREST] = self._midline.mean(axis=0)
        return places

    @cached_property
    def _midline(self) -> Array:
        return sacral_midline(self.known.frame, self.known.landmarks["sacrum_midline"].lps_mm, self.known.sacrum)

    @cached_property
    def _bones(self) -> dict[Side, TriangleMesh]:
        """The hip bones round their teardrops: foramen and posterior column, all that the contours here run on."""
        return {
            side: near_part(bone, self.places[f"teardrop_{side}"], _BONE_WITHIN_MM)
            for side, bone in self.known.hip_bones.items()
            if f"teardrop_{side}" in self.places
        }


def without_wrong_clicks(task: PointTask, names: Sequence[str]) -> tuple[PointFit, tuple[ClickTest, ...]]:
    """Return the pose of the clicks that fit each other, and those that were left out for it.

    Raises
    ------
    InputError
        ``clicks-disagree`` if it can't be told which click is wrong, or too many are.
    """
    kept = list(names)
    left_out: list[ClickTest] = []
    while True:
        fit = task.settle(kept)
        tests = click_tests(fit, task.mm_per_px)
        if any(test.fails for test in tests):
            fit = task.settle(kept, thorough=True)
            tests = click_tests(fit, task.mm_per_px)
        if not any(test.fails for test in tests):
            return fit, tuple(left_out)
        if len(left_out) + 1 > _MOST_WRONG * len(names):
            off = ", ".join(test.name for test in tests if test.fails)
            raise InputError(
                "clicks-disagree",
                f"the clicks fit no pose of this pelvis: look at {off}",
                "Click again; check the view's name, the sides, and that the picture is of this patient",
            )
        # a wrong click may bend the pose until another looks wrong: each is tried
        cures = [test for test in tests if _fit_without(task, kept, test.name)]
        if len(cures) > 1:
            raise InputError(
                "clicks-disagree",
                f"a click is wrong and it can't be told which: {' or '.join(test.name for test in cures)}",
                "Click these again, or click more",
            )
        wrong = cures[0] if cures else min(tests, key=lambda test: test.likelihood)
        left_out.append(wrong)
        kept.remove(wrong.name)


def _fit_without(task: PointTask, names: Sequence[str], wrong: str) -> bool:
    """Return whether the other clicks fit each other."""
    rest = [name for name in names if name != wrong]
    if sum(name in task.known.landmarks for name in rest) < 2:
        return False
    return not any(test.fails for test in click_tests(task.settle(rest), task.mm_per_px))
