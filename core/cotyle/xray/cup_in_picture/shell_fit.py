"""A shell fitted to a picture: centre, axis, wall, contrast and background together, least squares with a robust loss.

Gauss-Newton with damping (Levenberg K, Q Appl Math 1944;2:164) on the weights of a loss that forgives what only adds to
the picture: a head, a stem, a screw, an edge of bone. Covariance: the sandwich over blocks of pixels,
whose residuals may hang together within a block (White H, Econometrica 1980;48:817, in its clustered form).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from cotyle.space.arrays import Array, BoolArray
from cotyle.xray.cup_in_picture.patch import Patch
from cotyle.xray.cup_in_picture.shell_picture import (
    NUMBERS,
    ShellState,
    Shown,
    background_basis,
    metal,
    shown,
    step_axes,
)

_STEPS = np.array([0.05, 0.05, 0.05, 0.002, 0.002, 0.02, 0.05])
# in deviations of the noise: from where less attenuation than the model's counts linearly, and at which width more
# of it ceases to count; head, stem, screws and rods only ever add
_LESS, _MORE = 3.0, 2.8
_MOST_STEPS = 60
_BLOCK_MM = 6.0
# a gain of less than this part of the loss is none
_LITTLE = 3e-6
# wide enough not to follow the rim, narrow enough for edges of bone beside it
_KNOT_MM = 8.0
# what is thought beforehand of wall, blur, contrast and softness, as deviations of their logarithms, and of the grey's
# bend; the background's bending
_BEND, _HELD = 10, 1e-3
_PRIOR = {5: 0.2, 6: 0.5, 7: 1.0, 9: 0.5, _BEND: 0.5}
_BENDING = 0.15


@dataclass(frozen=True, eq=False)
class ShellFit:
    """A shell fitted to one patch.

    Parameters
    ----------
    state:
        Where it is and how it shows.
    background, picture:
        What lies under it, and the whole model, shapes of the patch.
    deviates:
        Residuals in units of the noise, observed minus model, shape of the patch; 0 where nothing was compared.
    loss:
        Half the sum of the robust loss.
    inflation:
        How many times more the residuals vary than independent noise would make them, for the five numbers of the pose.
    axes:
        Directions of ``covariance``, rows; see :func:`~cotyle.xray.cup_in_picture.shell_picture.step_axes`.
    covariance:
        Of a shift along the axes (mm) and turns about the first two (rad), shape (5, 5).
    settled:
        Whether the last step was small against the deviations.
    """

    state: ShellState
    background: Array
    picture: Array
    deviates: Array
    loss: float
    inflation: float
    axes: Array
    covariance: Array
    settled: bool = False


@dataclass(frozen=True, eq=False)
class _Model:
    """A state and a background's coefficients (rows, columns), the picture they make, and how far off that is."""

    state: ShellState
    coefficients: Array
    shown: Shown
    below: Array
    deviates: Array
    loss: float


