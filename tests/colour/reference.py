"""colour-science as the judge: imported once, its import warnings (optional packages) kept out of the tests."""

from __future__ import annotations

import warnings
from functools import lru_cache
from typing import Any


@lru_cache(maxsize=1)
def colour_science() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour
