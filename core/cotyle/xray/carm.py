"""The geometry of an X-ray picture: source, flat detector, and the projection between space and pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_vector, read_only, unit
from cotyle.space.frames import Frame
from cotyle.space.rotations import transform_points

_PERPENDICULAR_TOLERANCE = 1e-9


class Tube(StrEnum):
    """Where the X-ray tube stands; the sign of every divergence error depends on it."""

    UNDER_TABLE = "under_table"
    """Source behind a supine patient, detector in front: the usual C-arm."""
    OVER_TABLE = "over_table"
    """Source in front of a supine patient, detector behind: the usual film."""
    CROSS_TABLE = "cross_table"
    """Beam level with the table, across the patient."""


@dataclass(frozen=True, eq=False)
class CArm:
    """One pose of a source and a flat detector.

    Pixels are (column, row); pixel (0, 0) is named by its centre, so that a detector of n columns reaches from
    -0.5 to n - 0.5. Column numbers grow along ``column_direction_lps`` and row numbers along
    ``row_direction_lps``. Made by the constructors below, columns grow to the patient's left and rows downwards.

    Parameters
    ----------
    source_lps_mm:
        Focal spot, shape (3,).
    detector_origin_lps_mm:
        Centre of pixel (0, 0), shape (3,).
    column_direction_lps, row_direction_lps:
        Unit vectors at right angles.
    pixel_pitch_mm:
        Distance of neighbouring columns and of neighbouring rows, on the detector.
    size:
        Number of columns and of rows.
    tube:
        Where the tube stands, as stated by whoever made the pose.

    Raises
    ------
    InputError
        ``carm-axes`` for directions not at right angles, ``carm-pixels`` for a pitch or size that is not positive,
        ``carm-source`` for a source in the plane of the detector.
    """

    source_lps_mm: Array
    detector_origin_lps_mm: Array
    column_direction_lps: Array
    row_direction_lps: Array
    pixel_pitch_mm: tuple[float, float]
    size: tuple[int, int]
    tube: Tube

    def __post_init__(self) -> None:
        for name in ("source_lps_mm", "detector_origin_lps_mm"):
            object.__setattr__(self, name, as_vector(getattr(self, name), name))
        for name in ("column_direction_lps", "row_direction_lps"):
            object.__setattr__(self, name, unit(getattr(self, name), name))
        if abs(float(self.column_direction_lps @ self.row_direction_lps)) > _PERPENDICULAR_TOLERANCE:
            raise InputError("carm-axes", "the detector's columns and rows are not at right angles")
        pitch = np.asarray(self.pixel_pitch_mm, dtype=float)
        if pitch.shape != (2,) or not (np.isfinite(pitch).all() and (pitch > 0).all()) or min(self.size) < 1:
            raise InputError(
                "carm-pixels", f"the detector's pixels make no picture: pitch {self.pixel_pitch_mm}, size {self.size}"
            )
        if self.source_detector_mm < 1e-6:
            raise InputError("carm-source", "the source lies in the plane of the detector")

    @property
    def normal_lps(self) -> Array:
        """Unit normal of the detector, pointing away from the source."""
        normal = np.cross(self.column_direction_lps, self.row_direction_lps)
        toward = float((self.detector_origin_lps_mm - self.source_lps_mm) @ normal)
        return read_only(normal if toward >= 0 else -normal)

    @property
    def source_detector_mm(self) -> float:
        """Perpendicular distance from source to detector, DICOM (0018,1110)."""
        return float((self.detector_origin_lps_mm - self.source_lps_mm) @ self.normal_lps)

    @property
    def principal_point_px(self) -> Array:
        """(column, row) of the foot of the perpendicular from the source."""
        offset = self.source_lps_mm - self.detector_origin_lps_mm
        along = np.array([offset @ self.column_direction_lps, offset @ self.row_direction_lps])
        return read_only(along / np.asarray(self.pixel_pitch_mm))

    @property
    def center_px(self) -> Array:
        """(column, row) of the middle of the detector."""
        return read_only((np.asarray(self.size, dtype=float) - 1.0) / 2.0)

    @property
    def projection_matrix(self) -> Array:
        """The 3x4 matrix P with (column w, row w, w) = P (x, y, z, 1); w is the depth in mm from the source.

        Central projection onto a plane (Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004, chapter 6).
        Points behind the source have w <= 0.
        """
        normal, distance = self.normal_lps, self.source_detector_mm
        principal, pitch = self.principal_point_px, self.pixel_pitch_mm
        rows = np.stack(
            [
                distance / pitch[0] * self.column_direction_lps + principal[0] * normal,
                distance / pitch[1] * self.row_direction_lps + principal[1] * normal,
                normal,
            ]
        )
        return read_only(np.hstack([rows, -(rows @ self.source_lps_mm)[:, None]]))

    def project(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return (column, row) of points (3,) or (n, 3); NaN for a point that is not in front of the source."""
        points = np.asarray(points_lps_mm, dtype=float)
        matrix = self.projection_matrix
        homogeneous = points @ matrix[:, :3].T + matrix[:, 3]
        depth = homogeneous[..., 2:]
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(depth > 0, homogeneous[..., :2] / depth, np.nan))

    def depth_mm(self, points_lps_mm: npt.ArrayLike) -> Array:
        """Return the distance from the source along the detector's normal of points (3,) or (n, 3)."""
        return np.asarray((np.asarray(points_lps_mm, dtype=float) - self.source_lps_mm) @ self.normal_lps)

    def magnification(self, point_lps_mm: npt.ArrayLike) -> float:
        """Return by how much a small thing at this point, parallel to the detector, is enlarged."""
        return self.source_detector_mm / float(self.depth_mm(point_lps_mm))

    def pixel_to_lps(self, pixels: npt.ArrayLike) -> Array:
        """Return the LPS position in mm, on the detector, of pixels (2,) or (n, 2) given as (column, row)."""
        on_detector = np.asarray(pixels, dtype=float) * np.asarray(self.pixel_pitch_mm)
        axes = np.stack([self.column_direction_lps, self.row_direction_lps])
        return np.asarray(on_detector @ axes + self.detector_origin_lps_mm)

    def ray(self, pixels: npt.ArrayLike) -> Array:
        """Return unit LPS directions from the source to pixels (2,) or (n, 2) given as (column, row)."""
        toward = self.pixel_to_lps(pixels) - self.source_lps_mm
        return np.asarray(toward / np.linalg.norm(toward, axis=-1, keepdims=True))

    def moved(self, rigid: npt.ArrayLike) -> CArm:
        """Return the pose after the rigid 4x4 motion of source and detector together.

        Raises
        ------
        InputError
            ``carm-motion`` if the matrix is not a rotation and a shift.
        """
        matrix = np.asarray(rigid, dtype=float)
        rotation = matrix[:3, :3] if matrix.shape == (4, 4) else np.zeros((3, 3))
        if np.abs(rotation @ rotation.T - np.eye(3)).max() > 1e-8 or np.linalg.det(rotation) < 0:
            raise InputError("carm-motion", "a C-arm moves by a rotation and a shift only")
        return replace(
            self,
            source_lps_mm=transform_points(matrix, self.source_lps_mm),
            detector_origin_lps_mm=transform_points(matrix, self.detector_origin_lps_mm),
            column_direction_lps=rotation @ self.column_direction_lps,
            row_direction_lps=rotation @ self.row_direction_lps,
        )

    def cropped(self, first_pixel: tuple[int, int], size: tuple[int, int]) -> CArm:
        """Return the same beam on a part of the detector that starts at pixel ``first_pixel``."""
        return replace(self, detector_origin_lps_mm=self.pixel_to_lps(first_pixel), size=size)

    def resized(self, size: tuple[int, int]) -> CArm:
        """Return the same detector area cut into other numbers of columns and rows."""
        factor = np.asarray(self.size, dtype=float) / np.asarray(size, dtype=float)
        # the outer edges stay: the first pixel's centre lies half a new pixel inside the edge at -0.5
        origin = self.pixel_to_lps(factor / 2.0 - 0.5)
        pitch = np.asarray(self.pixel_pitch_mm) * factor
        return replace(
            self, detector_origin_lps_mm=origin, pixel_pitch_mm=(float(pitch[0]), float(pitch[1])), size=size
        )

    def detail(self, center_lps_mm: npt.ArrayLike, half_mm: tuple[float, float], columns: int) -> CArm:
        """Return the part of the detector round a point's picture, in square pixels; it may reach beyond the detector.

        ``half_mm`` is half its width and height in mm at the point, ``columns`` the number of its columns.
        """
        enlarged = self.magnification(center_lps_mm) * np.asarray(half_mm, dtype=float)
        pitch = float(2.0 * enlarged[0] / columns)
        size = columns, max(round(2.0 * enlarged[1] / pitch), 1)
        middle = self.pixel_to_lps(self.project(center_lps_mm))
        back = (np.asarray(size, dtype=float) - 1.0) / 2.0 * pitch
        origin = middle - back[0] * self.column_direction_lps - back[1] * self.row_direction_lps
        return replace(self, detector_origin_lps_mm=origin, pixel_pitch_mm=(pitch, pitch), size=size)

    def positioner_angles_deg(self, frame: Frame) -> tuple[float, float]:
        """Return DICOM's primary (to LAO) and secondary (to cranial) angle of the detector, seen in a frame.

        Taken from the detector's normal, not from the ray to any point.
        """
        left, posterior, superior = frame.direction_to_frame(self.normal_lps)
        primary = np.arctan2(left, -posterior)
        return float(np.rad2deg(primary)), float(np.rad2deg(np.arcsin(np.clip(superior, -1.0, 1.0))))


