"""Lens-shading opcodes against numbers computed by hand from the specification (DNG 1.7, chapter 7)."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from tests.read import raw_files
from tests.read.raw_files import gain_map, opcode_list, vignette
from xmpsync.read import opcodes
from xmpsync.read.opcodes import OpcodeListDamaged, cell_gains, parse

BAYER = np.array([[0, 1], [1, 2]], dtype=np.uint8)
WHOLE = (0, 0, 100, 200)


def gains_at(data: bytes, row: float, column: float, pattern: np.ndarray | None = None) -> np.ndarray:
    found = cell_gains(parse(data), np.array([row]), np.array([column]), height=100, width=200, pattern=pattern)
    return found[0, 0]


def test_vignette_gain_is_the_polynomial_of_the_distance_to_the_farthest_corner() -> None:
    # Centre (0.5, 0.5) of 200 x 100: farthest corner at sqrt(100^2 + 50^2) = 111.803. The pixel-centre coordinate
    # (x 150, y 50) is 50 away: r^2 = 2500 / 12500 = 0.2.
    # gain = 1 + 0.5 * 0.2 + 0.25 * 0.04 + 1 * 0.008 + 2 * 0.0016 + 3 * 0.00032 = 1.12216
    data = opcode_list(vignette((0.5, 0.25, 1.0, 2.0, 3.0)))
    assert gains_at(data, 50.0, 150.0) == pytest.approx([1.12216] * 3, abs=1e-6)
    assert gains_at(data, 50.0, 100.0) == pytest.approx([1.0] * 3, abs=1e-6)
    assert gains_at(data, 0.0, 0.0) == pytest.approx([1 + 0.5 + 0.25 + 1 + 2 + 3] * 3, abs=1e-5)


def test_vignette_with_the_centre_aside_measures_to_the_corner_that_is_farthest_from_it() -> None:
    # Centre (0.25, 0.5): x 50, y 50. Farthest corner: 150 and 50 away, r^2 unit = 25000. Pixel (100, 50): 2500 / 25000.
    data = opcode_list(vignette((1.0, 0, 0, 0, 0), (0.25, 0.5)))
    assert gains_at(data, 50.0, 100.0) == pytest.approx([1.1] * 3, abs=1e-6)


def test_gain_map_is_bilinear_between_its_points_and_constant_outside() -> None:
    # 2 x 3 points over 100 rows and 200 columns: spacing 1 down, 0.5 across.
    data = opcode_list(gain_map([[1.0, 2.0, 3.0], [5.0, 6.0, 7.0]], WHOLE))
    assert gains_at(data, 0.0, 0.0)[0] == pytest.approx(1.0)
    assert gains_at(data, 0.0, 50.0)[0] == pytest.approx(1.5)  # half way to the second point
    assert gains_at(data, 25.0, 150.0)[0] == pytest.approx(2.5 + 0.25 * 4)
    inset = opcode_list(gain_map([[1.0, 3.0]], WHOLE, spacing=(1.0, 0.5), origin=(0.0, 0.25)))
    assert gains_at(inset, 50.0, 10.0)[0] == pytest.approx(1.0)  # left of the first point, at 0.25 x 200 = 50
    assert gains_at(inset, 50.0, 100.0)[0] == pytest.approx(2.0)
    assert gains_at(inset, 50.0, 190.0)[0] == pytest.approx(3.0)


def test_gain_map_touches_only_its_area_and_its_plane() -> None:
    data = opcode_list(gain_map([[2.0]], (10, 20, 50, 60), plane=1))
    assert gains_at(data, 30.0, 40.0) == pytest.approx([1, 2, 1])
    assert gains_at(data, 60.0, 40.0) == pytest.approx([1, 1, 1])
    assert gains_at(data, 30.0, 60.0) == pytest.approx([1, 1, 1])
    two = opcode_list(gain_map([[2.0]], WHOLE, plane=1, planes=2))
    assert gains_at(two, 30.0, 40.0) == pytest.approx([1, 2, 2])


def test_four_maps_of_a_mosaic_each_serve_the_photosites_their_pitch_selects() -> None:
    data = opcode_list(
        gain_map([[2.0]], (0, 0, 100, 200), pitch=(2, 2)),
        gain_map([[3.0]], (0, 1, 100, 200), pitch=(2, 2)),
        gain_map([[3.0]], (1, 0, 100, 200), pitch=(2, 2)),
        gain_map([[4.0]], (1, 1, 100, 200), pitch=(2, 2)),
    )
    assert gains_at(data, 51.0, 99.0, BAYER) == pytest.approx([2, 3, 4])
    # the same maps on a sensor that starts with blue
    assert gains_at(data, 51.0, 99.0, BAYER[::-1, ::-1]) == pytest.approx([4, 3, 2])


def test_several_opcodes_multiply() -> None:
    data = opcode_list(vignette((1.0, 0, 0, 0, 0)), gain_map([[2.0]], WHOLE, planes=3))
    assert gains_at(data, 0.0, 0.0) == pytest.approx([4, 4, 4])


def test_an_opcode_that_changes_levels_and_is_not_known_is_named_and_harmless_ones_are_not() -> None:
    found = parse(opcode_list((1, b"\0" * 8), (5, b""), (10, b"\0" * 40)))
    assert found.left_out == (10,)
    assert not found


GOOD = opcode_list(gain_map([[1.0, 2.0]], WHOLE), vignette((1, 0, 0, 0, 0)))


@pytest.mark.parametrize("length", range(1, len(GOOD)))
def test_a_list_that_ends_anywhere_is_refused(length: int) -> None:
    with pytest.raises(OpcodeListDamaged):
        parse(GOOD[:length])


@pytest.mark.parametrize(
    "data",
    [
        struct.pack(">I", 2**31),
        opcode_list((9, struct.pack(">8I", 0, 0, 9, 9, 0, 1, 0, 1) + bytes(48))),  # pitch 0
        opcode_list((9, struct.pack(">8I", 0, 0, 9, 9, 0, 1, 2**31, 1) + bytes(48))),  # pitch 2^31
        opcode_list(
            (9, struct.pack(">8I", 0, 0, 9, 9, 0, 1, 1, 1) + struct.pack(">2I4dI", 2**16, 2**16, *[1.0] * 4, 1))
        ),
        opcode_list(gain_map([[float("nan")]], WHOLE)),
        opcode_list(vignette((float("inf"), 0, 0, 0, 0))),
        opcode_list((8, struct.pack(">8I", 0, 0, 9, 9, 0, 1, 1, 1) + struct.pack(">I", 2**30))),
        opcode_list((7, struct.pack(">8I", 0, 0, 9, 9, 0, 1, 1, 1) + struct.pack(">I", 2**30))),
    ],
)
def test_numbers_that_cannot_be_meant_are_refused(data: bytes) -> None:
    with pytest.raises(OpcodeListDamaged):
        parse(data)


def test_an_absent_list_asks_for_nothing() -> None:
    assert not parse(None) and not parse(b"")
    assert opcodes.Shading() + parse(GOOD)
    assert raw_files.opcode_list() == b"\0\0\0\0"
