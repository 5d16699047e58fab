"""The page in the states that a demo does not show: nobody, many, unknown; printed, without motion, read aloud."""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import colour
import numpy as np
import pytest

from tests.cli.conftest import REFERENCE
from xmpsync.events import Silent
from xmpsync.measuring.machine import Machine
from xmpsync.plan.options import Options
from xmpsync.review.page import asset, page_text, view_of
from xmpsync.review.pictures import render_proxy
from xmpsync.shoot.correct import values_first
from xmpsync.shoot.proxies import Proxies

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.system("chromium")

Document = dict[str, Any]
Open = Callable[..., "Page"]
LONG = "AnneliesewilhelminaphilippinavonundzuHohenschwansteinfalkenburg"  # no place to break a line


@pytest.fixture(scope="module")
def made(measured_shoot: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Document, bytes, bytes]:
    """The document of the small shoot and two pictures that serve all frames; the shoot's own folder stays as it is."""
    machine = Machine(n_workers=1, use_store=True, state=tmp_path_factory.mktemp("state"))
    (machine.state / "measurements.sqlite").write_bytes(  # type: ignore[operator]
        (measured_shoot / ".xmpsync" / "measurements.sqlite").read_bytes()
    )
    found = values_first(measured_shoot, Options(references=(REFERENCE,)), machine, Silent(), writes=False)
    frame = found.proposal.request.frames[1]
    with Proxies(found.ready.state) as proxies:
        proxy = proxies.of(found.ready.stand, frame.frame_id)
    before, now = (render_proxy(proxy, frame.profile, frame.baseline, ev, 120) for ev in (0.0, 1.0))
    return view_of(found), before, now


@pytest.fixture
def document(made: tuple[Document, bytes, bytes]) -> Document:
    return copy.deepcopy(made[0])


@pytest.fixture
def opened(browser: Browser, made: tuple[Document, bytes, bytes], tmp_path: Path) -> Iterator[Open]:
    """Open a document as a page; whatever the console tells fails the test at its end."""
    pages: list[Page] = []
    told: list[str] = []

    def _open(document: Document, width: int = 1280, **options: Any) -> Page:
        for frame in document["frames"]:
            frame["pictures"] = ["one.jpg", "one.jpg" if frame["after"] is None else "two.jpg"]
        file = tmp_path / f"page{len(pages)}.html"
        file.write_text(page_text(document, {"one.jpg": made[1], "two.jpg": made[2]}), encoding="utf-8")
        page = browser.new_page(viewport={"width": width, "height": 844}, **options)
        page.on("console", lambda message: told.append(message.text))
        page.on("pageerror", lambda error: told.append(str(error)))
        page.goto(file.as_uri())
        page.wait_for_selector("h1")
        pages.append(page)
        return page

    yield _open
    for page in pages:
        page.close()
    assert told == []


def nobody(document: Document) -> Document:
    """No face anywhere, and so no reference."""
    for frame in document["frames"]:
        frame |= {"faces": [], "findings": [], "hand": False, "after": None, "basis": "left-alone"}
    return document | {"persons": [], "hand": [], "ask": [], "references": [], "chosen": False, "candidates": []}


def strangers(document: Document) -> Document:
    """Every face is found, none is known."""
    for frame in document["frames"]:
        for face in frame["faces"]:
            face |= {
                "person": None,
                "perhaps": None,
                "de00": None,
                "ev": None,
                "ab": None,
                "why": "not known who this is",
            }
    with_faces = [f for f in document["frames"] if f["faces"]]
    ask = [{"key": f["key"], "id": f["faces"][0]["id"]} for f in with_faces[:3]]
    return document | {"persons": [], "hand": [], "ask": ask}


def crowd(document: Document) -> Document:
    """Forty people with long names in forty frames."""
    persons = [copy.deepcopy(document["persons"][i % len(document["persons"])]) for i in range(40)]
    for i, person in enumerate(persons):
        person["name"] = f"{LONG} {i}"
        person["alike"] = [f"{LONG} {i + 1}"] if i == 0 else []
    good = next(f for f in document["frames"] if f["basis"] == "faces" and f["faces"])
    frames = []
    for i in range(40):
        frame = copy.deepcopy(good) | {
            "key": f"{i:012x}",
            "name": f"{LONG}_{i:04d}",
            "path": f"card/{LONG}_{i:04d}.dng",
        }
        frame["faces"] = [
            copy.deepcopy(good["faces"][0]) | {"id": f"f{n}", "person": persons[(i + n) % 40]["name"]} for n in range(3)
        ]
        frame["faces"][0] |= {"de00": [5.0, 3.0], "ev": [-1.0, 0.1]}
        frames.append(frame | {"hand": i < 3})
    lights = [copy.deepcopy(document["lights"][0]) | {"light": good["light"], "name": f"Light 1 {LONG}"}]
    return document | {
        "frames": frames, "persons": persons, "lights": lights, "hand": [f["key"] for f in frames[:3]],
        "ask": [{"key": frames[0]["key"], "id": "f9"}],
        "references": [{"key": f["key"], "said": [f["path"]]} for f in frames[:4]], "shoot": LONG,
    }  # fmt: skip


