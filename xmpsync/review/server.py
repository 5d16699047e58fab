"""The page, alive: the same document and scripts as the file, pictures on demand, and what changes a choice."""

from __future__ import annotations

import contextlib
import socket
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

import msgspec
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from xmpsync.errors import DiskNeedsAttention, Refused, XmpsyncError
from xmpsync.measuring.memory import seldom_collected
from xmpsync.records import Develop
from xmpsync.review.choice import Choice, nudge_of, options_after, wish_of
from xmpsync.review.guard import Guard, Keys
from xmpsync.review.page import MODULES, PICTURE_SIDE_PX, asset, shell
from xmpsync.review.pictures import render_proxy
from xmpsync.review.view import key_of, left_out_frames, settings_now, view
from xmpsync.review.words import shown
from xmpsync.shoot.correct import Correction
from xmpsync.shoot.review import Review
from xmpsync.solve.problem import Frame

SCRIPTS = (*MODULES, "tools.js", "live.js")
MAX_BODY_BYTES = 64 * 1024
"""Bytes of one request: a choice is a few hundred."""
MAX_DIFFS_CHARACTERS = 400_000
"""Characters of the diff shown on the page; the rest is counted."""
KEPT_VERSIONS = 3
"""Versions of the page against which changed frames are told; an older page gets all."""
KEPT_PICTURES = 600
"""Rendered pictures kept in memory, some 20 kB each."""


class WriteThis(msgspec.Struct, forbid_unknown_fields=True):
    plan: str


class Live:
    """The answers of the server about one review."""

    def __init__(self, review: Review, keys: Keys) -> None:
        self.review, self.keys = review, keys
        self._pictures: OrderedDict[tuple[str, Develop], bytes] = OrderedDict()
        self._frames: tuple[Correction | None, dict[str, Frame]] = None, {}
        self._sent: OrderedDict[int, dict[str, dict[str, Any]]] = OrderedDict()

    def document(self, since: int = -1) -> dict[str, Any]:
        """The page's data with what only the living page has.

        For a page that shows version `since`, frames that are the same there are given by their keys alone.
        """
        with self.review.lock, seldom_collected():
            found = self._document()
            known, now = self._sent.get(since, {}), {frame["key"]: frame for frame in found["frames"]}
            self._sent[self.review.version] = now
            while len(self._sent) > KEPT_VERSIONS:
                self._sent.popitem(last=False)
            found["frames"] = [key if known.get(key) == frame else frame for key, frame in now.items()]
            return found

    def _document(self) -> dict[str, Any]:
        review = self.review
        version, correction = review.version, review.now
        found = view(correction, review.people())
        rows = {row.frame_id: row for row in correction.proposal.rows}
        frames = self._by_key(correction)
        options = review.options
        kept = set(options.keep)
        nudges = correction.ready.loaded.wishes.nudges
        single, whole = ([n for n in nudges if n.whole_light == light] for light in (False, True))
        nudged = {nudge.frame_id for nudge in single}
        for shown_frame in found["frames"]:
            frame = frames[shown_frame["key"]]
            own = (frame.baseline, settings_now(frame, rows[frame.frame_id]))
            shown_frame["pictures"] = [_address(shown_frame["key"], s) for s in own]
            shown_frame["held"] = frame.frame_id in kept
            if frame.frame_id in nudged:
                shown_frame["nudge"] = nudge_of(single, (frame.frame_id,))
        by_light = {group.index: group.frame_ids for group in correction.proposal.solution.groups}
        for light in found["lights"]:
            light["nudge"] = nudge_of(whole, by_light[light["light"]])
        for shown_frame in found["out"]:
            frame = frames[shown_frame["key"]]
            shown_frame["pictures"] = [_address(shown_frame["key"], frame.baseline)] * 2
        found["live"] = {
            "version": version,
            "token": self.keys.post,
            "undo": review.can_undo,
            "redo": review.can_redo,
            "commands": [shown(line) for line in review.commands()],
            "changes": correction.proposal.n_to_change,
            "kept": review.from_kept,
            "strength": options.strength,
            "weight": options.neutral_weight,
            "answers": sorted({shown(answer.name) for answer in review.people().answers}),
            "runs": [
                {"run": run.run_id, "time": run.time[:19].replace("T", " "), "files": len(run.paths),
                 "command": run.command, "state": run.state.value}
                for run in review.runs().runs
            ],
        }  # fmt: skip
        return found

    def picture(self, key: str, at: str) -> bytes | None:
        """JPEG of a frame at some settings (kelvin, tint, EV); None without such a frame, setting or picture."""
        correction = self.review.now
        frame, settings = self._by_key(correction).get(key), _settings(at)
        if frame is None or settings is None:
            return None
        jpeg = self._pictures.get((key, settings))
        if jpeg is None:
            try:
                proxy = self.review.proxies.of(correction.ready.stand, frame.frame_id)
            except DiskNeedsAttention:
                self.review.proxies.close()  # a store that was made anew meanwhile is opened at the next picture
                return None
            jpeg = render_proxy(proxy, frame.profile, settings, frame.baseline_exposure_ev, PICTURE_SIDE_PX)
            self._pictures[key, settings] = jpeg
            while len(self._pictures) > KEPT_PICTURES:
                self._pictures.popitem(last=False)
        return jpeg

    def choose(self, choice: Choice) -> None:
        """Take one choice."""
        if choice.do in ("undo", "redo"):
            self.review.step(-1 if choice.do == "undo" else 1)
            return
        now = self.review.now
        frame = self._by_key(now).get(choice.frame)
        wish = wish_of(choice, frame, now)
        if wish is not None:
            self.review.say(wish)
        else:
            self.review.change(options_after(self.review.options, choice, frame, now))

    def chosen(self, choice: Choice) -> dict[str, Any]:
        """Take one choice; the page after it. One that was made on an older page is refused."""
        with self.review.lock, seldom_collected():
            if choice.version not in (-1, self.review.version):
                raise Refused(
                    "Something was chosen in another tab: this page shows it now.", next_step="Look, and choose again."
                )
            self.choose(choice)
            return self.document(choice.version)

    def plan(self) -> dict[str, Any]:
        """The plan with its diff, and the key that writes it."""
        planned = self.review.plan()
        diffs = "\n".join(planned.correction.proposal.diffs())
        return {
            "plan": planned.plan_id,
            "version": self.review.version,
            "files": [shown(change.path) for change in planned.correction.proposal.plan.changes],
            "troubles": [shown(trouble.sentence) for trouble in planned.correction.troubles],
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
            f"{len(outcome.written) + len(outcome.created)} files written, run {outcome.run_id}.{left} "
            "If your editor keeps a database of its own, let it load the sidecars again now."
        )

    def roll_back(self) -> str:
        """Take the newest run back; what happened, in a sentence."""
        outcome = self.review.roll_back()
        n = len(outcome.written) + len(outcome.created) + len(outcome.removed)
        left = f" {len(outcome.left_alone)} left alone." if outcome.left_alone else ""
        return f"Taken back: {n} files are as they were.{left}"

    def _by_key(self, correction: Correction) -> dict[str, Frame]:
        """Every frame on the desk by its key, those left out too."""
        if self._frames[0] is not correction:
            own = {frame.frame_id: frame for frame in correction.proposal.request.frames}
            out = {frame.frame_id: frame for frame in left_out_frames(correction)}
            self._frames = correction, {key_of(name): frame for name, frame in {**own, **out}.items()}
        return self._frames[1]


