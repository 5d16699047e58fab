"""The small demo shoot for the page, and a browser that is offline but for this machine."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

from tests.cli.conftest import call, measured_shoot, shoot

if TYPE_CHECKING:
    from playwright.sync_api import Browser

__all__ = ["browser", "call", "measured_shoot", "shoot"]

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium of the distribution, headless."""
    import shutil

    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        program = driver.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        yield program
        program.close()
