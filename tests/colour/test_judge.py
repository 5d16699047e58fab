"""colour-science against our own colour model, over every kind of profile and the whole range of numbers."""

from __future__ import annotations

import numpy as np
import pytest

from tests.colour import profiles
from xmpsync.colour import judge
from xmpsync.colour.camera import neutral_from_white, render
from xmpsync.colour.cielab import lab_from_xyz_d50, skin_difference, xyz_d50_from_lab

KINDS = profiles.kinds()
# Mean CIELAB of light, intermediate, tan and dark skin: rounded class means of published surveys, from memory.
SKIN_LAB = np.array([[68.0, 9.0, 16.0], [62.0, 12.0, 19.0], [54.0, 14.0, 22.0], [38.0, 11.0, 14.0]])


@pytest.mark.parametrize("kind", KINDS)
def test_both_implementations_render_the_same(kind: str) -> None:
    rng = np.random.default_rng(5)
    n = 400
    temperature_k, tint, gain_ev = 1e6 / rng.uniform(20, 500, n), rng.uniform(-150, 150, n), rng.uniform(-4, 4, n)
    camera = neutral_from_white(KINDS[kind], temperature_k, 0.0) * rng.uniform(0.05, 0.9, (n, 3))
    ours = render(KINDS[kind], camera, temperature_k, tint, gain_ev)
    theirs = judge.rendered(KINDS[kind], camera, temperature_k, tint, gain_ev)
    # both read the same table of 31 isotherms; what is left is rounding and the printed digits of the D50 white
    np.testing.assert_allclose(theirs, ours, rtol=2e-4, atol=2e-5)


def test_both_implementations_judge_skin_the_same() -> None:
    rng = np.random.default_rng(6)
    reference = np.repeat(SKIN_LAB, 50, axis=0)
    xyz = xyz_d50_from_lab(reference) * np.exp(rng.normal(0.0, 0.1, reference.shape)) * 2 ** rng.normal(0, 1, (200, 1))
    ours = skin_difference(xyz, xyz_d50_from_lab(reference))
    theirs = judge.skin_difference(xyz, reference)
    np.testing.assert_allclose(theirs[0], ours[0], atol=1e-3)
    np.testing.assert_allclose(theirs[1], ours[1], atol=1e-4)
    assert ours[0].max() > 5  # the sample reaches beyond small differences
    np.testing.assert_allclose(lab_from_xyz_d50(xyz_d50_from_lab(reference)), reference, atol=1e-9)
