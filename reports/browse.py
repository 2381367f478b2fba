"""Serves the published results on the loopback address: any page of any choice, any sheet, rows, and a search.

Read only by construction: it opens results.duckdb alone, read only, answers GET and HEAD, and writes nothing. Each
answer is of one generation; when a newer one is published, requests under way finish on theirs.
"""

import hmac
import secrets
import socket
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar
from urllib.parse import parse_qsl, urlencode

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pipelines.publish import read_last_attempt
from reports import page as shell
from reports.choice import read_choice, to_query
from reports.links import Links
from reports.pages import pick, rows
from reports.render import find_ids, render, render_found, render_pick, render_rows, render_sheet
from reports.results import Results
from reports.standing import read_comparisons
from reports.words import Words
from shared.errors import UserError
from shared.store import Workspace

say = Words("choice")

Made = TypeVar("Made")

LOOPBACK = ("127.0.0.1", "localhost")
"""Names by which a browser on the same machine may ask; any other host header is refused, so that a page of somebody
else's cannot reach us by a name of its own."""

COOKIE = "loopwear_token"
PAGES_KEPT = 64
"""Pages kept as they were rendered, of the newest generation."""

HEADERS = {
    "content-security-policy": f"default-src 'none'; script-src 'self' {shell.inline_hash('card.js')}; "
    f"style-src 'self' {shell.inline_hash('card.css')}; img-src 'self' data:; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
"""Nothing from outside, no script or style in a page itself but the field card's own, nothing framed, nothing kept."""


class Shelf:
    """The newest results of a workspace, and the pages already rendered from them."""

    def __init__(self, workspace: Workspace) -> None:
        self._file = workspace.results
        self._lock = threading.Lock()
        self._results: Results | None = None
        self._pages: OrderedDict[tuple[str, ...], str] = OrderedDict()

    def page(self, key: tuple[str, ...], made: Callable[[Results], str]) -> str:
        """A page of the newest results, rendered where it is not kept."""

        def kept(results: Results) -> str:
            if key not in self._pages:
                self._pages[key] = made(results)
            self._pages.move_to_end(key)
            while len(self._pages) > PAGES_KEPT:
                self._pages.popitem(last=False)
            return self._pages[key]

        return self.use(kept)

    def use(self, made: Callable[[Results], Made]) -> Made:
        """Whatever is made of the newest results; one request at a time, since they share a connection."""
        with self._lock:
            if self._results is None or self._results.file != self._file.resolve():
                opened = Results(self._file)
                if self._results is not None:
                    self._results.close()
                self._results = opened
                self._pages.clear()
            return made(self._results)


@dataclass(frozen=True)
class Guard:
    """Adds the headers of HEADERS, refuses what is no reading, and asks for the token where there is one."""

    app: ASGIApp
    token: str = ""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name for name, _ in message["headers"]}
                own = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in given]
                message["headers"] = [*message["headers"], *own]
            await send(message)

        await (self._refusal(Request(scope)) or self.app)(scope, receive, guarded)

    def _refusal(self, request: Request) -> Response | None:
        """The answer to a request that is not let through; none for one that is."""
        if request.method not in ("GET", "HEAD"):
            return Response("These pages are only read.", status_code=405, headers={"allow": "GET, HEAD"})
        if not self.token:
            return None
        given = request.query_params.get("token", "")
        if hmac.compare_digest(given.encode(), self.token.encode()):
            # the token leaves the address at once: addresses are shared, cookies are not
            rest = urlencode([(k, v) for k, v in request.query_params.multi_items() if k != "token"])
            answer = RedirectResponse(request.url.path + (f"?{rest}" if rest else ""), status_code=303)
            answer.set_cookie(COOKIE, self.token, httponly=True, samesite="strict")
            return answer
        if hmac.compare_digest(request.cookies.get(COOKIE, "").encode(), self.token.encode()):
            return None
        return Response("Ask whoever started loopwear browse for the address with its token.", status_code=403)


