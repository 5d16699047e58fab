"""The page as a file, in a real browser without a network."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.cli.conftest import REFERENCE, Call, tree

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.system("chromium")


@pytest.fixture
def file(shoot: Path, call: Call, tmp_path: Path) -> Path:
    page = tmp_path / "page.html"
    before = tree(shoot)
    result = call("report", shoot, page, "--reference", REFERENCE, "--jobs", "1")
    assert result.code == 0, result.err
    assert tree(shoot) == before
    return page


def _open(browser: Browser, file: Path, width: int = 1280, scheme: str = "dark") -> tuple[Page, list[str]]:
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)  # type: ignore[arg-type]
    told: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on(
        "request", lambda request: told.append(request.url) if not request.url.startswith(("file:", "data:")) else None
    )
    page.goto(file.as_uri())
    page.wait_for_selector("h1")
    return page, told


def test_the_page_opens_without_an_error_and_asks_nothing_of_the_network(browser: Browser, file: Path) -> None:
    page, told = _open(browser, file)
    page.mouse.wheel(0, 3000)
    page.wait_for_timeout(300)
    assert page.locator(".card").count() > 4
    assert page.locator(".picture img").evaluate_all("all => all.every(i => i.complete && i.naturalWidth > 100)")
    assert told == []


@pytest.mark.parametrize("width", [320, 390])
def test_a_phone_scrolls_in_one_direction_only(browser: Browser, file: Path, width: int) -> None:
    page, _ = _open(browser, file, width, "light")
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_filters_stand_in_the_address_and_act_when_it_is_opened_again(browser: Browser, file: Path) -> None:
    page, _ = _open(browser, file)
    page.locator("select[name=person]").select_option("Tomas")
    assert "person=Tomas" in page.url
    found = page.locator("#chapters .faint").first.inner_text()
    again, _ = _open(browser, file)
    again.goto(page.url)
    again.reload()
    again.wait_for_selector("h1")
    assert again.locator("#chapters .faint").first.inner_text() == found
    assert not found.startswith("8 of 8")
    again.get_by_role("button", name="All frames").click()
    assert again.locator("#chapters .faint").first.inner_text().startswith("8 of 8")


def test_the_keyboard_opens_a_frame_and_moves_the_wipe(browser: Browser, file: Path) -> None:
    page, told = _open(browser, file)
    page.evaluate("document.getElementById('series').scrollIntoView()")
    page.locator("#chapters .card h4 button").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("dialog[open]").count() == 1
    slide = page.locator("dialog input[type=range]")
    slide.focus()
    page.keyboard.press("ArrowRight")
    assert page.locator("dialog .picture").evaluate("p => p.style.getPropertyValue('--wipe')") == "55%"
    page.keyboard.press("Escape")
    assert page.locator("dialog[open]").count() == 0
    assert told == []


def test_a_name_that_looks_like_markup_is_shown_as_it_is(
    browser: Browser, shoot: Path, call: Call, tmp_path: Path
) -> None:
    name = "<img src=x onerror=document.title='owned'>"
    page_file = tmp_path / "page.html"
    result = call("report", shoot, page_file, "--reference", f"{name}={REFERENCE}@0.05,0.45", "--jobs", "1")
    if result.code == 2:  # no face there: the reference without a place serves as well
        result = call("report", shoot, page_file, "--reference", f"{name}={REFERENCE}", "--jobs", "1")
    page, told = _open(browser, page_file)
    assert page.title() != "owned"
    assert told == []


def test_pictures_go_into_a_folder_when_they_are_too_many_for_one_file(
    browser: Browser, shoot: Path, tmp_path: Path
) -> None:
    from xmpsync.events import Silent
    from xmpsync.measuring.machine import Machine
    from xmpsync.plan.options import Options
    from xmpsync.review.page import write_report
    from xmpsync.shoot.correct import prepare_correction

    found = prepare_correction(shoot, Options(references=(REFERENCE,)), Machine(), Silent(), writes=False)
    file = tmp_path / "the page #1.html"
    write_report(file, found, embed_limit_bytes=20_000)
    assert len(list((tmp_path / "the page #1_pictures").glob("*.jpg"))) >= 14
    assert "base64" not in json.dumps(file.read_text(encoding="utf-8").split('id="data"')[1].split("</script>")[0])
    page, told = _open(browser, file)
    page.wait_for_timeout(200)
    assert page.locator(".first img").evaluate_all("all => all.every(i => i.naturalWidth > 100)")
    assert told == []
