"""The server behind `qualrec serve`: textual-serve with our own page, and with requests of other sites refused."""

from __future__ import annotations

import logging
from pathlib import Path
from urllib.parse import urlsplit

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware
from textual_serve.server import Server

from qualrec.cli.serve import is_loopback

PAGE = Path(__file__).parent / "serve_page"
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; script-src 'self' 'unsafe-inline'; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data:; font-src 'self' data:; connect-src 'self' ws: wss:; frame-ancestors 'none'; "
        "form-action 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
}


class PageServer(Server):
    """Serves the screens at `host` and `port`, at most `most` pages at once."""

    def __init__(self, command: str, host: str, port: int, *, most: int) -> None:
        super().__init__(command, host=host, port=port, title="qualrec", templates_path=PAGE)
        self.most = most
        self._open = 0

    def initialize_logging(self) -> None:
        """Only what went wrong, without the values of variables."""
        logging.basicConfig(level=logging.WARNING, format="qualrec: %(message)s")

    async def on_startup(self, app: web.Application) -> None:
        """Says nothing: the command has said where the pages are."""

    async def _make_app(self) -> web.Application:
        app = await super()._make_app()
        app.middlewares.append(self._guarded())
        app.on_response_prepare.append(_with_headers)
        return app

    def _guarded(self) -> Middleware:
        @web.middleware
        async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
            if not own_request(request.host, request.headers.get("Origin"), local=is_loopback(self.host)):
                raise web.HTTPForbidden(text="Only pages of this server may use it.")
            if request.path != "/ws":
                return await handler(request)
            if self._open >= self.most:
                raise web.HTTPServiceUnavailable(text="Too many pages are open.")
            self._open += 1
            try:
                return await handler(request)
            finally:
                self._open -= 1

        return guard


def own_request(host: str, origin: str | None, *, local: bool) -> bool:
    """Whether a request is from the server's own page or from no page at all.

    The page's site must be the server that is asked. On this machine only its own names count, so that a foreign name which
    leads to this machine is refused.
    """
    name = urlsplit(f"//{host}").hostname or ""
    if local and not is_loopback(name):
        return False
    return origin is None or urlsplit(origin).netloc.lower() == host.lower()


async def _with_headers(request: web.Request, response: web.StreamResponse) -> None:
    response.headers.update(HEADERS)