def make_app(workspace: Workspace, *, hosts: tuple[str, ...] = LOOPBACK, token: str = "") -> Starlette:
    """The application that serves a workspace.

    Parameters
    ----------
    hosts
        Host names that requests may carry.
    token
        A secret that every request must bring where others than this machine can ask; empty: none is asked for.

    Notes
    -----
    Checked by: tests/end_to_end/test_browse.py
    """
    shelf, served = Shelf(workspace), Links(is_served=True)

    def page(request: Request) -> Response:
        name, query = request.path_params.get("page", "index"), request.url.query
        about: dict[str, Any] = {"attention": attention_of(workspace)} if name == "index" else {}
        if name in ("brief", "appendix"):
            run = shelf.use(lambda results: results.run)
            about = {"scenarios": read_comparisons(workspace.folder / "scenarios", run)}
        if name == "card":
            about = {"part": request.query_params.get("part", "1")}

        def made(results: Results) -> str:
            choice = read_choice(query, results.known, ignored=("paper", *(["part"] if name == "card" else [])))
            return render(results, name, choice, replace(served, query=to_query(choice)), **about)

        return HTMLResponse(shelf.page((name, query, str(about)), made))

    def sheet(request: Request) -> Response:
        kind, ident = request.path_params["kind"], request.path_params["ident"]
        return HTMLResponse(shelf.page((kind, ident), lambda results: render_sheet(results, kind, ident, served)))

    def listed(request: Request) -> Response:
        table, query = request.path_params["table"], request.url.query

        def made(results: Results) -> str:
            choice = read_choice(query, results.known, ignored=(*rows.PAGING, *rows.find_table(table).columns))
            return render_rows(results, table, query, choice, replace(served, query=to_query(choice)))

        return HTMLResponse(shelf.page(("rows", table, query), made))

    def picked(request: Request) -> Response:
        query = request.url.query
        asked = shelf.use(lambda results: pick.add_exact(results.whole, pick.read_asked(query)))
        given = dict(parse_qsl(query, keep_blank_values=True))
        given.pop("units", None)
        if given != dict(parse_qsl(asked.query)):  # ticks of a form, or an id found: the address says the list
            return RedirectResponse(f"/pick?{asked.query}", status_code=303)
        return HTMLResponse(shelf.page(("pick", query), lambda results: render_pick(results, asked, served)))

    def find(request: Request) -> Response:
        asked = request.query_params.get("q", "").strip()[:100]
        found = shelf.use(lambda results: find_ids(results.whole, asked))
        if len(found) == 1:
            return RedirectResponse(served.sheet(*found[0]), status_code=303)
        return HTMLResponse(shelf.use(lambda results: render_found(results, asked, found, served)))

    def shared(request: Request) -> Response:
        files, name = shell.shared_files(), request.path_params["name"]
        if name not in files:
            raise UserError(f"there is no file '{name}'", "the address", "begin at the first page: /")
        kind = "text/css" if name.endswith(".css") else "text/javascript"
        return Response(files[name], media_type=kind, headers={"cache-control": "max-age=3600"})

    def explain(request: Request, fault: Exception) -> Response:
        status = 500
        if isinstance(fault, HTTPException):
            status, fault = (
                fault.status_code,
                UserError(fault.detail, request.url.path[:200], "begin at the first page: /"),
            )
        elif isinstance(fault, UserError):
            status = 404 if fault.what.startswith("there is no") else 400
        else:
            fault = UserError("a fault of loopwear itself", request.url.path[:200], "report what the terminal shows")
        return HTMLResponse(shell.render_fault(fault), status_code=status)

    return Starlette(
        routes=[
            Route("/", page),
            Route("/find", find),
            Route("/pick", picked),
            Route("/static/{name}", shared),
            Route("/rows/{table}", listed),
            Route("/{page}", page),
            Route("/{kind}/{ident:path}", sheet),
        ],
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=list(hosts), www_redirect=False),
            Middleware(Guard, token=token),
        ],
        exception_handlers={UserError: explain, HTTPException: explain, Exception: explain},
    )


def attention_of(workspace: Workspace) -> tuple[str, ...]:
    """What the first page says of the last attempt to refresh, where it did not end well."""
    attempt = read_last_attempt(workspace)
    if attempt is None or attempt["outcome"] == "done":
        return ()
    return (say(f"attempt.{attempt['outcome']}", attempt=attempt),)


def serve(workspace: Workspace, host: str, port: int) -> None:
    """Serve a workspace until stopped.

    Raises
    ------
    UserError
        The port is taken or may not be used.
    """
    import uvicorn

    Results(workspace.results).close()
    is_local = host in LOOPBACK
    token = "" if is_local else secrets.token_urlsafe(24)
    app = make_app(workspace, hosts=LOOPBACK if is_local else (*LOOPBACK, host), token=token)
    try:
        listening = socket.create_server((host, port))
    except OSError as fault:
        raise UserError(f"cannot listen: {fault.strerror}", f"{host}:{port}", "choose another with --port") from None
    address = f"http://{host}:{listening.getsockname()[1]}/"
    print(
        f"{address}{f'?token={token}' if token else ''}\n{say('served.local' if is_local else 'served.beyond')}",
        flush=True,
    )
    with listening:
        config = uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, limit_concurrency=64)
        uvicorn.Server(config).run([listening])
