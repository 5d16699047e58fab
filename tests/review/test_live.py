"""The page alive: who may speak to it, and the way from a choice to a run and back."""

from __future__ import annotations

import http.client
import json
import shlex
import shutil
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from tests.cli.conftest import REFERENCE, Call, tree
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.review.guard import Keys
from xmpsync.review.server import application, listen, server
from xmpsync.shoot.review import Review

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


@dataclass
class Desk:
    """A server on the small demo shoot."""

    review: Review
    keys: Keys

    @property
    def address(self) -> str:
        return f"http://{self.keys.hosts[0]}"

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, str]:
        """One request with the cookie and token of a good page, which `headers` override (empty: left out)."""
        sent = {
            "host": self.keys.hosts[0],
            "cookie": f"{self.keys.cookie_name}={self.keys.cookie}",
            "x-token": self.keys.post,
        } | {name.replace("_", "-"): value for name, value in headers.items()}
        line = http.client.HTTPConnection("127.0.0.1", self.keys.port, timeout=60)
        line.putrequest(method, path, skip_host=True)
        data = b"" if body is None else json.dumps(body).encode()
        for name, value in (sent | {"content-length": str(len(data))}).items():
            if value:
                line.putheader(name, value)
        line.endheaders(data)
        answer = line.getresponse()
        found = answer.status, answer.read().decode(errors="replace")
        line.close()
        return found


@pytest.fixture
def desk(shoot: Path) -> Iterator[Desk]:
    review = Review(shoot, Options(references=(REFERENCE,)), Machine(n_workers=1), Silent())
    sockets, port = listen(0)
    keys = Keys(port)
    serving = server(application(review, keys))
    thread = threading.Thread(target=serving.run, kwargs={"sockets": sockets})
    thread.start()
    while not serving.started:
        time.sleep(0.02)
    yield Desk(review, keys)
    serving.should_exit = True
    thread.join()
    review.close()


def test_only_the_page_itself_is_answered(desk: Desk, shoot: Path) -> None:
    before = tree(shoot, state=True)
    host = desk.keys.hosts[0]
    assert desk.ask("GET", "/document")[0] == 200
    assert desk.ask("GET", "/document", origin=f"http://{host}", sec_fetch_site="same-origin")[0] == 200
    refused = [
        desk.ask("GET", "/document", cookie=""),
        desk.ask("GET", "/document", cookie=f"{desk.keys.cookie_name}=guess"),
        desk.ask("GET", "/?token=guess", cookie=""),
        # names: one can be made to resolve here
        desk.ask("GET", "/document", host=f"localhost:{desk.keys.port}"),
        desk.ask("GET", "/document", host=f"photos.example:{desk.keys.port}"),
        desk.ask("GET", "/document", origin="http://photos.example"),
        desk.ask("GET", "/document", origin="null"),
        desk.ask("GET", "/document", sec_fetch_site="cross-site"),
        desk.ask("GET", "/document", sec_fetch_site="same-site"),
        desk.ask("POST", "/plan", x_token=""),
        desk.ask("POST", "/plan", x_token="guess"),
        desk.ask("POST", "/rollback", x_token=desk.keys.cookie),
        desk.ask("PUT", "/plan"),
    ]
    assert [status for status, _ in refused] == [403] * len(refused)
    assert not any(REFERENCE in text for _, text in refused)
    assert desk.ask("GET", "/document", host="")[0] == 400
    assert desk.ask("GET", "/plan")[0] == 405
    assert desk.ask("POST", "/choose", {"do": "hold", "frame": "../../etc/passwd"})[0] == 409
    assert desk.ask("GET", "/picture/..%2f..%2fetc%2fpasswd")[0] == 404
    assert desk.ask("POST", "/choose", {"do": "x" * 100_000})[0] == 413
    assert tree(shoot, state=True) == before


def test_pictures_come_from_the_store_and_are_missing_with_it(desk: Desk, shoot: Path) -> None:
    document = json.loads(desk.ask("GET", "/document")[1])
    assert not any(standing.measurement.proxy for standing in desk.review.now.ready.stand.frames.values())
    addresses = [frame["pictures"][0] for frame in document["frames"]]
    store = shoot / ".xmpsync" / "measurements.sqlite"
    kept = store.read_bytes()
    store.unlink()
    assert desk.ask("GET", addresses[0])[0] == 404
    store.write_bytes(kept)  # as measuring anew does
    assert {desk.ask("GET", address)[0] for address in addresses} == {200}


