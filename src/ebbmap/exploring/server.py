"""An explorer behind a socket on this machine: one page, one token, one question at a time."""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Callable
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from ebbmap.errors import EbbmapError
from ebbmap.exploring.answers import Answers
from ebbmap.exploring.asked import Asked
from ebbmap.exploring.page import served_page
from ebbmap.exploring.stored import Stored
from ebbmap.exploring.stored_answers import StoredAnswers
from ebbmap.exploring.stored_page import stored_data

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import HTTPConnection

#: The only address that is listened on.
HOST = "127.0.0.1"

#: Bytes of the largest question: a page asks with a few thousand.
LARGEST_QUESTION = 2**18

#: What the extra `explore` brings.
NEEDED = ("starlette", "uvicorn", "websockets")


def require_server() -> None:
    """Refuse to go on where the packages of the extra `explore` are not installed.

    Raises
    ------
    EbbmapError
        With what is missing.
    """
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise EbbmapError(
            f"serving an explorer needs {', '.join(missing)}, not installed here. Install "
            "ebbmap[explore], or write a page that needs no server with --out."
        )


def application(asked: Asked, token: str) -> Starlette:
    """Return the application: the page at ``/``, its questions at ``/ask``.

    Parameters
    ----------
    asked : Asked
        What is explored; of a `Stored`, cases are read and none is solved.
    token : str
        What every request must carry, as ``?token=``.
    """
    from starlette.applications import Starlette
    from starlette.concurrency import run_in_threadpool
    from starlette.requests import Request
    from starlette.responses import HTMLResponse, PlainTextResponse, Response
    from starlette.routing import Route, WebSocketRoute
    from starlette.websockets import WebSocket, WebSocketDisconnect

    if isinstance(asked, Stored):
        html, answers = served_page(asked, stored_data(asked)).html, StoredAnswers(asked).answer
    else:
        html, answers = served_page(asked).html, Answers(asked).answer
    turn = asyncio.Lock()

    async def page(request: Request) -> Response:
        if not welcome(request, token):
            return PlainTextResponse("Open the whole address that ebbmap printed.", 403)
        headers = {"Cache-Control": "no-store", "Referrer-Policy": "no-referrer"}
        return HTMLResponse(html, headers=headers)

    async def ask(socket: WebSocket) -> None:
        own = f"http://{socket.headers.get('host', '')}"
        if not welcome(socket, token) or socket.headers.get("origin") != own:
            await socket.close(1008)
            return
        await socket.accept()
        try:
            while True:
                message = read(await socket.receive_text())
                async with turn:
                    answer = await run_in_threadpool(answers, message)
                await socket.send_text(json.dumps(answer, allow_nan=False))
        except WebSocketDisconnect:
            return

    return Starlette(routes=[Route("/", page), WebSocketRoute("/ask", ask)])


def welcome(request: HTTPConnection, token: str) -> bool:
    """Return whether a request has the token and names this machine as its host.

    A page from elsewhere whose name was made to point here would name another host.
    """
    port = (request.scope.get("server") or (HOST, 0))[1]
    named = request.headers.get("host") in {f"{HOST}:{port}", f"localhost:{port}"}
    given = request.query_params.get("token", "")
    return named and secrets.compare_digest(given.encode(), token.encode())


def read(text: str) -> Any:
    """Return a message, or nothing where it is no JSON.

    Examples
    --------
    >>> read("{"), read("[1]")
    (None, [1])
    """
    try:
        return json.loads(text)
    except ValueError:
        return None


def serve(asked: Asked, *, port: int = 0, told: Callable[[str], None] = print) -> None:
    """Serve an explorer on this machine until it is interrupted.

    Parameters
    ----------
    asked : Asked
        What is explored.
    port : int
        Port to listen on; any free one if 0.
    told : callable
        Called with the address when the page can be opened.

    Raises
    ------
    EbbmapError
        If a package is missing, or the port is taken.
    """
    require_server()
    import uvicorn

    token = secrets.token_urlsafe(24)

    class Server(uvicorn.Server):
        """A server that tells where it listens."""

        async def startup(self, sockets: Any = None) -> None:
            await super().startup(sockets)
            for one in self.servers:
                for socket in one.sockets:
                    told(f"http://{HOST}:{socket.getsockname()[1]}/?token={token}")

    config = uvicorn.Config(
        application(asked, token),
        host=HOST,
        port=port,
        log_level="error",
        access_log=False,
        ws_max_size=LARGEST_QUESTION,
        ws_per_message_deflate=False,
    )
    try:
        Server(config).run()
    except SystemExit:
        raise EbbmapError(
            f"nothing can listen on port {port} of this machine; it may be taken. Give another "
            "--port, or none."
        ) from None
