"""The page for everybody: axe-core's rules (WCAG 2.2 A and AA among them), in both greys, on a desk and on a phone."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.cli.conftest import REFERENCE, Call
from tests.review.test_live import Desk, desk

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

__all__ = ["desk"]
pytestmark = pytest.mark.system("chromium")


def serious(page: Page) -> list[str]:
    """Findings of axe-core that are serious or critical, each with the elements."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']}: {one['help']}: {[node['html'][:160] for node in one['nodes'][:3]]}"
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_the_file_has_no_serious_findings(
    browser: Browser, shoot: Path, call: Call, tmp_path: Path, width: int, scheme: str
) -> None:
    file = tmp_path / "page.html"
    assert call("report", shoot, file, "--reference", REFERENCE, "--jobs", "1").code == 0
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
    page.goto(file.as_uri())
    page.locator("#series").scroll_into_view_if_needed()
    page.wait_for_selector("#chapters .card")
    assert serious(page) == []
    page.locator("#chapters .card h4 button").first.click()
    page.wait_for_selector("dialog[open]")
    assert serious(page) == []
    # axe-core does find things on this page where there are some
    page.evaluate("document.querySelector('dialog h2').style.color = '#777'")
    page.evaluate("document.querySelector('dialog h2').style.background = '#888'")
    assert any(text.startswith("color-contrast") for text in serious(page))
    page.close()


def test_the_living_page_has_no_serious_findings(desk: Desk, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900}, color_scheme="dark")
    page.goto(f"{desk.address}/?token={desk.keys.token}")
    page.wait_for_selector(".desk button")
    page.locator(".desk summary").click()
    page.locator(".skin summary").first.click()
    assert serious(page) == []
    page.locator("#series").scroll_into_view_if_needed()
    page.get_by_role("button", name="jubilee_0003, show large").first.click()
    page.locator("dialog button", has_text="Point at a place").click()
    page.locator("dialog summary").first.click()
    assert serious(page) == []
    page.locator("dialog .face").first.click()
    page.wait_for_selector("dialog input[name=person]")
    assert serious(page) == []
    page.keyboard.press("Escape")
    page.locator(".desk button", has_text="See what").click()
    page.wait_for_selector("dialog pre", timeout=60_000)
    assert serious(page) == []
    page.close()