def test_choices_are_undone_redone_and_survive_a_crash(desk: Desk, shoot: Path) -> None:
    document = json.loads(desk.ask("GET", "/document")[1])
    frame = next(f for f in document["frames"] if f["basis"] == "faces")
    held = json.loads(desk.ask("POST", "/choose", {"do": "hold", "frame": frame["key"]})[1])
    assert next(f for f in held["frames"] if f["key"] == frame["key"])["basis"] == "held"
    assert f"--keep {frame['path']}" in held["live"]["commands"][-1]
    undone = json.loads(desk.ask("POST", "/choose", {"do": "undo"})[1])
    assert next(f for f in undone["frames"] if f["key"] == frame["key"])["basis"] == "faces"
    assert desk.ask("POST", "/choose", {"do": "undo"})[0] == 409
    desk.ask("POST", "/choose", {"do": "redo"})
    # another process finds the same choices, with the way back
    again = Review(shoot, Options(), Machine(n_workers=1), Silent())
    assert again.options == desk.review.options and again.options.keep == (frame["path"],)
    assert again.from_kept and again.can_undo


def test_a_run_from_a_terminal_in_between_refuses_the_plan_that_was_shown(desk: Desk, shoot: Path, call: Call) -> None:
    plan = json.loads(desk.ask("POST", "/plan")[1])
    assert call("correct", shoot, "--reference", REFERENCE, "--jobs", "1", "--yes").code == 0
    after = tree(shoot)
    status, said = desk.ask("POST", "/write", {"plan": plan["plan"]})
    assert status == 409 and "othing was written" in said
    assert tree(shoot) == after


def test_what_the_page_writes_is_what_the_shown_command_line_writes(desk: Desk, shoot: Path, call: Call) -> None:
    before = tree(shoot)
    document = json.loads(desk.ask("GET", "/document")[1])
    frame = next(f for f in document["frames"] if f["basis"] == "faces")
    other = next(f for f in document["frames"] if f["basis"] == "group")
    for choice in (
        {"do": "strength", "frame": frame["key"], "value": 0.5},
        {"do": "nudge", "frame": frame["key"], "warmer": 5, "ev": -0.1},
        {"do": "nudge-light", "frame": frame["key"], "tint": 2},
        {"do": "neutral", "frame": frame["key"], "x": 0.05, "y": 0.05},
        {"do": "neutral-weight", "value": 0.2},
        {"do": "leave-out", "frame": other["key"]},
    ):
        status, said = desk.ask("POST", "/choose", choice)
        assert status == 200, said
    document = json.loads(said)
    plan = json.loads(desk.ask("POST", "/plan")[1])
    assert tree(shoot) == before and plan["diff"].startswith("--- ")
    assert desk.ask("POST", "/write", {"plan": "another"})[0] == 409
    assert desk.ask("POST", "/write", {"plan": plan["plan"]})[0] == 200
    written = tree(shoot)
    assert written != before
    assert desk.ask("POST", "/rollback")[0] == 200
    assert tree(shoot) == before
    command = shlex.split(document["live"]["commands"][-1])
    assert command[0] == "xmpsync"
    assert call(*command[1:], "--yes", "--jobs", "1").code == 0
    assert tree(shoot) == written


def test_a_choice_made_on_an_older_page_is_refused_and_the_newer_one_is_told(desk: Desk) -> None:
    first = json.loads(desk.ask("GET", "/document")[1])
    frame = next(f for f in first["frames"] if f["basis"] == "faces")
    hold = {"do": "hold", "frame": frame["key"], "version": first["live"]["version"]}
    assert desk.ask("POST", "/choose", hold)[0] == 200
    status, said = desk.ask("POST", "/choose", hold)  # another tab that still shows the first page
    assert status == 409 and "another tab" in said
    assert json.loads(desk.ask("GET", "/version")[1])["version"] == first["live"]["version"] + 1
    assert desk.review.options.keep == (frame["path"],)


def test_only_changed_frames_are_sent_to_a_page_that_shows_the_version_before(desk: Desk) -> None:
    first = json.loads(desk.ask("GET", "/document")[1])
    frames = {f["key"]: f for f in first["frames"]}
    key = next(f["key"] for f in first["frames"] if f["basis"] == "faces")
    nudge = {"do": "nudge", "frame": key, "ev": 0.1, "version": first["live"]["version"]}
    sent = json.loads(desk.ask("POST", "/choose", nudge)[1])["frames"]
    whole = json.loads(desk.ask("GET", "/document")[1])["frames"]
    assert [f["key"] for f in sent if isinstance(f, dict)] == [key]
    assert [frames[f] if isinstance(f, str) else f for f in sent] == whole
    same = json.loads(desk.ask("GET", f"/document?since={first['live']['version'] + 1}")[1])["frames"]
    assert same == [f["key"] for f in whole]
    for since in ("", "-1", "9" * 30, "x", "777"):  # not a version that was sent: everything
        assert json.loads(desk.ask("GET", f"/document?since={since}")[1])["frames"] == whole, since