@pytest.mark.parametrize("state", [nobody, strangers, crowd])
@pytest.mark.parametrize("width", [390, 1280])
def test_every_state_has_a_page_that_scrolls_in_one_direction_only(
    opened: Open, document: Document, state: Callable[[Document], Document], width: int
) -> None:
    page = opened(state(document), width)
    fits = "document.documentElement.scrollWidth <= innerWidth"
    assert page.evaluate(fits), "first screen"
    assert page.locator("h1").inner_text()
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    page.evaluate("for (const b of [...document.querySelectorAll('.lazy')]) b.fill?.()")
    page.evaluate("for (const b of [...document.querySelectorAll('.lazy')]) b.fill?.()")
    assert page.locator("#chapters .card").count() == len(document["frames"]) or state is crowd
    assert page.evaluate(fits), "everything drawn"
    page.locator("#chapters .card h4 button").first.click()
    page.wait_for_selector("dialog[open]")
    assert page.evaluate("document.querySelector('dialog').scrollWidth <= document.querySelector('dialog').clientWidth")
    page.keyboard.press("Escape")
    page.locator("select[name=sort]").select_option("worst")
    page.locator("select[name=finding]").select_option("hand")
    assert page.evaluate(fits), "filtered"
    if state is nobody:
        assert "no row to show" in page.locator("main").inner_text()
        assert page.locator("#chapters .wipe").count() == 0  # nothing changes: nothing to compare
    if state is strangers:
        assert page.locator("section[aria-label='Whose skin is this?'] .ask").count() == 3


def test_back_and_forward_go_through_what_was_looked_at(opened: Open, document: Document) -> None:
    page = opened(document)
    shown = page.locator("#chapters [role=status]")
    everything = shown.inner_text()
    page.locator("select[name=person]").select_option("Tomas")
    of_tomas = shown.inner_text()
    assert of_tomas != everything
    page.locator("input[name=name]").press_sequentially("jubilee_0002", delay=1)
    of_two = shown.inner_text()
    page.locator("#chapters .card h4 button").first.click()
    page.wait_for_selector("dialog[open]")
    assert "large=" in page.url
    page.go_back()
    page.wait_for_selector("dialog:not([open])", state="attached")
    assert shown.inner_text() == of_two and page.locator("input[name=name]").input_value() == "jubilee_0002"
    page.go_back()  # the letters of a search are one step
    page.wait_for_function("document.querySelector('input[name=name]').value === ''")
    assert shown.inner_text() == of_tomas and page.locator("select[name=person]").input_value() == "Tomas"
    page.go_back()
    page.wait_for_function("document.querySelector('select[name=person]').value === ''")
    assert shown.inner_text() == everything
    for _ in range(3):
        page.go_forward()
    page.wait_for_selector("dialog[open]")
    again = page.url
    page.reload()
    page.wait_for_selector("dialog[open]")
    assert page.url == again
    page.get_by_role("button", name="Close").click()
    assert "large=" not in page.url


def test_a_printed_page_holds_every_frame_and_no_controls(opened: Open, document: Document) -> None:
    page = opened(document, color_scheme="dark")
    page.emulate_media(media="print")
    assert page.locator(".surround, form[role=search], .card input").evaluate_all(
        "all => all.every(e => e.checkVisibility() === false)"
    )
    colours = page.evaluate("[getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color]")
    assert colours == ["rgb(255, 255, 255)", "rgb(0, 0, 0)"]
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    printed = page.locator("#chapters .card h4").all_inner_texts()
    assert printed == [frame["name"] for frame in document["frames"]]
    assert page.locator(".skin svg").count() == sum(
        1
        for p in document["persons"]
        if any(f["ab"] and f["person"] == p["name"] for x in document["frames"] for f in x["faces"])
    )
    assert page.locator("#chapters .printed").first.is_visible()
    sheet = page.pdf(format="A4")
    assert sheet.startswith(b"%PDF") and len(re.findall(rb"/Type\s*/Page\b", sheet)) >= 2


