"""What every answer and every request goes through: headers, origin check, size cap."""

from __future__ import annotations

import re
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
MAX_BODY = 256 * 1024
# Cut programs are large; the route reads them from the disk, not from memory, and only
# once it knows who sends them.
LARGER_BODY = {"/programs/import": 130 << 20}
# Photos likewise; what is kept of one has its own, tighter cap while it is read.
PHOTO_BODY = 30 << 20
_PHOTO_PATHS = re.compile(r"/bench/\d{1,10}/photo|/shop/part-type/\d{1,10}/photo|/shelf/scan/photo")
_SAFE = {"GET", "HEAD", "OPTIONS"}


def same_site(headers: Headers) -> bool:
    """Tell whether a request that changes something comes from our own pages.

    Browsers send ``Sec-Fetch-Site`` over HTTPS and to loopback, and ``Origin`` with every
    POST; a request with neither is refused.
    """
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site == "same-origin"
    origin = headers.get("origin")
    return bool(origin) and urlsplit(origin or "").netloc == headers.get("host")


def most_of(path: str) -> int:
    """Return how many bytes a request to a path may bring."""
    if _PHOTO_PATHS.fullmatch(path):
        return PHOTO_BODY
    return LARGER_BODY.get(path, MAX_BODY)


class Guard:
    """ASGI middleware: refuses cross-site changes and big bodies, adds the headers."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        page = not scope["path"].startswith("/static/")

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    # A route may be stricter: pictures from outside have a policy of their own.
                    out.setdefault(name, value)
                if page and "cache-control" not in out:
                    out["Cache-Control"] = "no-store"
            await send(message)

        async def refuse(status: int, text: str) -> None:
            await PlainTextResponse(text, status)(scope, receive, send_guarded)

        if scope["method"] not in _SAFE and not same_site(headers):
            await refuse(
                403,
                "This change did not come from a page of this Pitwise. "
                "Open the page here, then do it again.",
            )
            return
        most = most_of(scope["path"])
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > most:
            shown = f"{most // 1024} kB" if most == MAX_BODY else f"{most >> 20} MB"
            await refuse(413, f"Too much in one go: at most {shown}.")
            return
        taken = 0

        async def receive_capped() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > most:
                # Ends the request as a client that went away: nothing is done with it.
                return {"type": "http.disconnect"}
            return message

        await self.app(scope, receive_capped, send_guarded)
