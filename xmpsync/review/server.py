"""The page, alive: the same document and scripts as the file, pictures on demand, and what changes a choice."""

from __future__ import annotations

import contextlib
import socket
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import msgspec
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from xmpsync.errors import XmpsyncError
from xmpsync.review.guard import Guard, Keys
from xmpsync.review.page import MODULES, PICTURE_SIDE_PX, asset, shell
from xmpsync.review.pictures import render_proxy
from xmpsync.review.view import key_of, settings_now, view
from xmpsync.review.words import shown
from xmpsync.shoot.options import Options
from xmpsync.shoot.review import Review
from xmpsync.solve.problem import Frame

SCRIPTS = (*MODULES, "live.js")
MAX_BODY_BYTES = 64 * 1024
"""Bytes of one request: a choice is a few hundred."""
MAX_DIFFS_CHARACTERS = 400_000
"""Characters of the diff shown on the page; the rest is counted."""
KEPT_PICTURES = 600
"""Rendered pictures kept in memory, some 20 kB each."""


class Choice(msgspec.Struct, forbid_unknown_fields=True):
    """One choice: what is done, and to which frame, face, person or light."""

    do: str
    frame: str = ""
    face: str = ""
    person: str = ""
    value: float = 0.0


class WriteThis(msgspec.Struct, forbid_unknown_fields=True):
    plan: str


class Live:
    """The answers of the server about one review."""

    def __init__(self, review: Review, keys: Keys) -> None:
        self.review, self.keys = review, keys
        self._pictures: OrderedDict[str, bytes] = OrderedDict()

    def document(self) -> dict[str, Any]:
        """The page's data with what only the living page has."""
        review = self.review
        correction = review.now
        found = view(correction)
        rows = {row.frame_id: row for row in correction.proposal.rows}
        addresses = {}
        for frame in correction.proposal.request.frames:
            now = settings_now(frame, rows[frame.frame_id])
            addresses[key_of(frame.frame_id)] = [
                f"/picture/{key_of(frame.frame_id)}?at={s.temperature_k:.0f},{s.tint:.1f},{s.exposure_ev:.2f}&{which}"
                for which, s in (("before", frame.baseline), ("now", now))
            ]
        kept = set(review.options.keep)
        for shown_frame in found["frames"]:
            shown_frame["pictures"] = addresses[shown_frame["key"]]
            shown_frame["held"] = shown_frame["path"] in kept
        found["live"] = {
            "token": self.keys.post,
            "undo": review.can_undo,
            "redo": review.can_redo,
            "command": shown(review.command()),
            "changes": correction.proposal.n_to_change,
            "kept": review.from_kept,
            "runs": [
                {"run": run.run_id, "time": run.time[:19].replace("T", " "), "files": len(run.paths),
                 "command": run.command, "state": run.state.value}
                for run in review.runs().runs
            ],
        }  # fmt: skip
        return found

    def picture(self, key: str, now: bool) -> bytes | None:
        """JPEG of a frame, as it was or as it is now; None where there is no such frame."""
        frame = self._frame(key)
        if frame is None:
            return None
        correction = self.review.now
        settings = frame.baseline
        if now:
            rows = {row.frame_id: row for row in correction.proposal.rows}
            settings = settings_now(frame, rows[frame.frame_id])
        name = f"{key} {settings}"
        jpeg = self._pictures.get(name)
        if jpeg is None:
            proxy = correction.ready.stand.frames[frame.frame_id].measurement.proxy
            jpeg = render_proxy(proxy, frame.profile, settings, frame.baseline_exposure_ev, PICTURE_SIDE_PX)
            self._pictures[name] = jpeg
            while len(self._pictures) > KEPT_PICTURES:
                self._pictures.popitem(last=False)
        return jpeg

    def choose(self, choice: Choice) -> None:
        """Take one choice."""
        if choice.do in ("undo", "redo"):
            self.review.step(-1 if choice.do == "undo" else 1)
            return
        frame = self._frame(choice.frame)
        if frame is None:
            raise XmpsyncError("There is no such frame on the desk.", next_step="Reload the page.")
        self.review.change(_chosen(self.review.options, choice, frame))

    def chosen(self, choice: Choice) -> dict[str, Any]:
        """Take one choice; the page after it."""
        self.choose(choice)
        return self.document()

    def plan(self) -> dict[str, Any]:
        """The plan with its diff, and the key that writes it."""
        planned = self.review.plan()
        diffs = "\n".join(planned.correction.proposal.diffs())
        return {
            "plan": planned.plan_id,
            "files": [shown(change.path) for change in planned.correction.proposal.plan.changes],
            "diff": shown(diffs[:MAX_DIFFS_CHARACTERS]),
            "cut": max(0, len(diffs) - MAX_DIFFS_CHARACTERS),
        }

    def write(self, wanted: WriteThis) -> str:
        """Write the plan; what happened, in a sentence."""
        outcome = self.review.write(wanted.plan)
        if outcome is None:
            return "There was nothing to write."
        left = f" {len(outcome.left_alone)} left alone, see the runs." if outcome.left_alone else ""
        return (
            f"{len(outcome.written)} files written, run {outcome.run_id}.{left} "
            "If your editor keeps a database of its own, let it load the sidecars again now."
        )

    def roll_back(self) -> str:
        """Take the newest run back; what happened, in a sentence."""
        outcome = self.review.roll_back()
        n = len(outcome.written) + len(outcome.created) + len(outcome.removed)
        left = f" {len(outcome.left_alone)} left alone." if outcome.left_alone else ""
        return f"Taken back: {n} files are as they were.{left}"

    def _frame(self, key: str) -> Frame | None:
        frames = self.review.now.proposal.request.frames
        return next((frame for frame in frames if key_of(frame.frame_id) == key), None)


