"""Arrays of colours and matrices: `(..., 3)` and `(..., 3, 3)`, float64.

Many small matrices are fastest laid out by component: the axes of the matrix outermost in memory, so that a step works
on long rows of numbers. `by_component` makes such arrays; what is computed from them keeps the layout, and every
function here takes either.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def apply(matrix: npt.ArrayLike, colours: npt.ArrayLike) -> FloatArray:
    """Colours (..., 3) after the matrix (..., 3, 3); leading axes broadcast."""
    return np.asarray(np.einsum("...ij,...j->...i", np.asarray(matrix, float), np.asarray(colours, float)))


def product(left: FloatArray, right: FloatArray) -> FloatArray:
    """Matrix products (..., n, m) of (..., n, k) and (..., k, m); leading axes broadcast."""
    return np.asarray(np.einsum("...ij,...jk->...ik", left, right))


def by_component(values: FloatArray, axes: int) -> FloatArray:
    """The same array with its last `axes` axes outermost in memory."""
    return outer_last(np.ascontiguousarray(inner_first(values, axes)), axes)


def inner_first(values: FloatArray, axes: int) -> FloatArray:
    """A view with the last `axes` axes in front (`np.moveaxis`, at a fraction of its cost for small arrays)."""
    n = values.ndim - axes
    return values.transpose(*range(n, values.ndim), *range(n))


def outer_last(values: FloatArray, axes: int) -> FloatArray:
    """A view with the first `axes` axes behind: `inner_first` undone."""
    return values.transpose(*range(axes, values.ndim), *range(axes))


def from_components(*components: FloatArray) -> FloatArray:
    """Colours (..., k) of k components (...), laid out by component."""
    out = np.empty((len(components), *components[0].shape))
    for k, component in enumerate(components):
        out[k] = component
    return outer_last(out, 1)


def adjugate(matrix: FloatArray) -> FloatArray:
    """Adjugate (..., 3, 3): the inverse times the determinant, defined for singular matrices too."""
    (a, b, c), (d, e, f), (g, h, i) = inner_first(by_component(matrix, 2), 2)
    out = np.empty((3, 3, *a.shape))
    out[0, 0], out[0, 1], out[0, 2] = e * i - f * h, c * h - b * i, b * f - c * e
    out[1, 0], out[1, 1], out[1, 2] = f * g - d * i, a * i - c * g, c * d - a * f
    out[2, 0], out[2, 1], out[2, 2] = d * h - e * g, b * g - a * h, a * e - b * d
    return outer_last(out, 2)


def inverse(matrix: FloatArray) -> FloatArray:
    """Inverse (..., 3, 3) by cofactors, faster than LAPACK for many small matrices; singular ones give inf or NaN."""
    adjoint = adjugate(matrix)
    determinant = np.einsum("...j,...j->...", matrix[..., 0, :], adjoint[..., :, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(adjoint / determinant[..., None, None])