def test_nothing_moves_where_less_motion_is_asked_for(opened: Open, document: Document) -> None:
    page = opened(document, reduced_motion="reduce")
    moving = (
        "[...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);"
        " return s.scrollBehavior !== 'auto'"
        " || s.animationName !== 'none' || s.transitionDuration.split(',').some(d => parseFloat(d) > 0); }).length"
    )
    assert page.evaluate(moving) == 0 and page.evaluate("document.getAnimations().length") == 0
    page.emulate_media(reduced_motion="no-preference")
    assert page.evaluate(moving) > 0  # the smooth way to a part of the page, for everybody else


def test_a_screen_reader_meets_what_was_off_what_was_done_and_what_needs_a_hand_in_this_order(
    opened: Open, document: Document
) -> None:
    tree = opened(document).locator("body").aria_snapshot()
    wanted = [
        "link \"Skip to the frames that need a hand\"", "group \"Grey around the pictures\"",
        f"img \"{REFERENCE} with ",
        "heading \"Six people, eight frames", "link \"Before\"", "link \"Now\"", "By hand",
        "heading \"Skin, person by person, through the day\"", "heading \"Need a hand\"", "heading \"Light by light\"",
        "search \"Which frames\"", "heading \"Skin of each person\"",
    ]  # fmt: skip
    at = [tree.find(text) for text in wanted]
    assert -1 not in at and at == sorted(at), list(zip(wanted, at, strict=True))


@pytest.mark.filterwarnings("ignore:.*tritanomaly is based on the shift paradigm")
def test_marks_are_told_apart_without_their_hue(opened: Open, document: Document) -> None:
    """Machado et al. 2009 (colour-science): whatever cones are missing, shape and contrast stay."""
    skins = [c for frame in document["frames"] for face in frame["faces"] if face["colour"] for c in face["colour"]]
    assert len(skins) > 8
    page = opened(document, color_scheme="light")
    for grey in ("light", "dark"):
        page.evaluate(f"document.documentElement.dataset.surround = '{grey}'")
        style = "getComputedStyle(document.documentElement)"
        marks = [page.evaluate(f"{style}.getPropertyValue('--{name}').trim()") for name in ("ink", "ground")]
        faces = ["#ffffff", "#000000"]  # a face's outline and the line around it
        for kind in ("Protanomaly", "Deuteranomaly", "Tritanomaly"):
            seen = colour.matrix_cvd_Machado2009(kind, 1.0)
            for pair in (marks, faces):
                # a frame of two greys, one inside the other: one of them stands out from any skin (WCAG 1.4.11)
                worst = min(max(_contrast(seen, mark, skin) for mark in pair) for skin in skins)
                assert worst >= 3.0, (grey, kind, pair, worst)
    text = asset("page.css")
    assert all(
        len(set(re.findall("..", c if len(c) == 6 else "".join(x * 2 for x in c)))) == 1
        for c in re.findall(r"#([0-9a-f]{6}|[0-9a-f]{3})\b", text)
    )
    shapes = page.evaluate(
        "['face', 'face off', 'face unknown'].map(c => { const e = document.createElement('i'); e.className = c;"
        " document.body.append(e); return getComputedStyle(e).borderTopStyle; })"
    )
    assert sorted(shapes) == ["dashed", "dotted", "solid"]


def _contrast(seen: Any, one: str, other: str) -> float:
    """WCAG 2 contrast ratio of two colours of sRGB as somebody sees them whose cones act like the matrix."""
    light = []
    for text in (one, other):
        digits = text.lstrip("#")
        digits = digits if len(digits) == 6 else "".join(c * 2 for c in digits)
        rgb = np.array([int(digits[i : i + 2], 16) / 255.0 for i in (0, 2, 4)])
        linear = np.clip(seen @ np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4), 0.0, 1.0)
        light.append(float(linear @ (0.2126, 0.7152, 0.0722)))
    return (max(light) + 0.05) / (min(light) + 0.05)


def test_the_first_screen_of_a_desk_holds_the_look_the_sentences_and_the_whole_day(
    opened: Open, document: Document
) -> None:
    page = opened(document)
    bottom = page.locator(".ribbon").evaluate("e => e.getBoundingClientRect().bottom")
    assert bottom <= 844, bottom
    sentences = page.locator(".words > p b").all_inner_texts()
    assert sentences[:3] == ["Before", "Now", "By hand"]
    assert json.dumps(document["sentences"]).count("ΔE") <= 3