def test_the_page_is_served_on_the_other_loopback_address_too(desk: Desk) -> None:
    try:
        line = http.client.HTTPConnection("::1", desk.keys.port, timeout=60)
        line.connect()
    except OSError:
        pytest.skip("this machine has no ::1")
    line.putrequest("GET", f"/?token={desk.keys.token}", skip_host=True)
    line.putheader("host", f"[::1]:{desk.keys.port}")
    line.endheaders()
    answer = line.getresponse()
    assert answer.status == 303 and "SameSite=strict" in (answer.getheader("set-cookie") or "")
    line.close()


def test_pictures_are_made_for_settings_in_range_only(desk: Desk) -> None:
    document = json.loads(desk.ask("GET", "/document")[1])
    address = document["frames"][1]["pictures"][1]
    status, _ = desk.ask("GET", address)
    assert status == 200
    key = document["frames"][1]["key"]
    for at in ("", "5000", "nan,0,0", "5000,0,1e9", "1,2,3,4", "0,0,0"):
        assert desk.ask("GET", f"/picture/{key}?at={at}")[0] == 404, at


@pytest.mark.system("chromium")
def test_the_keyboard_leads_from_a_reference_to_write_and_back(desk: Desk, shoot: Path, browser: Browser) -> None:
    before = tree(shoot)
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    told: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("request", lambda r: told.append(r.url) if not r.url.startswith(desk.address) else None)
    page.goto(f"{desk.address}/?token={desk.keys.token}")
    assert page.url == f"{desk.address}/" or page.url.startswith(f"{desk.address}/#")
    page.wait_for_selector(".desk button")

    def press(name: str, within: str = "body") -> None:
        page.locator(within).get_by_role("button", name=name).first.focus()
        page.keyboard.press("Enter")

    page.locator(".first .face").first.focus()
    page.keyboard.press("Enter")
    press("This frame is right", "dialog")
    page.wait_for_selector(".desk button:nth-of-type(2):not([disabled])", timeout=60_000)  # a step that can be undone
    press("See what would be written")
    page.wait_for_selector("dialog pre", timeout=60_000)
    assert tree(shoot) == before
    page.keyboard.press("Enter")  # the focus is on the button that writes
    page.wait_for_selector("#told:has-text('files written')", timeout=60_000)
    assert tree(shoot) != before
    press("Take run")
    page.wait_for_selector("#told:has-text('Taken back:')", timeout=60_000)
    assert tree(shoot) == before
    assert told == []


@pytest.mark.system("chromium")
def test_two_tabs_and_a_run_from_a_terminal_lose_nothing_to_each_other(
    desk: Desk, shoot: Path, browser: Browser, call: Call
) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    first, second = context.new_page(), context.new_page()
    for page in (first, second):
        page.goto(f"{desk.address}/?token={desk.keys.token}")
        page.wait_for_selector(".desk button")
    frames = json.loads(desk.ask("GET", "/document")[1])["frames"]
    key = next(f["key"] for f in frames if f["basis"] == "faces")

    def look(page: Page) -> None:
        page.evaluate(f"location.hash = 'large={key}'")
        page.wait_for_selector("dialog[open]")

    def hold(page: Page) -> None:
        look(page)
        page.locator("dialog").get_by_role("button", name="Hold it as it is").click()

    hold(first)
    first.wait_for_selector(".desk button:has-text('Undo'):not([disabled])", timeout=60_000)
    (held,) = desk.review.options.keep
    # the other tab shows the page before; it learns of the newer one when it is looked at, or when it chooses
    look(second)
    second.evaluate("dispatchEvent(new Event('focus'))")
    second.wait_for_selector("dialog button[aria-pressed=true]:has-text('Hold it as it is')", timeout=60_000)
    assert desk.review.options.keep == (held,)
    second.locator("dialog").get_by_role("button", name="Hold it as it is").click()
    second.wait_for_selector("dialog button[aria-pressed=false]:has-text('Hold it as it is')", timeout=60_000)
    assert desk.review.options.keep == ()  # chosen on what the first tab had made of it
    # a run from a terminal while a tab shows a plan: nothing of that plan is written, and the tab says so
    second.keyboard.press("Escape")
    second.locator(".desk button", has_text="See what").click()
    second.wait_for_selector("dialog pre", timeout=60_000)
    assert call("correct", shoot, "--reference", REFERENCE, "--jobs", "1", "--yes").code == 0
    after = tree(shoot)
    second.locator("dialog button.main").click()
    second.wait_for_selector("#told:has-text('othing was written')", timeout=60_000)
    assert tree(shoot) == after
    context.close()


def test_without_a_store_a_page_has_its_pictures_too(shoot: Path, call: Call, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    shutil.rmtree(shoot / ".xmpsync")
    result = call("report", shoot, page, "--reference", REFERENCE, "--frames", f"{REFERENCE}*", "--no-store")
    assert result.code == 0, result.err
    assert "-before.jpg" in page.read_text(encoding="utf-8")
