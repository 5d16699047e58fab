"""The closed form: what it finds renders as the target; who cannot be rendered so is told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.colour import profiles
from xmpsync.colour.camera import neutral_from_white, render
from xmpsync.colour.camera_profile import CameraProfile
from xmpsync.colour.match import settings_for_target

KINDS = profiles.kinds()


def _skin_as_seen(profile: CameraProfile, light_name: str) -> np.ndarray:
    """Camera values of the chart's dark and light skin (colour-science's measured ColorChecker)."""
    e = profiles.light(light_name)
    s = profiles.sensitivity(profile.name)
    return (profiles.chart()[:2] * e @ s) / (e @ s).max()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("light", ["A", "FL2", "FL11", "D50", "D75", "LED-B3"])
def test_skin_of_every_light_lands_on_its_daylight_colour(kind: str, light: str) -> None:
    profile = KINDS[kind]
    daylight = _skin_as_seen(profile, "D55")
    target = render(profile, daylight, 5500.0, 9.6, 0.2)
    temperature_k, tint, ev = settings_for_target(profile, _skin_as_seen(profile, light), target)
    assert np.isfinite(temperature_k).all()
    found = render(profile, _skin_as_seen(profile, light), temperature_k, tint, ev)
    np.testing.assert_allclose(found, target, rtol=1e-6)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=40)
@given(mired=st.floats(110, 400), tint=st.floats(-40, 40), ev=st.floats(-3, 3))
def test_the_settings_that_made_a_colour_are_found_again(kind: str, mired: float, tint: float, ev: float) -> None:
    profile = KINDS[kind]
    # Skin-like: the neutral of the light times a balanced skin ratio (lighter skin is about 1 : 0.7 : 0.55).
    camera = neutral_from_white(profile, 1e6 / mired, tint) * np.array([0.5, 0.36, 0.28])
    target = render(profile, camera, 1e6 / mired, tint, ev)
    # A poorly fitted sensor may see skin under an odd light as no colour at all: nothing to find there.
    assume((target > 0.02).all() or not kind.startswith("another"))
    temperature_k, found_tint, found_ev = settings_for_target(profile, camera, target)
    again = render(profile, camera, temperature_k, found_tint, found_ev)
    np.testing.assert_allclose(again, target, rtol=1e-6)
    # A sensor whose channels overlap as much as stacked photodiodes do can reach one colour by several settings.
    if kind.startswith("another"):
        return
    assert found_ev == pytest.approx(ev, abs=0.01)
    assert 1e6 / temperature_k == pytest.approx(mired, abs=0.01)
    assert found_tint == pytest.approx(tint, abs=0.01)


def test_what_cannot_be_solved_is_nan_in_all_three_and_its_neighbours_are_not() -> None:
    profile = profiles.measured()
    camera = np.array([[0.3, 0.25, 0.15], [0.3, 0.0, 0.15], [0.3, 0.25, 0.15], [np.nan, 0.2, 0.1]])
    target = np.array([[0.3, 0.28, 0.2], [0.3, 0.28, 0.2], [0.3, -0.1, 0.2], [0.3, 0.28, 0.2]])
    found = np.stack(settings_for_target(profile, camera, target), axis=-1)
    assert np.isfinite(found[0]).all()
    assert np.isnan(found[1:]).all()


def test_one_target_serves_many_frames() -> None:
    profile = profiles.measured()
    camera = np.random.default_rng(2).uniform(0.9, 1.1, (50, 3)) * [0.4, 0.35, 0.25]
    temperature_k, tint, ev = settings_for_target(profile, camera, np.array([0.34, 0.32, 0.2]))
    assert temperature_k.shape == (50,)
    np.testing.assert_allclose(render(profile, camera, temperature_k, tint, ev),
                               np.broadcast_to([0.34, 0.32, 0.2], (50, 3)), rtol=1e-6)  # fmt: skip
