"""What a start puts off: loaded once it is asked for, or a moment after the first page is out.

On a phone alone the page that asks for a name or a PIN comes first, and needs little. The rest
is loaded while she types.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Match, Router
from starlette.types import ASGIApp, Receive, Scope, Send

from cardreader.web.once import Once

SOON_S = 1.0
"""After the first answer: the page's style sheet and scripts go out before."""
_LOG = logging.getLogger("uvicorn.error")


class LaterRoutes(BaseRoute):
    """Stands at the end of a router for the routes that ``load`` gives.

    Every address that no route before it has leads here. Where ``meanwhile`` has no answer, the
    router is asked again once they are there; they are loaded as `Once` says.
    """

    def __init__(
        self,
        router: Router,
        load: Callable[[], Sequence[BaseRoute]],
        meanwhile: Callable[[Request], Response | None] = lambda _request: None,
    ) -> None:
        self._router = router
        self._load = load
        self._meanwhile = meanwhile
        self._put = Once(self._put_in)

    @property
    def there(self) -> bool:
        """Whether the routes are in the router."""
        return self._put.there

    def now(self) -> None:
        """Put the routes into the router, unless they are there."""
        self._put.now()

    def _put_in(self) -> None:
        routes = self._load()
        at = self._router.routes.index(self)
        self._router.routes[at : at + 1] = routes  # in one step: others may look through it

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        """Whatever it is, but a web socket: no page has one, and the router closes it."""
        return (Match.FULL if scope["type"] == "http" else Match.NONE), {}

    async def handle(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer without the routes where that can be, else load them and ask again."""
        answer = await run_in_threadpool(self._meanwhile, Request(scope))
        if answer is not None:
            await answer(scope, receive, send)
            return
        await run_in_threadpool(self.now)
        await self._router(scope, receive, send)


def after_first_answer(app: ASGIApp, *loads: Callable[[], object]) -> ASGIApp:
    """The application, which calls ``loads`` one by one a moment after its first answer."""
    begun = False

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        nonlocal begun
        await app(scope, receive, send)
        if scope["type"] == "http" and not begun:
            begun = True
            timer = threading.Timer(SOON_S, _each, loads)
            timer.daemon = True
            timer.start()

    return answer


def _each(*loads: Callable[[], object]) -> None:
    for load in loads:
        try:
            load()
        except Exception:
            # Whoever needs it tries again, and is told.
            _LOG.exception("what the start had put off could not be loaded")
