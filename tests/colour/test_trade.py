"""Facts of the trade (common practice): which way the settings move a picture."""

from __future__ import annotations

import numpy as np
import pytest

from tests.colour import profiles
from xmpsync.colour.camera import neutral_from_white, render, white_from_neutral
from xmpsync.colour.cielab import lab_from_xyz_d50
from xmpsync.colour.match import settings_for_target

KINDS = profiles.kinds()


@pytest.mark.parametrize("kind", KINDS)
def test_raising_temperature_renders_warmer(kind: str) -> None:
    grey = 0.4 * neutral_from_white(KINDS[kind], 5200.0, 5.0)
    low, high = (lab_from_xyz_d50(render(KINDS[kind], grey, k, 5.0, 0.0)) for k in (4500.0, 6000.0))
    assert high[2] > low[2] + 3  # towards yellow


@pytest.mark.parametrize("kind", KINDS)
def test_raising_tint_renders_more_magenta(kind: str) -> None:
    grey = 0.4 * neutral_from_white(KINDS[kind], 5000.0, 5.0)
    low, high = (lab_from_xyz_d50(render(KINDS[kind], grey, 5000.0, t, 0.0)) for t in (-10.0, 20.0))
    assert high[1] > low[1] + 3  # towards magenta


def _seen(light: str) -> np.ndarray:
    e, s = profiles.light(light), profiles.sensitivity()
    return (profiles.chart()[1] * e @ s) / (e @ s).max()


def _target() -> np.ndarray:
    return render(profiles.measured(), _seen("D55"), 5500.0, 9.6, 0.0)


def test_a_cool_shade_frame_is_warmed() -> None:
    # Shade is bluer than sun: D75 against D55, so the temperature goes up.
    temperature_k, _, _ = settings_for_target(profiles.measured(), _seen("D75"), _target())
    assert temperature_k > 6500


def test_a_tungsten_frame_is_cooled() -> None:
    temperature_k, _, _ = settings_for_target(profiles.measured(), _seen("A"), _target())
    assert 2300 < temperature_k < 3400


def test_a_green_lamp_moves_tint_towards_magenta_and_a_magenta_cast_towards_green() -> None:
    profile = profiles.measured()
    _, plain, _ = settings_for_target(profile, _seen("D55"), _target())
    _, green, _ = settings_for_target(profile, _seen("D55") * [1.0, 1.08, 1.0], _target())
    _, magenta, _ = settings_for_target(profile, _seen("D55") * [1.0, 0.93, 1.0], _target())
    assert green > plain + 5
    assert magenta < plain - 5


def test_an_overexposed_warm_frame_gets_cooler_and_darker() -> None:
    profile = profiles.measured()
    before_k, _, before_ev = settings_for_target(profile, _seen("D55"), _target())
    after_k, _, after_ev = settings_for_target(profile, 2.0 * _seen("D55") * [1.15, 1.0, 0.85], _target())
    assert after_k < before_k
    assert after_ev < before_ev - 0.8


def test_lights_are_found_where_photographers_expect_them() -> None:
    # A lamp for standard light A reads near 2850 K, daylight near its own temperature, through a fitted camera profile.
    profile = profiles.measured()
    for light, kelvin in (("A", 2856), ("D55", 5503), ("D65", 6504)):
        s = profiles.sensitivity() * np.array(profile.analog_balance)
        neutral = profiles.light(light) @ s
        found, _ = white_from_neutral(profile, neutral)
        assert 1e6 / found == pytest.approx(1e6 / kelvin, abs=12)
    assert neutral_from_white(profile, 2500, 0)[2] < neutral_from_white(profile, 8000, 0)[2]
