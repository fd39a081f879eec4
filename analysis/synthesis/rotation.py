"""Quaternions and finite differences for the forward model, component-first: vectors are (3, n), quaternions (4, n).

Component-first arrays keep every component contiguous, which makes long sessions quick. The estimator uses other
code on purpose: the two must not share a mistake.
"""

from __future__ import annotations

import numpy as np

from analysis.model.records import FloatArray

# Seven-point central differences, sixth order: exact enough that the signals are those of the smooth motion.
_FIRST = np.array([-1.0, 9.0, -45.0, 0.0, 45.0, -9.0, 1.0]) / 60.0
_SECOND = np.array([2.0, -27.0, 270.0, -490.0, 270.0, -27.0, 2.0]) / 180.0
STENCIL_MARGIN = 3
"""Samples that a derivative loses at either end."""


def exp_quat(rotvec_rad: FloatArray) -> FloatArray:
    """Return the quaternions (4, n) of rotation vectors (3, n) in radians."""
    angle = np.sqrt(np.einsum("in,in->n", rotvec_rad, rotvec_rad))
    half = 0.5 * angle
    scale = np.full_like(angle, 0.5)
    np.divide(np.sin(half), angle, out=scale, where=angle > 1e-9)
    quat = np.empty((4, angle.size))
    np.cos(half, out=quat[0])
    np.multiply(rotvec_rad, scale, out=quat[1:])
    return quat


def multiply(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the Hamilton products ``a b``; both (4, n) or (4, 1)."""
    aw, ax, ay, az = a
    bw, bx, by, bz = b
    return np.stack(
        (
            aw * bw - ax * bx - ay * by - az * bz,
            aw * bx + ax * bw + ay * bz - az * by,
            aw * by - ax * bz + ay * bw + az * bx,
            aw * bz + ax * by - ay * bx + az * bw,
        )
    )


def conjugate(quat: FloatArray) -> FloatArray:
    """Return the inverse rotations."""
    inverse: FloatArray = quat * np.array([1.0, -1.0, -1.0, -1.0])[:, None]
    return inverse


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the vector products of (3, n) arrays."""
    return np.stack((a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]))


def rotate(quat: FloatArray, vector: FloatArray) -> FloatArray:
    """Rotate vectors (3, n) by quaternions (4, n); either may have a single column."""
    axis = quat[1:]
    twice = 2.0 * cross(axis, vector)
    turned: FloatArray = vector + quat[0] * twice + cross(axis, twice)
    return turned


def matrix(quat: FloatArray) -> FloatArray:
    """Return the 3x3 rotation matrix of one quaternion (4,)."""
    return rotate(quat.reshape(4, 1), np.eye(3))


def quat_from_matrix(rotation: FloatArray) -> FloatArray:
    """Return the quaternion (4,) of one proper rotation matrix, by its largest component."""
    trace = float(np.trace(rotation))
    square = np.array([trace, *(2.0 * np.diag(rotation) - trace)])
    k = int(np.argmax(square))
    skew = np.array([rotation[2, 1] - rotation[1, 2], rotation[0, 2] - rotation[2, 0], rotation[1, 0] - rotation[0, 1]])
    if k == 0:
        quat = np.array([1.0 + trace, *skew])
    else:
        i = k - 1
        quat = np.empty(4)
        quat[0] = skew[i]
        quat[1:] = rotation[i] + rotation[:, i]
        quat[k] = 1.0 + 2.0 * rotation[i, i] - trace
    unit: FloatArray = quat / np.linalg.norm(quat)
    return unit


def random_quat(rng: np.random.Generator) -> FloatArray:
    """Return one uniformly distributed rotation as a quaternion (4,)."""
    quat = rng.normal(size=4)
    unit: FloatArray = quat / np.linalg.norm(quat)
    return unit


def _apply(stencil: FloatArray, values: FloatArray) -> FloatArray:
    n = values.shape[1] - 2 * STENCIL_MARGIN
    total = np.zeros((values.shape[0], n))
    for i, weight in enumerate(stencil):
        if weight != 0.0:
            total += weight * values[:, i : i + n]
    return total


def first_derivative(values: FloatArray, step_s: float) -> FloatArray:
    """Return d/dt of (d, n) as (d, n - 6)."""
    return _apply(_FIRST, values) / step_s


def second_derivative(values: FloatArray, step_s: float) -> FloatArray:
    """Return d2/dt2 of (d, n) as (d, n - 6)."""
    return _apply(_SECOND, values) / step_s**2


def angular_velocity(quat: FloatArray, step_s: float) -> FloatArray:
    """Return the body-axis angular velocity (3, n - 6) in rad/s of body-to-world quaternions (4, n)."""
    inner = quat[:, STENCIL_MARGIN : quat.shape[1] - STENCIL_MARGIN]
    omega: FloatArray = 2.0 * multiply(conjugate(inner), first_derivative(quat, step_s))[1:]
    return omega
