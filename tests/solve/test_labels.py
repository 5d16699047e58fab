"""What a light's cells may be called: how far off they may be, one by one or all of a light."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_t

from xmpsync.solve.labels import _tails
from xmpsync.solve.settings import DEFAULT

NU = DEFAULT.variances.tail


def test_tails_are_those_of_each_cell_or_of_the_whole_light_as_likely() -> None:
    rest = np.random.default_rng(3).normal(0.0, 3.0, (5, 4, 2))
    got = _tails((rest**2).sum(axis=-1), NU)
    # scipy's density, an independent implementation; factors 2 pi are left out
    each = np.array([[multivariate_t.pdf(cell, df=NU, shape=np.eye(2)) for cell in light] for light in rest]).prod(
        axis=1
    )
    together = np.array([multivariate_t.pdf(light.ravel(), df=NU, shape=np.eye(8)) for light in rest])
    assert got == pytest.approx(-2.0 * np.log((each + together) * (2.0 * np.pi) ** 4), abs=1e-9)


def test_where_a_light_moves_every_skin_the_one_it_moves_most_is_no_stranger_for_that() -> None:
    # a coloured lamp: all cells are off, one most; a stranger in its place would leave the others as they are
    def gained(others: float) -> float:
        with_it, without = _tails(np.array([[others] * 5 + [80.0], [others] * 5 + [0.5]]), NU)
        return float(with_it - without)

    alone = (NU + 2.0) * (np.log1p(80.0 / NU) - np.log1p(0.5 / NU))
    assert gained(2.0) > 0.9 * alone  # in a usual light it is as far off as it was
    assert gained(20.0) < 0.7 * alone