def detector_direction(primary_deg: float, secondary_deg: float) -> Array:
    """Return the unit vector from isocentre to detector, in a frame's (left, posterior, superior).

    DICOM PS3.3 C.8.7.5.1.2: (0018,1510) counts from the front of the patient to his left (LAO), (0018,1511) to his
    head; 0 / 0 is a detector in front of the patient, +90 / 0 at his left, 0 / +90 at his head. The source lies
    opposite.
    """
    primary, secondary = np.deg2rad([primary_deg, secondary_deg])
    return read_only(
        np.array([np.sin(primary) * np.cos(secondary), -np.cos(primary) * np.cos(secondary), np.sin(secondary)])
    )


def from_positioner(
    isocenter_lps_mm: npt.ArrayLike,
    primary_deg: float,
    secondary_deg: float,
    *,
    frame: Frame,
    source_detector_mm: float,
    source_isocenter_mm: float,
    pixel_pitch_mm: tuple[float, float],
    size: tuple[int, int],
    principal_point_px: npt.ArrayLike | None = None,
    tube: Tube | None = None,
) -> CArm:
    """Build a C-arm from DICOM's positioner angles.

    Parameters
    ----------
    isocenter_lps_mm:
        The point the machine turns about; the central ray runs through it.
    primary_deg, secondary_deg:
        (0018,1510) and (0018,1511), see :func:`detector_direction`; primary 0 puts the tube behind the patient,
        primary 180 in front of him.
    frame:
        Frame whose axes "front", "left" and "head" mean; the scanner's for a machine described on the CT table.
    source_detector_mm, source_isocenter_mm:
        (0018,1110) and (0018,1111).
    principal_point_px:
        (column, row) where the central ray meets the detector; its middle by default.
    tube:
        Where the tube stands; by default told from the angles (within 45 degrees of the front: under the table;
        of the back: over it; else across).

    Notes
    -----
    The picture is looked at from the front of the patient, columns to his left and rows downwards, whichever side
    the tube is on: with the detector behind the patient it is therefore seen from the tube. A beam straight
    from the side (primary +-90) is seen from the detector.

    Raises
    ------
    InputError
        ``carm-distance`` unless 0 < source-isocentre < source-detector, ``carm-angle`` for angles out of range.
    """
    if not (np.isfinite(source_detector_mm) and 0 < source_isocenter_mm < source_detector_mm):
        raise InputError(
            "carm-distance",
            f"the source is {source_isocenter_mm} mm from the isocentre and {source_detector_mm} mm from the detector",
            "Give the source-detector distance and a smaller source-isocentre distance, both above zero",
        )
    if not (abs(primary_deg) <= 360 and abs(secondary_deg) <= 90):
        raise InputError(
            "carm-angle", f"positioner angles {primary_deg} / {secondary_deg} are outside +-360 / +-90 deg"
        )
    primary, secondary = np.deg2rad([primary_deg, secondary_deg])
    toward_detector = detector_direction(primary_deg, secondary_deg)
    # derivatives of the direction by the two angles: to the patient's left and head as seen from the detector
    columns = np.array([np.cos(primary), np.sin(primary), 0.0])
    upward = np.array([-np.sin(primary) * np.sin(secondary), np.cos(primary) * np.sin(secondary), np.cos(secondary)])
    if np.cos(primary) < -1e-9:
        columns = -columns
    isocenter = as_vector(isocenter_lps_mm, "isocentre")
    direction_lps = frame.direction_to_lps(toward_detector)
    column_lps, row_lps = frame.direction_to_lps(columns), frame.direction_to_lps(-upward)
    middle = (np.asarray(size, dtype=float) - 1.0) / 2.0
    principal = middle if principal_point_px is None else np.asarray(principal_point_px, dtype=float)
    foot = isocenter + (source_detector_mm - source_isocenter_mm) * direction_lps
    origin = foot - principal[0] * pixel_pitch_mm[0] * column_lps - principal[1] * pixel_pitch_mm[1] * row_lps
    return CArm(
        source_lps_mm=isocenter - source_isocenter_mm * direction_lps,
        detector_origin_lps_mm=origin,
        column_direction_lps=column_lps,
        row_direction_lps=row_lps,
        pixel_pitch_mm=pixel_pitch_mm,
        size=size,
        tube=tube if tube is not None else _tube_of(float(toward_detector[1])),
    )


