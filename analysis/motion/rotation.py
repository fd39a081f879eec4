"""Vectorised rotations with w-first quaternions, for arrays too long for one object per rotation."""

from __future__ import annotations

import numpy as np

from analysis.model.records import FloatArray


def matrices(quat_wxyz: FloatArray) -> FloatArray:
    """Rotation matrices of unit quaternions.

    Parameters
    ----------
    quat_wxyz : float64 (n, 4)

    Returns
    -------
    float64 (n, 3, 3)

    Examples
    --------
    >>> matrices(np.array([[1.0, 0, 0, 0]]))[0].tolist()
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]
    """
    w, x, y, z = quat_wxyz.T
    out = np.empty((len(quat_wxyz), 3, 3))
    out[:, 0, 0] = 1 - 2 * (y * y + z * z)
    out[:, 0, 1] = 2 * (x * y - w * z)
    out[:, 0, 2] = 2 * (x * z + w * y)
    out[:, 1, 0] = 2 * (x * y + w * z)
    out[:, 1, 1] = 1 - 2 * (x * x + z * z)
    out[:, 1, 2] = 2 * (y * z - w * x)
    out[:, 2, 0] = 2 * (x * z - w * y)
    out[:, 2, 1] = 2 * (y * z + w * x)
    out[:, 2, 2] = 1 - 2 * (x * x + y * y)
    return out


def rotate(quat_wxyz: FloatArray, vectors: FloatArray) -> FloatArray:
    """Rotate vectors: ``v + 2 w (u x v) + 2 u x (u x v)`` for the quaternion ``(w, u)``.

    Parameters
    ----------
    quat_wxyz : float64 (n, 4)
    vectors : float64 (n, 3) or (3,)

    Returns
    -------
    float64 (n, 3)
    """
    w, x, y, z = quat_wxyz.T
    a, b, c = np.asarray(vectors, dtype=np.float64).T
    s, t, r = y * c - z * b, z * a - x * c, x * b - y * a
    out = np.empty((len(quat_wxyz), 3))
    out[:, 0] = a + 2 * (w * s + y * r - z * t)
    out[:, 1] = b + 2 * (w * t + z * s - x * r)
    out[:, 2] = c + 2 * (w * r + x * t - y * s)
    return out


def multiply(left_wxyz: FloatArray, right_wxyz: FloatArray) -> FloatArray:
    """Quaternion products, row by row: the rotation ``right`` followed by ``left``.

    Parameters
    ----------
    left_wxyz, right_wxyz : float64 (n, 4)

    Returns
    -------
    float64 (n, 4)
    """
    a, b, c, d = left_wxyz.T
    w, x, y, z = right_wxyz.T
    product = (
        a * w - b * x - c * y - d * z,
        a * x + b * w + c * z - d * y,
        a * y - b * z + c * w + d * x,
        a * z + b * y - c * x + d * w,
    )
    return np.stack(product, axis=1)


def yaw_matrix(angle_rad: float) -> FloatArray:
    """Rotation by an angle (rad) about the world's vertical.

    Parameters
    ----------
    angle_rad : float
        Counterclockwise as seen from above.

    Returns
    -------
    float64 (3, 3)

    Examples
    --------
    >>> np.round(yaw_matrix(np.pi / 2) @ [1.0, 0.0, 0.0], 12).tolist()
    [0.0, 1.0, 0.0]
    """
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def turned_about_vertical(quat_wxyz: FloatArray, angle_rad: float) -> FloatArray:
    """Orientations (n, 4) turned by an angle about the world's vertical.

    Parameters
    ----------
    quat_wxyz : float64 (n, 4)
        Unit quaternions, from the sensor to a world whose z axis points up.
    angle_rad : float
        Counterclockwise as seen from above.

    Returns
    -------
    float64 (n, 4)
    """
    half = 0.5 * angle_rad
    return multiply(np.broadcast_to([np.cos(half), 0.0, 0.0, np.sin(half)], quat_wxyz.shape), quat_wxyz)


def cross_matrix(vector: FloatArray) -> FloatArray:
    """The matrix ``[v]x`` with ``[v]x @ u = v x u``."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
