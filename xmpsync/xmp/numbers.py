"""Numbers as XMP writes them (part 1, 8.2.1): ASCII digits, a leading sign allowed, no exponent, no spaces.

Python's `int` and `float` accept more (NaN, 5.5e3, full-width digits, underscores), so they are asked only after the
form was checked.
"""

from __future__ import annotations

import re

_INTEGER = re.compile(r"[+-]?[0-9]{1,9}")
_REAL = re.compile(r"[+-]?(?:[0-9]{1,9}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})")


def integer(text: str) -> int | None:
    """The number of an XMP Integer, None where the text is none."""
    return int(text) if _INTEGER.fullmatch(text) else None


def real(text: str) -> float | None:
    """The number of an XMP Real, None where the text is none."""
    return float(text) if _REAL.fullmatch(text) else None


def boolean(text: str) -> bool | None:
    """The truth of an XMP Boolean (`True` or `False`), None where the text is neither."""
    return {"True": True, "False": False}.get(text)
