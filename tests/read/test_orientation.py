"""Stored and upright pictures agree with Pillow's reading of the Exif tag, for all eight values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image, ImageOps

from xmpsync.read.orientation import stored_box, upright_array, upright_box, upright_size, valid_orientation
from xmpsync.records import Box

ALL = range(1, 9)
boxes = st.builds(Box, *[st.floats(-0.5, 1.5) for _ in range(2)], *[st.floats(0.01, 1) for _ in range(2)])


@pytest.mark.parametrize("orientation", ALL)
def test_upright_array_is_what_pillow_makes_of_the_exif_orientation(orientation: int) -> None:
    stored = np.arange(3 * 5, dtype=np.uint8).reshape(3, 5)
    image = Image.fromarray(stored)
    image.getexif()[0x0112] = orientation
    expected = np.asarray(ImageOps.exif_transpose(image))
    assert np.array_equal(upright_array(stored, orientation), expected)
    assert upright_size(5, 3, orientation) == expected.shape[::-1]


@pytest.mark.parametrize("orientation", ALL)
def test_a_box_of_the_upright_picture_holds_the_same_pixels_in_the_stored_one(orientation: int) -> None:
    stored = np.arange(12 * 20).reshape(12, 20)
    upright = upright_array(stored, orientation)
    height, width = upright.shape
    box = Box(2 / width, 3 / height, 4 / width, 5 / height)
    inner = stored_box(box, orientation)
    top, left = round(inner.top * 12), round(inner.left * 20)
    part = stored[top : top + round(inner.height * 12), left : left + round(inner.width * 20)]
    assert np.array_equal(upright_array(part, orientation), upright[3:8, 2:6])


@given(boxes, st.integers(1, 8))
def test_stored_and_upright_boxes_undo_each_other(box: Box, orientation: int) -> None:
    back = upright_box(stored_box(box, orientation), orientation)
    expected = [box.left, box.top, box.width, box.height]
    assert [back.left, back.top, back.width, back.height] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("value", [0, 9, -1, None, "6", 6.0, 65535])
def test_a_value_outside_the_standard_means_as_stored(value: object) -> None:
    assert valid_orientation(value) == 1
