"""Middleware that every request passes: size and rate limits, sign-in, headers, language."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote, urlsplit

from limits import RateLimitItemPerMinute
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from cardreader.web import texts
from cardreader.web.settings import Settings
from cardreader.web.texts import mark
from cardreader.web.uploads import CHUNK_LIMIT_BYTES

LANGUAGE_COOKIE = "language"

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)

HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), camera=(self)",
}


_WITHOUT_BODY = ("GET", "HEAD", "OPTIONS")
OPEN_FORMS = frozenset({"/sign-in", "/sign-in/pin", "/language", "/scheme", "/first"})
"""What may be sent without a sign-in; small forms, so that nothing large is read for a stranger."""

IsSignedIn = Callable[[Request], object]
MaySend = Callable[[str], int | None]
"""How large a body a stranger may send to a path; None for none."""
TOO_LARGE = mark("This is larger than can be taken.")


class TooLargeError(Exception):
    """A body went over the limit while it was being read."""


class Guard:
    """Pure ASGI middleware around the whole application.

    ``is_signed_in`` says whether a request comes from somebody signed in; None where
    there is no signing in at all. ``may_send`` lets strangers send to further paths.
    """

    def __init__(
        self,
        app: ASGIApp,
        settings: Settings,
        is_signed_in: IsSignedIn | None = None,
        may_send: MaySend = lambda _path: None,
    ) -> None:
        self.app = app
        self.settings = settings
        self.is_signed_in = is_signed_in
        self.may_send = may_send
        self.limiter = MovingWindowRateLimiter(MemoryStorage())
        self.rate = RateLimitItemPerMinute(settings.requests_a_minute)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        token = texts.current_language.set(_language(headers))
        try:
            await self._guarded(scope, headers, receive, self._with_headers(scope, send))
        finally:
            texts.current_language.reset(token)

    async def _guarded(self, scope: Scope, headers: Headers, receive: Receive, send: Send) -> None:
        client = scope["client"][0] if scope.get("client") else "unknown"
        # Fixed files cost next to nothing, and a page that loses its style sheet is worse.
        free = scope["path"].startswith("/static/")
        if not free and not self.limiter.hit(self.rate, "all", client):
            refused = _refused(scope, 429, mark("Too many requests. Wait a minute."))
            refused.headers["Retry-After"] = "60"
            await refused(scope, receive, send)
            return
        limit = self._limit(scope["path"])
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > limit:
            await _refused(scope, 413, TOO_LARGE)(scope, receive, send)
            return
        if await self._is_strangers_body(scope):
            # Answered before a byte of it is read: else whoever can connect fills the disk.
            await need_sign_in(scope)(scope, receive, send)
            return
        body = _Body(receive, limit)

        async def watched_send(message: Message) -> None:
            # The application may answer the cut body in its own way; 413 says what it was.
            if not body.too_large:
                await send(message)

        with suppress(TooLargeError):
            await self.app(scope, body.receive, watched_send)
        if body.too_large:
            await _refused(scope, 413, TOO_LARGE)(scope, receive, send)

    async def _is_strangers_body(self, scope: Scope) -> bool:
        if self.is_signed_in is None or scope["method"] in _WITHOUT_BODY:
            return False
        if scope["path"] in OPEN_FORMS or self.may_send(scope["path"]) is not None:
            return False
        return not await run_in_threadpool(self.is_signed_in, Request(scope))

    def _limit(self, path: str) -> int:
        if path in OPEN_FORMS:
            return self.settings.open_form_limit_bytes
        if path.startswith("/api/uploads/"):
            return CHUNK_LIMIT_BYTES
        allowed = self.may_send(path)
        if allowed is not None:
            return allowed
        takes_files = path.endswith(("/photos", "/import"))
        return self.settings.upload_limit_bytes if takes_files else self.settings.form_limit_bytes

    def _with_headers(self, scope: Scope, send: Send) -> Send:
        static = scope["path"].startswith("/static/")

        async def sender(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                # Pages hold health data: nothing of them stays in a shared phone's cache.
                headers.setdefault("Cache-Control", "no-cache" if static else "no-store")
            await send(message)

        return sender


def _language(headers: Headers) -> str:
    cookie = SimpleCookie()
    try:
        cookie.load(headers.get("cookie", ""))
    except CookieError:  # what can't be parsed is no wish
        cookie = SimpleCookie()
    wish = cookie[LANGUAGE_COOKIE].value if LANGUAGE_COOKIE in cookie else None
    return texts.choose_language(wish, headers.get("accept-language", ""))


class _Body:
    """A request's body, counted while it is read; some come without their length."""

    def __init__(self, receive: Receive, limit: int) -> None:
        self._receive = receive
        self._left = limit
        self.too_large = False

    async def receive(self) -> Message:
        message = await self._receive()
        self._left -= len(message.get("body", b""))
        if self._left < 0:
            self.too_large = True
            raise TooLargeError
        return message


def need_sign_in(scope: Scope) -> Response:
    """Answer to whoever should sign in first: a sentence for programs, the way for people."""
    if scope["path"].startswith("/api/"):
        return JSONResponse({"detail": texts.gettext("Sign in first.")}, 401)
    if scope["method"] == "GET":
        asked_for = wished(scope["path"], scope["query_string"].decode("latin-1"))
        return RedirectResponse(f"/sign-in?next={quote(asked_for)}", 303)
    if scope["path"] == "/sign-out":
        return RedirectResponse("/sign-in", 303)
    # Back to the page with the form, where she can enter it again: what was sent is gone.
    came_from = _path_of(Headers(scope=scope).get("referer", ""))
    return RedirectResponse(f"/sign-in?note=not-kept&next={quote(came_from)}", 303)


def _path_of(address: str) -> str:
    try:
        parts = urlsplit(address)
    except ValueError:
        return "/"
    return wished(parts.path or "/", parts.query)


def wished(path: str, query: str) -> str:
    """An address to come back to, without the note that a form left there: it was told once."""
    kept = "&".join(part for part in query.split("&") if part and not part.startswith("note="))
    return f"{path}?{kept}" if kept else path


def _refused(scope: Scope, status: int, text: str) -> Response:
    if scope["path"].startswith("/api/"):
        return JSONResponse({"detail": texts.gettext(text)}, status)
    return PlainTextResponse(texts.gettext(text), status)
