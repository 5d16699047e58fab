"""What the page says and draws, checked against other libraries and the trade's facts."""

from __future__ import annotations

import re

import colour
import numpy as np
import pytest

from xmpsync.review import words
from xmpsync.review.page import MODULES, asset
from xmpsync.review.view import tolerance_contour
from xmpsync.solve.solution import LocalDifference


@pytest.mark.parametrize("lab", [(72.0, 10.0, 16.0), (54.0, 13.0, 12.0), (30.0, 12.0, 18.0)])
def test_the_outline_of_the_tolerance_lies_two_ciede2000_from_the_persons_colour(lab: tuple[float, ...]) -> None:
    # colour-science's CIEDE2000 is the judge
    outline = np.array([(lab[0], a, b) for a, b in tolerance_contour((lab[0], lab[1], lab[2]), 2.0)])
    found = colour.delta_E(np.broadcast_to(lab, outline.shape), outline, method="CIE 2000")
    assert len(found) >= 24
    np.testing.assert_allclose(found, 2.0, atol=0.02)  # points are rounded to 0.01


def test_what_a_face_still_needs_is_said_as_a_photographer_says_it() -> None:
    # facts of the trade: a higher temperature setting (fewer mired) renders warmer; more tint renders more magenta
    assert words.local_words(LocalDifference("f", None, 0.5, -56.0, 0.4)) == "half a stop brighter, 56 mired warmer"
    assert words.local_words(LocalDifference("f", None, -1.0, 20.0, 6.0)) == (
        "one stop darker, 20 mired cooler, 6 of tint more magenta"
    )
    assert words.local_words(LocalDifference("f", None, 0.02, 1.0, -1.0)) == "next to nothing"


def test_modules_joined_into_one_script_hold_no_name_twice() -> None:
    names = []
    for module in (*MODULES, "file.js"):
        names += re.findall(r"^(?:export )?(?:const|let|function|class) (\w+)", asset(module), re.MULTILINE)
        assert not re.search(r"^import [^;]*$", asset(module), re.MULTILINE), f"{module}: an import over several lines"
    assert len(names) > 15
    assert len(names) == len(set(names))
