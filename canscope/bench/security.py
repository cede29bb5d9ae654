"""Who may ask this server, and for what; around everything else.

Whoever can send a request here could end a recording or acknowledge an alarm. So a request needs
the token that was printed when the server was started: first in the address, from then on in a
cookie that no script can read and that no other site's page sends along. The name by which the
server was called must be its own, or else another site's name was made to lead here. What a page
may load and run is stated with every answer: files of this server, and nothing written into a page.
"""

from __future__ import annotations

import hmac
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, quote, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from canscope.bench.place import Place

MOST_POSTED = 1 << 16  # bytes of a request that is no upload
UPLOADS = "/files/"  # below here a request may be as large as an upload
LOOKS = frozenset({"GET", "HEAD"})
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; worker-src 'self'; font-src 'self'; form-action 'self'; "
    "frame-src 'self'; base-uri 'none'; frame-ancestors 'self'"
)
# A report is a file, and a file may come from anywhere: it runs as a page of no site at all.
DOCUMENT_POLICY = (
    "sandbox allow-scripts allow-popups allow-modals; default-src 'none'; "
    "script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data: blob:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'self'"
)
ALWAYS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}
NO_TOKEN = """This page needs the link that was printed where canscope bench was started.
Copy all of it, with the token at its end, into the address line of this browser.
"""


class Guard:
    """The outermost layer: nothing reaches a page that is refused here."""

    def __init__(self, app: ASGIApp, place: Place) -> None:
        self._app, self._place = app, place
        self._cookie = f"canscope-{place.port}"  # cookies do not tell ports apart

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or pass on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        answer = self._refused(scope) or self._let_in(scope)
        if answer is not None:
            await answer(scope, receive, _stating_policy(send))
            return
        await self._app(scope, self._counting(scope, receive), _stating_policy(send))

    def _refused(self, scope: Scope) -> Response | None:
        """Why this request is not even looked at; None if it is."""
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._place.hosts:
            return PlainTextResponse("This server is not known by that name.\n", 421)
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{hosts[0]}":
            return PlainTextResponse("Another site's page may not ask this server.\n", 403)
        site = headers.get("sec-fetch-site", "none")
        changes = scope["method"] not in LOOKS
        if changes and (origin is None and site != "same-origin"):
            return PlainTextResponse("Only this server's own page may change anything.\n", 403)
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > self._most(scope):
            return _too_large(self._most(scope))
        return None

    def _let_in(self, scope: Scope) -> Response | None:
        """The answer to a request without the token, or to the one that brings it."""
        headers = Headers(scope=scope)
        query = parse_qs(scope["query_string"].decode("latin-1"))
        given = query.pop("token", [""])[0]
        if given and scope["method"] == "GET":
            if not _same(given, self._place.token):
                return PlainTextResponse(NO_TOKEN, 403)
            rest = urlencode(query, doseq=True)
            answer = RedirectResponse(quote(scope["path"]) + (f"?{rest}" if rest else ""), 303)
            # Without secure=True: on this computer there is no https.
            answer.set_cookie(self._cookie, given, httponly=True, samesite="strict", path="/")
            return answer
        if any(_same(token, self._place.token) for token in self._tokens(headers)):
            return None
        return PlainTextResponse(NO_TOKEN, 403)

    def _tokens(self, headers: Headers) -> list[str]:
        try:
            cookies = SimpleCookie("; ".join(headers.getlist("cookie")))
        except CookieError:
            return []
        return [cookies[self._cookie].value] if self._cookie in cookies else []

    def _most(self, scope: Scope) -> int:
        """Bytes that this request may hold."""
        is_upload = scope["method"] == "PUT" and scope["path"].startswith(UPLOADS)
        return self._place.largest_upload if is_upload else MOST_POSTED

    def _counting(self, scope: Scope, receive: Receive) -> Receive:
        """Give the body on, and no more of it than is allowed, whatever its headers said."""
        most, so_far = self._most(scope), 0

        async def counted() -> Message:
            nonlocal so_far
            message = await receive()
            so_far += len(message.get("body", b""))
            if so_far > most:
                raise HTTPException(413, _too_much(most), {"connection": "close"})
            return message

        return counted


def _same(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode(), token.encode())


def _too_large(most: int) -> Response:
    return PlainTextResponse(_too_much(most), 413, headers={"connection": "close"})


def _too_much(most: int) -> str:
    return (
        f"This is more than the {most / 2**20:g} MiB that may be sent here. Put the file into the "
        "folder that canscope bench was started for; then it can be picked.\n"
    )


def _stating_policy(send: Send) -> Send:
    """Every answer says what its page may load, and that nobody may keep it or embed it."""

    async def stated(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in ALWAYS.items():
                headers[name] = value
            headers.setdefault("content-security-policy", POLICY)
        await send(message)

    return stated
