"""The page a person looks at: one HTML file that is opened without a network, in any browser.

Styles, script and data are inside. Pictures are too, until the file would pass `EMBED_LIMIT_BYTES`: then they go into
a folder beside it, named after the file.
"""

from __future__ import annotations

import base64
import html
import json
import re
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any
from urllib.parse import quote

from xmpsync.errors import XmpsyncError
from xmpsync.review.pictures import render_proxy
from xmpsync.review.view import key_of, settings_now, view
from xmpsync.shoot.correct import Correction
from xmpsync.shoot.names_given import read_answers
from xmpsync.shoot.people import people_of
from xmpsync.shoot.proxies import Proxies

PICTURE_SIDE_PX = 480
"""Long side of a picture: that of the stored proxies."""
EMBED_LIMIT_BYTES = 40 * 2**20
"""Size of all pictures inside the file past which browsers get slow to open it."""
MODULES = ("dom.js", "frames.js", "ribbon.js", "skins.js", "main.js")
"""In the order in which they need each other."""

_IMPORT = re.compile(r"^import [^\n]*\n", re.MULTILINE)
_EXPORT = re.compile(r"^export ", re.MULTILINE)


def asset(name: str) -> str:
    """The text of a file that belongs to the page."""
    return resources.files("xmpsync.review").joinpath("assets", name).read_text(encoding="utf-8")


def write_report(path: Path, correction: Correction, *, embed_limit_bytes: int = EMBED_LIMIT_BYTES) -> None:
    """Write the page, and the folder of pictures beside it when they are too many for one file.

    Raises XmpsyncError when it cannot be written.
    """
    document = view_of(correction)
    shown = {frame["key"]: frame for frame in document["frames"]}
    folder = path.with_name(f"{path.stem}_pictures")
    held: dict[str, bytes] = {}
    size, beside = 0, False
    try:
        for key, names, pictures in _pictures(correction):
            shown[key]["pictures"] = names
            for name, jpeg in pictures.items():
                held[name] = jpeg
                size += len(jpeg) * 4 // 3
            if size > embed_limit_bytes or beside:
                if not beside:
                    folder.mkdir(exist_ok=True)
                beside = True
                for name, jpeg in held.items():
                    (folder / name).write_bytes(jpeg)
                held = {}
        if beside:
            document["folder"] = quote(folder.name, errors="surrogateescape")
        path.write_text(page_text(document, None if beside else held), encoding="utf-8", errors="backslashreplace")
    except OSError as error:
        raise XmpsyncError(
            f"The page {path} cannot be written: {error.strerror}.",
            written="Nothing was written into the shoot.",
            next_step="Choose another place for it.",
        ) from error


def view_of(correction: Correction) -> dict[str, Any]:
    """The document of a proposal whose answers about people are those that are kept."""
    ready, solution = correction.ready, correction.proposal.solution
    return view(correction, people_of(ready, solution, read_answers(ready.state)))


def _pictures(correction: Correction) -> Iterator[tuple[str, list[str], dict[str, bytes]]]:
    """For each frame its key, the names of its pictures before and now, and the new JPEG files."""
    rows = {row.frame_id: row for row in correction.proposal.rows}
    ready = correction.ready
    with Proxies(ready.state) as proxies:
        for frame in correction.proposal.request.frames:
            key, proxy = key_of(frame.frame_id), proxies.of(ready.stand, frame.frame_id)
            now = settings_now(frame, rows[frame.frame_id])
            made = {
                f"{key}-before.jpg": render_proxy(
                    proxy, frame.profile, frame.baseline, frame.baseline_exposure_ev, PICTURE_SIDE_PX
                )
            }
            names = [f"{key}-before.jpg"] * 2
            if now != frame.baseline:
                names[1] = f"{key}-now.jpg"
                made[names[1]] = render_proxy(proxy, frame.profile, now, frame.baseline_exposure_ev, PICTURE_SIDE_PX)
            yield key, names, made


def page_text(document: dict[str, Any], pictures: dict[str, bytes] | None) -> str:
    """The page of a document as one text; `pictures` by name go inside, None where they lie in its folder."""
    held = ""
    if pictures is not None:
        coded = {name: base64.b64encode(jpeg).decode("ascii") for name, jpeg in pictures.items()}
        held = f'<script type="application/json" id="pictures">{_json(coded)}</script>'
    return shell(
        title=f"Skin of {document['shoot']}",
        style=f"<style>{asset('page.css')}</style>",
        data=f'<script type="application/json" id="data">{_json(document)}</script>\n{held}',
        script=f'<script type="module">\n{joined((*MODULES, "file.js"))}</script>',
    )


def shell(*, title: str, style: str, data: str, script: str) -> str:
    """The page's frame, filled."""
    parts = {"TITLE": html.escape(title), "STYLE": style, "DATA": data, "SCRIPT": script}
    return re.sub("@([A-Z]+)@", lambda m: parts[m[1]], asset("page.html"))


def joined(names: tuple[str, ...]) -> str:
    """Modules as one script: imports of each other go, names are the same everywhere (a test holds them apart)."""
    return "\n".join(_EXPORT.sub("", _IMPORT.sub("", asset(name))) for name in names)


def _json(value: Any) -> str:
    """JSON that may stand inside a script element: nothing in it can end the element."""
    return json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")
