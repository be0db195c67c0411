"""The least-squares adjustment that the references share: the camera's numbers and how sure they are.

The camera is a vector of eleven: the lens (log focal length, principal point x and y, k1, k2), a small
rotation on top of a start, and the translation. Every reference adds its own unknowns after these.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from lightgap.camera import Camera
from lightgap.lens import BEND
from lightgap.photo import Photo
from lightgap.plan import Plan
from lightgap.reference.found import PoseUncertainty

Array = NDArray[np.float64]

LENS_PARAMETERS = 5
CAMERA_PARAMETERS = LENS_PARAMETERS + 6
PRINCIPAL_POINT_STANDARD = 0.01
"""Standard deviation of the principal point about the centre, in picture widths."""
K1_STANDARD = 0.05
HELD = 1e-6
"""Standard deviation of what is held: k2 in a single photo, which tells one term of distortion only."""
FOCAL_STANDARD = 0.03
"""Relative: the 35 mm equivalent in EXIF is a whole number, and focusing lengthens the lens."""
FOCAL_STANDARD_NEAR = 0.06
"""The same under ``NEAR_MM``, where focusing lengthens the lens by 2 to 3 % and more."""
FOCAL_STANDARD_UNTOLD = 0.3
NEAR_MM = 300.0
THICKNESS_STANDARD_MM = 0.4
"""Of the plan's thickness, typed to the millimetre: now and then it is a whole millimetre off."""
WORST_STRAIN = 2.5
"""A lens that had to go further from what is known of it is doubted."""

_TAPER_HALF_WIDTH_MM = 2.0
_ROUGH = 1e-4
_STEP = 0.01  # of a standard deviation


@dataclass(frozen=True, eq=False)
class CameraPrior:
    """What is known of the camera before the adjustment.

    Attributes
    ----------
    mean, standard : ndarray, shape (5,)
        Log focal length, principal point x and y in px, k1, k2.
    """

    mean: Array
    standard: Array

    def residuals(self, vector: Array) -> Array:
        """Distance from the prior in standard deviations, shape (5,)."""
        return (vector[:LENS_PARAMETERS] - self.mean) / self.standard

    def jacobian(self, columns: int) -> Array:
        """Derivative of the residuals, shape (5, columns)."""
        return np.eye(LENS_PARAMETERS, columns) / self.standard[:, None]

    def strain(self, vector: Array) -> float:
        """How far focal length and principal point went from what is known of them, in sigma."""
        return float(np.abs(self.residuals(vector)[:3]).max())


def camera_prior(photo: Photo, distance_mm: float) -> CameraPrior:
    """Return the prior of a photo taken from about ``distance_mm``: from its lens's profile, or from EXIF."""
    focal_px = np.log(photo.default_focal_px)
    if photo.profile is not None:
        profile = photo.profile
        centre, spread = profile.principal_point(photo.width, photo.height, photo.orientation)
        return CameraPrior(
            np.array([focal_px, *centre, profile.k1, profile.k2]),
            np.array(
                [
                    profile.focal_spread(distance_mm),
                    spread,
                    spread,
                    float(np.hypot(profile.k1_standard, BEND)),
                    HELD,
                ]
            ),
        )
    focal = FOCAL_STANDARD_NEAR if distance_mm < NEAR_MM else FOCAL_STANDARD
    if photo.focal_px is None:
        focal = FOCAL_STANDARD_UNTOLD
    place = PRINCIPAL_POINT_STANDARD * max(photo.width, photo.height)
    return CameraPrior(
        np.array([focal_px, *picture_centre(photo), 0.0, 0.0]),
        np.array([focal, place, place, K1_STANDARD, HELD]),
    )


def lens_strain(photo: Photo, camera: Camera) -> float:
    """How far a camera's focal length and principal point lie from what is known of the lens, in sigma."""
    return camera_prior(photo, float(camera.foot_mm[2])).strain(vector_of(camera))


