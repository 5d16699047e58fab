"""Two thousand frames in a browser: the page is there soon, scrolls without long tasks, and merges its ribbon."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.cli.conftest import REFERENCE
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.review.page import page_text, view_of
from xmpsync.review.pictures import render_proxy
from xmpsync.shoot.correct import values_first
from xmpsync.shoot.proxies import Proxies

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = [pytest.mark.system("chromium"), pytest.mark.long]

FRAMES, IN_A_LIGHT = 2000, 40
LOAD_S, TASK_MS = 3.0, 200.0
"""Wanted on a quiet machine; a machine at work on something else is given `PATIENCE` times as much."""
PATIENCE = 2.0


@pytest.fixture
def many(shoot: Path, tmp_path: Path) -> Path:
    """The page of the small shoot with its frames told again and again, in fifty lights; pictures in a folder."""
    found = values_first(shoot, Options(references=(REFERENCE,)), Machine(n_workers=1), Silent(), writes=False)
    document = view_of(found)
    frame = found.proposal.request.frames[1]
    with Proxies(found.ready.state) as proxies:
        proxy = proxies.of(found.ready.stand, frame.frame_id)
    folder = tmp_path / "page_pictures"
    folder.mkdir()
    (folder / "one.jpg").write_bytes(render_proxy(proxy, frame.profile, frame.baseline, 0.0, 480))
    shown: list[dict[str, Any]] = []
    for n in range(FRAMES):
        one = dict(document["frames"][n % len(document["frames"])])
        one |= {"key": f"{n:012x}", "name": f"frame_{n:04d}", "path": f"card/frame_{n:04d}.dng"}
        shown.append(one | {"light": n // IN_A_LIGHT, "pictures": ["one.jpg", "one.jpg"], "hand": n % 50 == 0})
    lights = range(FRAMES // IN_A_LIGHT)
    document |= {
        "frames": shown,
        "hand": [f["key"] for f in shown if f["hand"]],
        "ask": [],
        "references": [{"key": shown[1]["key"], "said": ["frame_0001"]}],
        "lights": [{"light": i, "number": i + 1, "name": f"Light {i + 1}", "strength": 1.0} for i in lights],
        "folder": folder.name,
    }
    file = tmp_path / "page.html"
    file.write_text(page_text(document, None), encoding="utf-8")
    return file


def test_two_thousand_frames_are_there_soon_and_scroll_without_long_tasks(browser: Browser, many: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.add_init_script(
        "window.tasks = []; new PerformanceObserver((l) => { for (const e of l.getEntries()) tasks.push([e.startTime,"
        " e.duration]); }).observe({ type: 'longtask', buffered: true });"
    )
    page.goto(many.as_uri())
    page.wait_for_selector("h1")
    timing = json.loads(page.evaluate("JSON.stringify(performance.getEntriesByType('navigation')[0])"))
    load_s = timing["domContentLoadedEventEnd"] / 1000
    assert page.locator(".ribbon .row svg").count() >= 6
    assert page.locator(".lights button").count() == FRAMES // IN_A_LIGHT
    page.evaluate("tasks.length = 0")
    for _ in range(60):
        page.mouse.wheel(0, 1500)
        page.wait_for_timeout(30)
    longest_ms = max((duration for _, duration in page.evaluate("tasks")), default=0.0)
    cards = page.locator("#chapters .card").count()
    print(
        f"2,000 frames: there after {load_s:.2f} s, longest task in scrolling {longest_ms:.0f} ms, {cards} cards made"
    )
    assert load_s < LOAD_S * PATIENCE
    assert longest_ms < TASK_MS * PATIENCE
    assert 0 < cards < FRAMES  # only what came near the window
    page.close()


def test_a_merged_ribbon_opens_light_by_light_and_names_what_is_off(browser: Browser, many: Path) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    page.goto(many.as_uri())
    page.wait_for_selector("h1")
    row = page.locator(".ribbon .row svg").first
    merged = row.locator("rect").count()
    row.focus()
    page.keyboard.press("End")
    assert "Light 50" in page.locator("#cell").inner_text()
    page.get_by_role("button", name="Light 7: open").click()
    assert page.locator(".ribbon .row svg").first.locator("rect").count() < merged
    page.locator(".ribbon .row svg").first.focus()
    page.keyboard.press("ArrowRight")
    assert "Light 7" in page.locator("#cell").inner_text()
    page.get_by_role("button", name="All lights again").click()
    assert page.locator(".lights button").count() == FRAMES // IN_A_LIGHT
    page.locator(".lights button").nth(48).focus()
    row = page.locator(".ribbon .row svg").first
    row.focus()
    page.keyboard.press("End")
    page.keyboard.press("Enter")  # to the frame: its piece of the chapter is made
    assert page.url.split("frame=")[1] and page.locator(f"#frame-{page.url.split('frame=')[1]}").is_visible()
    page.close()
