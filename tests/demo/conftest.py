"""A few frames of the demo shoot, made once for this folder's tests."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from demo_shoot.event import make_shoot

# group of six (reference), upright portrait, burst frame, embedded packet, magenta stage, two lamps, candles, no people
INDICES = (0, 1, 3, 8, 13, 26, 31, 32)


@dataclass(frozen=True)
class Small:
    """A part of the demo shoot on disk."""

    folder: Path
    truth: dict[str, Any]

    def frame(self, number: int) -> dict[str, Any]:
        """Truth of frame `jubilee_<number>`."""
        (found,) = [one for one in self.truth["frames"] if one["frame"] == f"jubilee_{number:04d}"]
        return found


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Small:
    folder = tmp_path_factory.mktemp("jubilee")
    make_shoot(folder, seed=1, only=INDICES)
    return Small(folder, json.loads((folder / "truth.json").read_text(encoding="utf-8")))