class _Problem:
    """One patch, the pixels compared, and the splines of its background.

    The splines are products of one along rows and one along columns, so that sums over pixels are done one after the
    other along both, which is what makes the fit quick.
    """

    def __init__(self, patch: Patch, start: ShellState, compared: BoolArray, straight: bool) -> None:
        self.patch, self.start = patch, start
        self.prior = {**_PRIOR, _BEND: _HELD} if straight else _PRIOR
        self.pixel_mm = patch.carm.pixel_pitch_mm[0] / patch.carm.magnification(start.rim.center_lps_mm)
        self.compared = compared & patch.usable
        self.inverse_noise = np.where(self.compared, 1.0 / patch.noise, 0.0)
        self.rows, self.columns = background_basis(patch, _KNOT_MM / self.pixel_mm)
        self.shape = self.rows.shape[1], self.columns.shape[1]
        self.bending = self._bending()

    def _bending(self) -> Array:
        """Return the matrix whose product with the splines' coefficients is their bending, in units of its prior."""
        count = self.shape[0] * self.shape[1]
        grid = np.arange(count).reshape(self.shape)
        bends = []
        for lines in (grid, grid.T):
            for line in lines:
                for i in range(1, len(line) - 1):
                    bend = np.zeros(count)
                    bend[line[i - 1 : i + 2]] = 1.0, -2.0, 1.0
                    bends.append(bend)
        level = float(np.median(self.patch.attenuation[self.compared]))
        return np.array(bends) / (_BENDING * max(abs(self.start.black - level), 1e-9))

    def background(self, coefficients: Array) -> Array:
        """Return the splines' sum, shape of the patch."""
        return np.asarray(self.rows @ coefficients.reshape(self.shape) @ self.columns.T)

    def over_splines(self, values: Array) -> Array:
        """Return the sums over pixels of values times each spline."""
        return np.asarray((self.rows.T @ values @ self.columns).ravel())

    def over_pairs(self, values: Array) -> Array:
        """Return the sums over pixels of values times each pair of splines, a square matrix."""
        n, m = self.shape
        row_pairs = (self.rows[:, :, None] * self.rows[:, None, :]).reshape(-1, n * n)
        column_pairs = (self.columns[:, :, None] * self.columns[:, None, :]).reshape(-1, m * m)
        sums = (row_pairs.T @ values @ column_pairs).reshape(n, n, m, m)
        return np.asarray(sums.transpose(0, 2, 1, 3).reshape(n * m, n * m))

    def model(self, state: ShellState, coefficients: Array) -> _Model:
        """Return the picture of a state and how far it is off."""
        below = metal(self.patch, state)
        seen = shown(state, self.background(coefficients), below)
        deviates = (self.patch.attenuation - seen.picture) * self.inverse_noise
        loss = _loss(deviates)
        loss += 0.5 * float(((self.bending @ coefficients) ** 2).sum())
        loss += 0.5 * float((self.prior_deviates(state) ** 2).sum())
        return _Model(state, coefficients, seen, below, deviates, loss)

    def prior_deviates(self, state: ShellState) -> Array:
        """Return by how many deviations each number of a step is off what was thought beforehand."""
        off = np.zeros(NUMBERS)
        off[5] = np.log(state.thickness_mm / self.start.thickness_mm) / self.prior[5]
        off[6] = np.log(state.blur_px / self.start.blur_px) / self.prior[6]
        off[7] = np.log(state.contrast / self.start.contrast) / self.prior[7]
        off[9] = np.log(state.softness / self.start.softness) / self.prior[9]
        off[_BEND] = state.bend / self.prior[_BEND]
        return off

    def derivatives(self, model: _Model, axes: Array) -> Array:
        """Return how the picture changes with the numbers of a step, in units of the noise, one picture each."""
        state, below = model.state, model.below
        by_metal = model.shown.slope * state.contrast
        pictures = []
        for index, size in enumerate(_STEPS):
            step = np.zeros(NUMBERS)
            step[index] = size
            moved = metal(self.patch, state.stepped(step, axes))
            pictures.append(by_metal * (moved - below) / size)
        pictures += [by_metal * below, model.shown.by_black, model.shown.by_softness, model.shown.by_bend]
        return np.array(pictures) * self.inverse_noise

    def first_background(self, state: ShellState) -> Array:
        """Return the background's splines from the pixels without metal; the others are carried on smoothly."""
        bare = np.where(metal(self.patch, state) < 1e-6, self.inverse_noise, 0.0)
        weights = bare**2
        coefficients = np.zeros(self.shape[0] * self.shape[1])
        for _ in range(4):
            matrix = self.over_pairs(weights) + self.bending.T @ self.bending
            right = self.over_splines(weights * self.patch.attenuation)
            coefficients = np.linalg.solve(matrix + 1e-9 * np.trace(matrix) * np.eye(len(matrix)), right)
            off = (self.patch.attenuation - self.background(coefficients)) * bare
            weights = bare**2 * _weights(off)
        return np.asarray(coefficients)


def fit_shell(
    patch: Patch, start: ShellState, compared: BoolArray, most_steps: int = _MOST_STEPS, *, straight: bool = False
) -> ShellFit:
    """Return the shell near ``start`` that explains the compared pixels best; ``straight`` holds the bend at 0."""
    problem = _Problem(patch, start, compared, straight)
    model = problem.model(start, problem.first_background(start))
    damping, settled = 1e-3, False
    last: Array = np.zeros(5)
    for _ in range(most_steps):
        axes = step_axes(model.state.rim, patch.carm.source_lps_mm)
        normal, right = _normal_equations(problem, model, problem.derivatives(model, axes))
        better = None
        while better is None and damping < 1e6:
            step = np.asarray(np.linalg.solve(normal + damping * np.diag(np.diag(normal)), right), dtype=float)
            tried = problem.model(model.state.stepped(step[:NUMBERS], axes), model.coefficients + step[NUMBERS:])
            better = tried if tried.loss <= model.loss else None
            damping = damping * 10.0 if better is None else max(damping / 10.0, 1e-6)
        if better is None:
            settled = True
            break
        settled = model.loss - better.loss < _LITTLE * model.loss or bool(np.abs(step[:5]).max() < 1e-4)
        model, last = better, step[:5]
        if settled:
            break
    fit = _result(problem, model)
    at_rest = settled or bool((np.abs(last) < 0.5 * np.sqrt(np.diag(fit.covariance))).all())
    return replace(fit, settled=at_rest)


def _loss(deviates: Array) -> float:
    """Return the robust loss: Huber's where the picture is lighter than the model, Geman and McClure's where darker.

    Metal that the picture doesn't show is a fault of the model; metal beyond the model's may be something else.
    """
    less, more = np.maximum(-deviates, 0.0), np.maximum(deviates, 0.0)
    linear = np.where(less < _LESS, 0.5 * less**2, _LESS * less - 0.5 * _LESS**2)
    bounded = 0.5 * more**2 / (1.0 + (more / _MORE) ** 2)
    return float(linear.sum() + bounded.sum())


def _weights(deviates: Array) -> Array:
    """Return the weights that make least squares of that loss."""
    lighter = _LESS / np.maximum(-deviates, _LESS)
    darker = 1.0 / (1.0 + (np.maximum(deviates, 0.0) / _MORE) ** 2) ** 2
    return np.asarray(np.where(deviates < 0.0, lighter, darker))


def _normal_equations(problem: _Problem, model: _Model, changes: Array) -> tuple[Array, Array]:
    weights = _weights(model.deviates)
    under = model.shown.slope * problem.inverse_noise
    count = NUMBERS + model.coefficients.size
    normal, right = np.zeros((count, count)), np.zeros(count)
    flat = changes.reshape(NUMBERS, -1)
    normal[:NUMBERS, :NUMBERS] = (flat * weights.ravel()) @ flat.T
    right[:NUMBERS] = flat @ (weights * model.deviates).ravel()
    for index in range(NUMBERS):
        normal[index, NUMBERS:] = problem.over_splines(weights * changes[index] * under)
    normal[NUMBERS:, :NUMBERS] = normal[:NUMBERS, NUMBERS:].T
    normal[NUMBERS:, NUMBERS:] = problem.over_pairs(weights * under**2) + problem.bending.T @ problem.bending
    right[NUMBERS:] = problem.over_splines(weights * model.deviates * under)
    right[NUMBERS:] -= problem.bending.T @ (problem.bending @ model.coefficients)
    off = problem.prior_deviates(model.state)
    for index, deviation in problem.prior.items():
        normal[index, index] += 1.0 / deviation**2
        right[index] -= off[index] / deviation
    return normal + 1e-9 * np.trace(normal) / len(normal) * np.eye(len(normal)), right


def _result(problem: _Problem, model: _Model) -> ShellFit:
    patch, state = problem.patch, model.state
    axes = step_axes(state.rim, patch.carm.source_lps_mm)
    changes = problem.derivatives(model, axes)
    normal, _ = _normal_equations(problem, model, changes)
    inverse = np.linalg.inv(normal)
    # what each pixel's residual does to the five numbers of the pose
    pull = _weights(model.deviates) * model.deviates
    block = max(round(_BLOCK_MM / problem.pixel_mm), 1)
    influence = []
    for row in inverse[:5]:
        of_pose = np.tensordot(row[:NUMBERS], changes, axes=1)
        of_background = model.shown.slope * problem.inverse_noise * problem.background(row[NUMBERS:])
        influence.append(_summed_over_blocks(pull * (of_pose + of_background), block))
    sandwich = np.array(influence) @ np.array(influence).T
    plain = inverse[:5, :5]
    inflation = float(np.mean(np.diag(sandwich) / np.diag(plain)))
    background = problem.background(model.coefficients)
    # noise alone bounds it from below
    covariance = sandwich + 0.25 * plain
    return ShellFit(
        state, background, model.shown.picture, model.deviates, model.loss, max(inflation, 1.0), axes, covariance
    )


def _summed_over_blocks(values: Array, block: int) -> Array:
    starts = [np.arange(0, count, block) for count in values.shape]
    return np.asarray(np.add.reduceat(np.add.reduceat(values, starts[0], axis=0), starts[1], axis=1).ravel())
