from __future__ import annotations

from pathlib import Path

import pytest

from tests.write.disk import Shoot


@pytest.fixture
def shoot(tmp_path: Path) -> Shoot:
    root = tmp_path / "shoot"
    root.mkdir()
    return Shoot(root)
