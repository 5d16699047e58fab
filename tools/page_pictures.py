"""The pictures of the page in docs/pictures, made again from the demo shoot. Development only (extra `test`, Chromium).

    python tools/page_pictures.py [SHOOT]

Without SHOOT the demo is made and measured in a temporary folder first. A demo that was measured already saves that
time; nothing is written into it but its measurements. Pictures are kept below 300 kB.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from demo_shoot.event import make_shoot
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.review.guard import Keys
from xmpsync.review.page import write_report
from xmpsync.review.server import application, listen, server
from xmpsync.shoot.correct import values_first
from xmpsync.shoot.review import Review

FOLDER = Path(__file__).resolve().parents[1] / "docs" / "pictures"
REFERENCE = "jubilee_0002"
LARGEST_BYTES = 300_000
DESKTOP, PHONE = (1280, 860), (390, 844)


def main() -> int:
    """Make the shoot if none is given, open the page as a file and alive, take the pictures."""
    parser = argparse.ArgumentParser(prog="python -m tools.page_pictures", description=__doc__)
    parser.add_argument("shoot", type=Path, nargs="?", help="a demo shoot that is there already; otherwise one is made")
    given = parser.parse_args().shoot
    FOLDER.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        shoot = given or Path(scratch) / "jubilee"
        if not shoot.exists():
            make_shoot(shoot)
        state = Path(scratch) / "state"  # choices and runs of the shoot itself stay out of the pictures
        kept = shoot / ".xmpsync" / "measurements.sqlite"
        state.mkdir()
        if kept.exists():
            shutil.copy(kept, state / kept.name)
        options, machine = Options(references=(REFERENCE,)), Machine(n_workers=2, state=state)
        file = Path(scratch) / "page.html"
        write_report(file, values_first(shoot, options, machine, Silent(), writes=False))
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            _file_pictures(browser, file)
            with _alive(shoot, options, machine) as address:
                _live_pictures(browser, address)
            browser.close()
    for path in sorted(FOLDER.glob("page-*.png")):
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")
    return 0


def _file_pictures(browser: Browser, file: Path) -> None:
    for name, (width, height), scheme in (
        ("page-desktop-light", DESKTOP, "light"),
        ("page-phone-light", PHONE, "light"),
        ("page-phone-dark", PHONE, "dark"),
    ):
        page = _page(browser, width, height, scheme)
        page.goto(file.as_uri())
        page.wait_for_selector("h1")
        if name == "page-phone-dark":
            page.evaluate("document.querySelector('.ribbon').scrollIntoView({ block: 'start' })")
        _take(page, name)


def _live_pictures(browser: Browser, address: str) -> None:
    page = _page(browser, *DESKTOP, "dark")
    page.goto(address)
    page.wait_for_selector(".desk button")
    page.evaluate("document.getElementById('hand').scrollIntoView({ block: 'start' })")
    _take(page, "page-hand-dark", close=False)
    page.evaluate("document.getElementById('series').scrollIntoView({ block: 'start' })")
    page.get_by_role("button", name="jubilee_0003, show large").first.click()
    _take(page, "page-frame-dark", close=False)
    page.keyboard.press("Escape")
    page.evaluate("document.getElementById('skins').scrollIntoView({ block: 'start' })")
    _take(page, "page-skin-dark")


def _page(browser: Browser, width: int, height: int, scheme: str) -> Page:
    return browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme, reduced_motion="reduce")  # type: ignore[arg-type]


def _take(page: Page, name: str, *, close: bool = True) -> None:
    page.wait_for_timeout(2500)  # pictures near the window are fetched and drawn
    path = FOLDER / f"{name}.png"
    page.screenshot(path=path)
    if path.stat().st_size > LARGEST_BYTES:
        with Image.open(path) as shot:
            shot.convert("RGB").quantize(256, dither=Image.Dither.FLOYDSTEINBERG).save(path, optimize=True)
    if path.stat().st_size > LARGEST_BYTES:
        raise SystemExit(f"{path.name} is larger than {LARGEST_BYTES} bytes")
    if close:
        page.close()


@contextmanager
def _alive(shoot: Path, options: Options, machine: Machine) -> Iterator[str]:
    """The address of a living page."""
    sockets, port = listen(0)
    keys = Keys(port)
    serving = server(application(Review(shoot, options, machine, Silent()), keys))
    thread = threading.Thread(target=serving.run, kwargs={"sockets": sockets})
    thread.start()
    while not serving.started:
        time.sleep(0.05)
    try:
        yield f"http://{keys.hosts[0]}/?token={keys.token}"
    finally:
        serving.should_exit = True
        thread.join()


if __name__ == "__main__":
    sys.exit(main())