def from_projection_matrix(
    matrix: npt.ArrayLike, pixel_pitch_mm: tuple[float, float], size: tuple[int, int], tube: Tube
) -> CArm:
    """Build a C-arm from a 3x4 projection matrix, the pitch fixing the scale the matrix leaves open.

    The matrix maps LPS mm to (column w, row w, w) with w > 0 in front of the source, up to a positive factor.
    The source is its null space; the rest is Hartley and Zisserman 2004, section 6.2.

    Raises
    ------
    InputError
        ``carm-matrix`` if it is no central projection onto square-angled pixels of this pitch.
    """
    p = np.asarray(matrix, dtype=float)
    if p.shape != (3, 4) or not np.isfinite(p).all() or abs(np.linalg.det(p[:, :3])) < 1e-12:
        raise InputError("carm-matrix", "the projection matrix must be 3x4 with an invertible left part")
    p = p / np.linalg.norm(p[2, :3])
    normal = p[2, :3]
    source = -np.linalg.solve(p[:, :3], p[:, 3])
    principal = p[:2, :3] @ normal
    across = p[:2, :3] - principal[:, None] * normal
    lengths = np.linalg.norm(across, axis=1)
    distances = lengths * np.asarray(pixel_pitch_mm)
    column, row = across / lengths[:, None]
    if abs(distances[0] / distances[1] - 1.0) > 1e-6 or abs(float(column @ row)) > 1e-6:
        raise InputError("carm-matrix", f"the projection matrix does not belong to pixels of {pixel_pitch_mm} mm")
    # take out the last rounding of the right angle
    row = row - (row @ column) * column
    offset = principal * np.asarray(pixel_pitch_mm)
    origin = source + distances.mean() * normal - offset[0] * column - offset[1] * row
    return CArm(source, origin, column, row, pixel_pitch_mm, size, tube)


def _tube_of(posterior_part_of_detector: float) -> Tube:
    if posterior_part_of_detector < -np.sqrt(0.5) + 1e-9:
        return Tube.UNDER_TABLE
    return Tube.OVER_TABLE if posterior_part_of_detector > np.sqrt(0.5) - 1e-9 else Tube.CROSS_TABLE
