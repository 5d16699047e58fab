"""Hue/saturation tables: applied as the specification says, and their effect on skin measured."""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.colour import profiles
from tests.colour.reference import colour_science
from xmpsync.colour.adaptation import XYZ_D50
from xmpsync.colour.dng_tags import BadColourTags
from xmpsync.colour.huesat import (
    ROMM_FROM_XYZ,
    XYZ_FROM_ROMM,
    HueSatMap,
    apply_hue_sat_map,
    effect_on_skin,
    hue_sat_map_from_tags,
)

PROFILE = profiles.measured()
HUE, SATURATION, VALUE = 6, 5, 3
RNG = np.random.default_rng(8)


def _table() -> np.ndarray:
    """(value, hue, saturation, 3): moderate shifts and scales, none for grey."""
    table = np.stack([RNG.uniform(-8, 8, (VALUE, HUE, SATURATION)), RNG.uniform(0.9, 1.1, (VALUE, HUE, SATURATION)),
                      RNG.uniform(0.95, 1.05, (VALUE, HUE, SATURATION))], -1)  # fmt: skip
    table[:, :, 0] = (0.0, 1.0, 1.0)
    return table


WARM_TABLE, COOL_TABLE = _table(), _table()


def _tags(**more: Any) -> dict[int, Any]:
    tags: dict[int, Any] = {50937: (HUE, SATURATION, VALUE), 50938: WARM_TABLE.ravel(), 50939: COOL_TABLE.ravel(),
                            50778: 17, 50779: 21}  # fmt: skip
    tags.update({int(k[1:]): v for k, v in more.items()})
    return {k: v for k, v in tags.items() if v is not None}


def test_the_space_is_romm_rgb() -> None:
    # ISO 22028-2: colour-science's own derivation of the matrix, white D50.
    romm = colour_science().RGB_COLOURSPACES["ROMM RGB"]
    np.testing.assert_allclose(XYZ_FROM_ROMM, romm.matrix_RGB_to_XYZ, atol=3e-4)  # four digits, D50 of ICC
    np.testing.assert_allclose(XYZ_FROM_ROMM @ [1, 1, 1], XYZ_D50, atol=1e-12)


def _by_the_book(rgb: np.ndarray, table: np.ndarray) -> np.ndarray:
    """One colour, one table: Python's own HSV and a trilinear look-up written out."""
    h, s, v = colorsys.rgb_to_hsv(*rgb)
    axes = [(min(v, 1.0) * (VALUE - 1), VALUE), (h * HUE, HUE), (s * (SATURATION - 1), SATURATION)]
    entry = np.zeros(3)
    for corner in range(8):
        weight, index = 1.0, []
        for bit, (position, count) in enumerate(axes):
            low = int(np.floor(position))
            up = corner >> bit & 1
            weight *= position - low if up else 1 - (position - low)
            index.append((low + up) % count if bit == 1 else min(low + up, count - 1))
        entry += weight * table[tuple(index)]
    return np.array(colorsys.hsv_to_rgb((h + entry[0] / 360) % 1, min(s * entry[1], 1), v * entry[2]))


@given(st.lists(st.floats(0.01, 1.0), min_size=3, max_size=3))
def test_a_colour_is_moved_as_the_specification_says(rgb: list[float]) -> None:
    table = hue_sat_map_from_tags(_tags())
    assert table is not None
    for kelvin, one in ((2500.0, WARM_TABLE), (7000.0, COOL_TABLE)):
        moved = ROMM_FROM_XYZ @ apply_hue_sat_map(table, PROFILE, XYZ_FROM_ROMM @ rgb, kelvin, 0.0)
        np.testing.assert_allclose(moved, _by_the_book(np.array(rgb), one), atol=1e-9)


def test_the_order_of_the_calibrations_does_not_matter() -> None:
    turned = hue_sat_map_from_tags(_tags(_50938=COOL_TABLE.ravel(), _50939=WARM_TABLE.ravel(), _50778=21, _50779=17))
    straight = hue_sat_map_from_tags(_tags())
    assert turned is not None
    assert straight is not None
    np.testing.assert_array_equal(turned.entries, straight.entries)


def test_neutrals_stay_and_the_identity_changes_nothing() -> None:
    table = hue_sat_map_from_tags(_tags())
    assert table is not None
    np.testing.assert_allclose(apply_hue_sat_map(table, PROFILE, 0.5 * XYZ_D50, 4000.0, 5.0), 0.5 * XYZ_D50, atol=1e-9)
    nothing = HueSatMap(np.broadcast_to([0.0, 1.0, 1.0], (2, 1, 90, 30, 3)).copy())
    xyz = RNG.uniform(0.2, 0.5, (10, 3))
    inside = np.maximum(xyz @ ROMM_FROM_XYZ.T, 0) @ XYZ_FROM_ROMM.T
    np.testing.assert_allclose(apply_hue_sat_map(nothing, PROFILE, xyz, np.full(10, 4000.0), 5.0), inside, atol=1e-9)
    assert effect_on_skin(nothing, PROFILE) == pytest.approx((0, 0), abs=1e-6)


def test_one_table_for_all_whites_costs_a_match_nothing() -> None:
    table = hue_sat_map_from_tags(_tags(_50939=None))
    assert table is not None
    assert effect_on_skin(table, PROFILE) == pytest.approx((0, 0), abs=1e-9)


def test_two_unlike_tables_cost_what_they_differ_by() -> None:
    turn = np.broadcast_to([0.0, 1.0, 1.0], (2, 1, 6, 4, 3)).copy()
    turn[0, ..., 0] = 3.0  # degrees of hue, cool calibration only
    median, largest = effect_on_skin(HueSatMap(turn), PROFILE)
    assert 0.3 < median <= largest < 5


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"_50937": (6, 5)}, "ProfileHueSatMapDims holds 2 numbers"),
        ({"_50937": (0, 5, 3)}, "ProfileHueSatMapDims is"),
        ({"_50937": (100000, 5000, 30)}, "ProfileHueSatMapDims is"),
        ({"_50938": WARM_TABLE.ravel()[:-1]}, "ProfileHueSatMapData1 holds"),
        ({"_50939": -COOL_TABLE.ravel()}, "ProfileHueSatMapData2 holds a negative scale"),
    ],
)
def test_invalid_tables_are_named(bad: dict[str, Any], words: str) -> None:
    with pytest.raises(BadColourTags, match=words):
        hue_sat_map_from_tags(_tags(**bad))


def test_a_profile_without_tables_has_none() -> None:
    assert hue_sat_map_from_tags({}) is None