def picture_centre(photo: Photo) -> Array:
    """The middle of the picture, px, shape (2,)."""
    return np.array([photo.width - 1.0, photo.height - 1.0]) / 2.0


def vector_of(camera: Camera) -> Array:
    """Return the numbers of a camera, with its own rotation as the start."""
    lens = [np.log(camera.focal_px), *camera.centre_px, camera.k1, camera.k2]
    return np.concatenate([lens, np.zeros(3), camera.translation])


def camera_of(vector: Array, start: Camera) -> Camera:
    """Return the camera of such a vector; ``start`` holds the rotation that the small one is laid on."""
    turn = _rotation(vector[5:8])
    return Camera(
        float(np.exp(vector[0])),
        vector[1:3].copy(),
        turn @ start.rotation,
        vector[8:11].copy(),
        float(vector[3]),
        float(vector[4]),
    )


def project_with_jacobian(vector: Array, start: Camera, points_mm: Array) -> tuple[Array, Array, Array]:
    """Project points and differentiate.

    Parameters
    ----------
    vector : ndarray, shape (11,) or longer
    start : Camera
    points_mm : ndarray, shape (n, 3)

    Returns
    -------
    pixels : ndarray, shape (n, 2)
    by_camera : ndarray, shape (n, 2, 11)
        Derivative by the camera's numbers.
    by_point : ndarray, shape (n, 2, 3)
        Derivative by the point's own place.
    """
    focal = float(np.exp(vector[0]))
    matrix = np.array([[focal, 0.0, vector[1]], [0.0, focal, vector[2]], [0.0, 0.0, 1.0]])
    lens = np.array([vector[3], vector[4], 0.0, 0.0])
    turn = np.ascontiguousarray(vector[5:8])
    shift = np.ascontiguousarray(vector[8:11])
    pixels, raw = cv2.projectPoints(points_mm @ start.rotation.T, turn, shift, matrix, lens)
    # OpenCV's columns: rotation 0-2, translation 3-5, fx, fy 6-7, cx, cy 8-9, k1, k2 10-11.
    raw = raw.reshape(len(points_mm), 2, -1)
    by_camera = np.concatenate(
        [
            focal * raw[..., 6:8].sum(axis=-1, keepdims=True),
            raw[..., 8:10],
            raw[..., 10:12],
            raw[..., 0:6],
        ],
        axis=-1,
    )
    rotation = _rotation(turn) @ start.rotation
    by_point = np.asarray(raw[..., 3:6] @ rotation, dtype=float)
    return np.asarray(pixels, dtype=float).reshape(-1, 2), by_camera, by_point


