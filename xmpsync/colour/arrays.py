"""Arrays of colours and matrices: `(..., 3)` and `(..., 3, 3)`, float64."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def apply(matrix: npt.ArrayLike, colours: npt.ArrayLike) -> FloatArray:
    """Colours (..., 3) after the matrix (..., 3, 3); leading axes broadcast."""
    return np.asarray(np.matmul(np.asarray(matrix, float), np.asarray(colours, float)[..., None])[..., 0])


def adjugate(matrix: FloatArray) -> FloatArray:
    """Adjugate (..., 3, 3): the inverse times the determinant, defined for singular matrices too."""
    rows = np.moveaxis(matrix, -2, 0)
    columns = np.stack([_cross(rows[1], rows[2]), _cross(rows[2], rows[0]), _cross(rows[0], rows[1])], axis=-1)
    return columns


def inverse(matrix: FloatArray) -> FloatArray:
    """Inverse (..., 3, 3) by cofactors, faster than LAPACK for many small matrices; singular ones give inf or NaN."""
    adjoint = adjugate(matrix)
    determinant = np.einsum("...j,...j->...", matrix[..., 0, :], adjoint[..., :, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(adjoint / determinant[..., None, None])


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    ax, ay, az = a[..., 0], a[..., 1], a[..., 2]
    bx, by, bz = b[..., 0], b[..., 1], b[..., 2]
    return np.stack([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx], axis=-1)
