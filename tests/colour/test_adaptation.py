"""White points and the Bradford adaptation against colour-science."""

from __future__ import annotations

import numpy as np
import pytest

from tests.colour.reference import colour_science
from xmpsync.colour import adaptation
from xmpsync.colour.arrays import adjugate, apply, by_component, inverse, product

A_XY = (0.44757, 0.40745)  # CIE 015


@pytest.mark.parametrize("source", [adaptation.XYZ_D65, adaptation.xyz_from_xy(A_XY)])
def test_the_source_white_becomes_the_adapted_white_exactly(source: np.ndarray) -> None:
    matrix = adaptation.adapted_from_source(source, adaptation.XYZ_D50)
    np.testing.assert_allclose(matrix @ source, adaptation.XYZ_D50, atol=1e-14)


def test_there_and_back_multiply_to_identity() -> None:
    there = adaptation.adapted_from_source(adaptation.XYZ_D65, adaptation.XYZ_D50)
    back = adaptation.adapted_from_source(adaptation.XYZ_D50, adaptation.XYZ_D65)
    np.testing.assert_allclose(there @ back, np.eye(3), atol=1e-14)
    pair = adaptation.BRADFORD_LMS_FROM_XYZ @ adaptation.BRADFORD_XYZ_FROM_LMS
    np.testing.assert_allclose(pair, np.eye(3), atol=1e-14)


def test_agrees_with_colour_science_bradford() -> None:
    a, d50 = adaptation.xyz_from_xy(A_XY), adaptation.XYZ_D50
    theirs = colour_science().adaptation.matrix_chromatic_adaptation_VonKries(a, d50, transform="Bradford")
    np.testing.assert_allclose(adaptation.adapted_from_source(a, d50), theirs, atol=1e-12)


def test_d65_to_d50_is_the_matrix_that_icc_profiles_carry() -> None:
    # Lindbloom, "Chromatic Adaptation", Bradford D65 -> D50, printed to 7 digits for slightly different white points.
    lindbloom = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    ours = adaptation.adapted_from_source(adaptation.XYZ_D65, adaptation.XYZ_D50)
    np.testing.assert_allclose(ours, lindbloom, atol=3e-4)


def test_many_matrices_at_once_equal_one_by_one() -> None:
    rng = np.random.default_rng(3)
    matrices, colours = rng.normal(size=(3, 5, 3, 3)), rng.normal(size=(3, 5, 3))
    np.testing.assert_allclose(inverse(matrices), np.linalg.inv(matrices), rtol=1e-9)
    np.testing.assert_allclose(adjugate(matrices), np.linalg.inv(matrices) * np.linalg.det(matrices)[..., None, None],
                               rtol=1e-9, atol=1e-12)  # fmt: skip
    applied = apply(matrices, colours)
    for i in range(3):
        for k in range(5):
            np.testing.assert_allclose(applied[i, k], matrices[i, k] @ colours[i, k])


def test_layout_by_component_changes_no_value() -> None:
    rng = np.random.default_rng(4)
    matrices, colours = rng.normal(size=(50, 3, 3)), rng.normal(size=(50, 3))
    laid_out = by_component(matrices, 2)
    assert laid_out.strides[0] == 8
    np.testing.assert_array_equal(laid_out, matrices)
    np.testing.assert_allclose(inverse(laid_out), np.linalg.inv(matrices), rtol=1e-9)
    np.testing.assert_allclose(product(laid_out, laid_out), np.matmul(matrices, matrices), atol=1e-12)
    np.testing.assert_allclose(apply(laid_out, colours), np.matmul(matrices, colours[..., None])[..., 0], atol=1e-12)


def test_three_colours_are_not_mistaken_for_a_matrix() -> None:
    matrix, colours = np.arange(9.0).reshape(3, 3), np.arange(9.0).reshape(3, 3) + 1
    np.testing.assert_allclose(apply(matrix, colours), [matrix @ c for c in colours])