def _rotation(turn: Array) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,)."""
    return np.asarray(cv2.Rodrigues(np.ascontiguousarray(turn))[0], dtype=float).reshape(3, 3)


def plane_poses(points_mm: Array, pixels: Array, focal_px: float, centre_px: Array) -> list[Camera]:
    """Both poses from which points of a plane are seen so (OpenCV's IPPE), without distortion.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 2), n >= 4
        On the plane z = 0.
    pixels : ndarray, shape (n, 2)

    Returns
    -------
    list of Camera
        Those that stand above the plane.
    """
    matrix = np.array([[focal_px, 0.0, centre_px[0]], [0.0, focal_px, centre_px[1]], [0.0, 0.0, 1.0]])
    solid = np.column_stack([points_mm, np.zeros(len(points_mm))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(
        solid, np.ascontiguousarray(pixels), matrix, np.zeros(4), flags=cv2.SOLVEPNP_IPPE
    )
    poses = [
        Camera(
            focal_px,
            centre_px,
            _rotation(np.asarray(turn, dtype=float)),
            np.asarray(shift, dtype=float).reshape(3),
        )
        for turn, shift in zip(turns, shifts, strict=True)
    ]
    return [pose for pose in poses if pose.foot_mm[2] > 0.0]


@dataclass(frozen=True, eq=False)
class Adjusted:
    """An adjustment's answer.

    Attributes
    ----------
    vector : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        From the column-scaled Jacobian, for residuals of unit variance.
    residuals : ndarray, shape (m,)
        The observations' own, in standard deviations, without the priors.
    cost : float
        Half the robust sum of squares, priors included.
    """

    vector: Array
    covariance: Array
    residuals: Array
    cost: float


def adjust(
    model: Callable[[Array], tuple[Array, Array]],
    start: Array,
    observations: int,
    cauchy: tuple[float, ...],
    tolerance: float = 1e-9,
) -> Adjusted:
    """Adjust by robust least squares (Cauchy's loss), from a wide loss to a narrow one.

    Parameters
    ----------
    model : callable
        Vector (p,) to residuals (m,) in standard deviations and their Jacobian (m, p). The first
        ``observations`` residuals are taken robustly, the rest are priors and are not.
    start : ndarray, shape (p,)
    observations : int
    cauchy : tuple of float
        One round for each: standard deviations at which the loss turns from square to logarithm. A
        start that is many standard deviations off would stay where it is under the narrow loss alone.
    tolerance : float
        Relative change of cost and vector at which the last round ends; those before it only lead there.
    """
    vector, at = start, _Last(model)
    for width in cauchy:
        end = tolerance if width == cauchy[-1] else max(tolerance, _ROUGH)
        found = least_squares(
            lambda vector: at(vector)[0],
            vector,
            jac=lambda vector: at(vector)[1],
            loss=_cauchy_loss(width, observations),
            x_scale="jac",
            xtol=end,
            ftol=end,
            gtol=None,
            max_nfev=60,
        )
        vector = found.x
    residuals, jacobian = at(vector)
    return Adjusted(vector, covariance_of(jacobian), residuals[:observations], float(found.cost))


class _Last:
    """A model that remembers its last answer: residuals and Jacobian are asked for one after the other."""

    def __init__(self, model: Callable[[Array], tuple[Array, Array]]) -> None:
        self._model = model
        self._vector: Array | None = None
        self._answer: tuple[Array, Array]

    def __call__(self, vector: Array) -> tuple[Array, Array]:
        if self._vector is None or not np.array_equal(vector, self._vector):
            self._vector, self._answer = vector.copy(), self._model(vector)
        return self._answer


def _cauchy_loss(width: float, observations: int) -> Callable[[Array], Array]:
    """SciPy's form of Cauchy's loss on the first residuals: value, first and second derivative."""

    def loss(square: Array) -> Array:
        rho = np.stack([square, np.ones_like(square), np.zeros_like(square)])
        bent = 1.0 + square[:observations] / width**2
        rho[:, :observations] = width**2 * np.log(bent), 1.0 / bent, -1.0 / (width * bent) ** 2
        return rho

    return loss


def covariance_of(jacobian: Array) -> Array:
    """Covariance of unit-variance residuals, by inverting the column-scaled normal matrix.

    A pseudo-inverse would hide an unknown that the observations do not tell; this lets it grow.
    """
    size = np.linalg.norm(jacobian, axis=0)
    scaled = jacobian / size
    return np.asarray(np.linalg.inv(scaled.T @ scaled) / np.outer(size, size))


def pose_uncertainty(
    vector: Array, covariance: Array, start: Camera, plan: Plan, centre_px: Array
) -> PoseUncertainty:
    """Propagate the camera's covariance to what is measured on the ring's top face.

    The ring's own place is not known yet: a ring of the plan is laid where ``centre_px`` is seen, each
    of its joints' corners is held fixed in the picture, and the camera is moved a little along the
    columns of the square root of its covariance (JCGM 100:2008 clause 5.2.2; a little, because a whole
    sigma of a focal length that nobody told is no small step). The joint with the largest uncertainty
    speaks for all.

    Parameters
    ----------
    vector : ndarray, shape (>= 11,)
    covariance : ndarray, shape (>= 11, >= 11)
    """
    camera = camera_of(vector, start)
    height = plan.thickness_mm
    corners = _ring_corners(plan) + camera.to_plane(centre_px, height)
    pixels = camera.project_plane(corners, height)
    block = covariance[:CAMERA_PARAMETERS, :CAMERA_PARAMETERS]
    size = np.sqrt(np.diag(block))
    values, directions = np.linalg.eigh(block / np.outer(size, size))
    columns = _STEP * (size[:, None] * directions * np.sqrt(np.maximum(values, 0.0))).T
    before = _figures(corners)
    moved = [
        _figures(camera_of(vector[:CAMERA_PARAMETERS] + column, start).to_plane(pixels, height))
        for column in columns
    ]
    change = np.sqrt(sum((after - before) ** 2 for after in moved)) / _STEP
    worst = change.max(axis=-1)
    scale, pitch, skew, mitre, included, taper, radial = (float(value) for value in worst)
    return PoseUncertainty(
        scale=scale,
        pitch_deg=math.degrees(pitch),
        skew_deg=math.degrees(skew),
        mitre_deg=math.degrees(mitre),
        included_deg=math.degrees(included),
        taper_deg=math.degrees(taper),
        radial_mm=radial * plan.outer_mm,
    )


def thickness_uncertainty(camera: Camera, plan: Plan) -> PoseUncertainty:
    """What a thickness typed wrong does: all grows by its error over the camera's height above the face."""
    scale = THICKNESS_STANDARD_MM / (float(camera.foot_mm[2]) - plan.thickness_mm)
    return PoseUncertainty(scale, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


def _ring_corners(plan: Plan) -> Array:
    """The planned joints' corners, shape (N, 2 faces, 2 ends, 2), centre at the origin."""
    angle = np.radians(plan.pitch_deg) * np.arange(plan.segments)
    along = np.stack([np.cos(angle), np.sin(angle)], axis=-1)[:, None, None, :]
    across = np.stack([-np.sin(angle), np.cos(angle)], axis=-1)[:, None, None, :]
    radii = np.array(plan.joint_radii_mm)[None, None, :, None]
    sides = np.array([-1.0, 1.0])[None, :, None, None]
    return np.asarray(radii * along + sides * _TAPER_HALF_WIDTH_MM * across)


def _figures(corners: Array) -> Array:
    """Scale and angles of a ring of joints, shape (7, N); the order of `PoseUncertainty`.

    All free of the ring's place and turn; angles in radians, the radial offset relative to the radius.
    """
    ends = corners.mean(axis=1)
    centre = ends[:, 1].mean(axis=0)
    middle = ends.mean(axis=1) - centre
    face = corners[:, :, 1] - corners[:, :, 0]
    edge = np.roll(ends[:, 1], -1, axis=0) - ends[:, 1]
    place, line, side = _direction(middle), _direction(ends[:, 1] - ends[:, 0]), _direction(edge)
    face_direction = _direction(face)
    size = np.hypot(*(ends[:, 1] - centre).T)
    chord = np.hypot(*((np.roll(ends[:, 1], -1, axis=0) + ends[:, 1]) / 2.0 - centre).T)
    steps = np.arange(len(corners)) * 2.0 * np.pi / len(corners)
    return np.stack(
        [
            np.full(len(corners), np.log(size.mean())),
            _wrapped(place - steps - np.angle(np.exp(1j * (place - steps)).mean())),
            _wrapped(line - place),
            _wrapped(side - line),
            _wrapped(np.roll(line, -1) - line),
            _wrapped(face_direction[:, 1] - face_direction[:, 0]),
            chord / chord.mean(),
        ]
    )


def _direction(vectors: Array) -> Array:
    return np.asarray(np.arctan2(vectors[..., 1], vectors[..., 0]))


def _wrapped(angle: Array) -> Array:
    return np.asarray((angle + np.pi) % (2.0 * np.pi) - np.pi)