def _address(key: str, s: Develop) -> str:
    return f"/picture/{key}?at={s.temperature_k:.0f},{s.tint:.1f},{s.exposure_ev:.2f}"


def _settings(text: str) -> Develop | None:
    try:
        kelvin, tint, ev = (float(part) for part in text.split(","))
    except ValueError:
        return None
    inside = 1000.0 <= kelvin <= 100_000.0 and abs(tint) <= 300.0 and abs(ev) <= 20.0
    return Develop(kelvin, tint, ev) if inside else None


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

    async def document(request: Request) -> Response:
        since = request.query_params.get("since", "")
        return await _answered(
            request, None, lambda _: live.document(int(since) if since.isdecimal() and len(since) < 10 else -1)
        )

    async def picture(request: Request) -> Response:
        at = request.query_params.get("at", "")
        jpeg = await run_in_threadpool(live.picture, request.path_params["key"], at)
        if jpeg is None:
            return Response("No such frame.\n", status_code=404, media_type="text/plain")
        # the address names the settings: what it shows never changes
        return Response(jpeg, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400, immutable"})

    async def choose(request: Request) -> Response:
        return await _answered(request, Choice, live.chosen)

    async def plan(request: Request) -> Response:
        return await _answered(request, None, lambda _: live.plan())

    async def write(request: Request) -> Response:
        return await _answered(request, WriteThis, lambda w: {"said": live.write(w), "page": live.document()})

    async def roll_back(request: Request) -> Response:
        return await _answered(request, None, lambda _: {"said": live.roll_back(), "page": live.document()})

    async def version(_: Request) -> Response:
        return JSONResponse({"version": live.review.version})

    async def no_icon(_: Request) -> Response:
        return Response(status_code=204)

    routes = [
        Route("/", shell_page),
        Route("/favicon.ico", no_icon),  # browsers ask for it
        Route("/document", document),
        Route("/version", version),
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
        found = await run_in_threadpool(lambda: msgspec.json.encode(work(asked)))
        return Response(found, media_type="application/json")
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