def _chosen(options: Options, choice: Choice, frame: Frame) -> Options:
    """The options after one choice."""
    name = frame.frame_id
    if choice.do == "reference-frame":
        return replace(options, references=(name,))
    if choice.do == "reference-face":
        face = next((f for f in frame.faces if f.face_id == choice.face), None)
        if face is None:
            raise XmpsyncError("There is no such face in this frame.", next_step="Reload the page.")
        x, y = (min(max(v, 0.0), 1.0) for v in face.box.centre)
        person = choice.person.strip()
        text = f"{person}={name}@{x:.4f},{y:.4f}" if person else f"{name}@{x:.4f},{y:.4f}"
        others = tuple(t for t in options.references if person and not t.startswith(f"{person}="))
        return replace(options, references=(*others, text))
    if choice.do == "hold":
        keep = tuple(t for t in options.keep if t != name)
        return replace(options, keep=keep if len(keep) != len(options.keep) else (*keep, name))
    if choice.do == "strength":
        rest = tuple(t for t in options.strength_at if t.rpartition("=")[0] != name)
        return replace(options, strength_at=(*rest, f"{name}={min(max(choice.value, 0.0), 1.0):g}"))
    raise XmpsyncError(f"{choice.do!r} is not a choice.", next_step="Reload the page.")


def application(review: Review, keys: Keys) -> Starlette:
    """The web application of one review."""
    live = Live(review, keys)

    async def shell_page(_: Request) -> Response:
        text = shell(
            title="Skin, alive",
            style='<link rel="stylesheet" href="/page.css">',
            data="",
            script='<script type="module" src="/live.js"></script>',
        )
        return Response(text, media_type="text/html")

    async def document(_: Request) -> Response:
        return JSONResponse(await run_in_threadpool(live.document))

    async def picture(request: Request) -> Response:
        now = "now" in request.query_params
        jpeg = await run_in_threadpool(live.picture, request.path_params["key"], now)
        if jpeg is None:
            return Response("No such frame.\n", status_code=404, media_type="text/plain")
        return Response(jpeg, media_type="image/jpeg")

    async def choose(request: Request) -> Response:
        return await _answered(request, Choice, live.chosen)

    async def plan(request: Request) -> Response:
        return await _answered(request, None, lambda _: live.plan())

    async def write(request: Request) -> Response:
        return await _answered(request, WriteThis, lambda w: {"said": live.write(w), "page": live.document()})

    async def roll_back(request: Request) -> Response:
        return await _answered(request, None, lambda _: {"said": live.roll_back(), "page": live.document()})

    async def no_icon(_: Request) -> Response:
        return Response(status_code=204)

    routes = [
        Route("/", shell_page),
        Route("/favicon.ico", no_icon),  # browsers ask for it
        Route("/document", document),
        Route("/picture/{key}", picture),
        *(Route(f"/{name}", _file(name, "text/javascript")) for name in SCRIPTS),
        Route("/page.css", _file("page.css", "text/css")),
        Route("/choose", choose, methods=["POST"]),
        Route("/plan", plan, methods=["POST"]),
        Route("/write", write, methods=["POST"]),
        Route("/rollback", roll_back, methods=["POST"]),
    ]
    return Starlette(routes=routes, middleware=[Middleware(Guard, keys=keys)])


def _file(name: str, media_type: str) -> Callable[[Request], Any]:
    async def answer(_: Request) -> Response:
        return Response(asset(name), media_type=media_type)

    return answer


async def _answered(request: Request, kind: Any, work: Callable[[Any], Any]) -> Response:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MAX_BODY_BYTES:
            return JSONResponse({"error": "The request is too large. Nothing was written."}, status_code=413)
    try:
        asked = msgspec.json.decode(body, type=kind) if kind is not None else None
        return JSONResponse(await run_in_threadpool(work, asked))
    except msgspec.MsgspecError as error:
        return JSONResponse({"error": f"The request cannot be read ({error}). Nothing was written."}, status_code=400)
    except XmpsyncError as error:
        return JSONResponse({"error": shown(str(error))}, status_code=409)


def listen(port: int) -> tuple[list[socket.socket], int]:
    """Sockets on 127.0.0.1 and, where there is one, ::1, and their port (0 asks the system for a free one).

    Raises XmpsyncError where the port is taken.
    """
    first = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        first.bind(("127.0.0.1", port))
    except OSError as error:
        first.close()
        raise XmpsyncError(
            f"Port {port} cannot be used: {error.strerror}.", next_step="Give another --port."
        ) from error
    sockets, port = [first], first.getsockname()[1]
    with contextlib.suppress(OSError):
        second = socket.socket(socket.AF_INET6, socket.SOCK_STREAM)
        try:
            second.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            second.bind(("::1", port))
            sockets.append(second)
        except OSError:
            second.close()
    return sockets, port


def server(app: Starlette) -> uvicorn.Server:
    """The server, not started: `run(sockets=...)` serves until it is interrupted."""
    return uvicorn.Server(
        uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, proxy_headers=False, ws="none")
    )
