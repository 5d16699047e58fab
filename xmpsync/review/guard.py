"""Who may speak to the page: this machine's own browser, with the token that was printed.

The server listens on 127.0.0.1 and ::1. That alone keeps out other machines, not other pages in the same browser, so
each request must also name the server by its number (a name that resolves here is refused), come from the page itself
(Origin, Sec-Fetch-Site), and carry the cookie that the token in the printed address was exchanged for. Whatever
changes something is a POST that carries a second token, which only a page that could read an answer knows.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@dataclass(frozen=True)
class Keys:
    """The secrets of one server: the token in the address, the cookie's value, the token of what changes something."""

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    post: str = field(default_factory=lambda: secrets.token_urlsafe(32))

    @property
    def cookie_name(self) -> str:
        return f"xmpsync-{self.port}"

    @property
    def hosts(self) -> tuple[str, str]:
        return f"127.0.0.1:{self.port}", f"[::1]:{self.port}"


class Guard:
    """Lets pass what the module's description says, and adds the policy to every answer."""

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self.app, self.keys = app, keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return

        async def send_with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        request = Request(scope)
        given = request.query_params.get("token")
        refusal = self._refusal(request)
        if refusal is None and request.method == "GET" and request.url.path == "/" and given is not None:
            if _same(given, self.keys.token):
                answer = RedirectResponse("/", status_code=303)
                answer.set_cookie(self.keys.cookie_name, self.keys.cookie, path="/", httponly=True, samesite="strict")
                await answer(scope, receive, send_with_policy)
                return
            refusal = "The token in the address is not this server's. Use the address that the command printed."
        if refusal is None:
            refusal = self._without_keys(request)
        if refusal is not None:
            await PlainTextResponse(refusal + "\n", status_code=403)(scope, receive, send_with_policy)
            return
        await self.app(scope, receive, send_with_policy)

    def _refusal(self, request: Request) -> str | None:
        hosts = request.headers.getlist("host")
        if len(hosts) != 1 or hosts[0] not in self.keys.hosts:
            return "This server answers to its number only, not to a name."
        origin = request.headers.get("origin")
        if origin is not None and origin != f"http://{hosts[0]}":
            return "Requests of another page are refused."
        if request.headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return "Requests of another page are refused."
        if request.method not in ("GET", "POST"):
            return "Only GET and POST are known here."
        return None

    def _without_keys(self, request: Request) -> str | None:
        if not _same(request.cookies.get(self.keys.cookie_name, ""), self.keys.cookie):
            return "Open the address that the command printed: it holds the token."
        if request.method == "POST" and not _same(request.headers.get("x-token", ""), self.keys.post):
            return "The token of the page is missing. Reload the page."
        return None


def _same(given: str, wanted: str) -> bool:
    return secrets.compare_digest(given.encode(), wanted.encode())
