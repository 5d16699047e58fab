"""Develop values: rounding and ranges in one place."""

from __future__ import annotations

import numpy as np
import pytest

from xmpsync.records import Develop, rounded
from xmpsync.xmp.fields import FIELD_TABLE, Field, Form, formatted


def test_numbers_are_rounded_to_what_the_fields_hold_and_stay_inside() -> None:
    """XMP part 2, 3.3: Temperature 2000..50000, Tint -150..150 (integers), Exposure -4.0..4.0."""
    assert rounded([1234.0, 151.2, -4.2]).tolist() == [2000.0, 150.0, -4.0]
    assert rounded([[5200.4, -0.4, 0.354], [5e4, -150.4, 4.001]]).tolist() == [[5200, 0, 0.35], [50000, -150, 4.0]]
    assert not np.signbit(rounded([5000.0, -0.2, -0.001])).any()
    assert Develop(2000.2, 3.6, 0.126).rounded() == Develop(2000.0, 4.0, 0.13)


@pytest.mark.parametrize("row", [row for row in FIELD_TABLE if row.form is not Form.CHOICE], ids=lambda r: r.local)
def test_what_is_rounded_can_be_written(row: object) -> None:
    column = {Field.TEMPERATURE: 0, Field.TINT: 1}.get(row.field, 2)  # type: ignore[attr-defined]
    for far in (-1e9, 0.0, 1e9):
        value = float(rounded([far, far, far])[column])
        assert float(formatted(row.field, value)) == value  # type: ignore[attr-defined]


def test_an_as_shot_white_has_no_numbers_in_json() -> None:
    values = Develop(5321.0, 4.5, 0.3, as_shot=True)
    assert values == Develop(5321.0, 4.5, 0.3)  # it renders alike
    assert values.as_json() == {"temperature_k": None, "tint": None, "exposure_ev": 0.3}
