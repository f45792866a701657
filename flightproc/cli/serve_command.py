"""``flightproc serve``: the page on this computer."""

from __future__ import annotations

import os
import secrets
import socket
import sys
from pathlib import Path
from typing import Annotated

import typer

from ..errors import OutputError

__all__ = ["command"]

_EXTRA = {"fastapi", "plotly", "python_multipart", "starlette", "uvicorn"}


def command(
    host: Annotated[
        str, typer.Option("--host", metavar="ADDRESS", help="Address to listen on.")
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option("--port", metavar="PORT", min=0, max=65535, help="Port to listen on.")
    ] = 8765,
    logbook: Annotated[
        str, typer.Option("--logbook", metavar="PLACE", help="Logbook to save to, as in flightproc logbook.")
    ] = "",
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder", metavar="DIR", help="Where to keep sorties in work; a usual place if not given."
        ),
    ] = None,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name", metavar="NAME", help="A further name under which this computer may be called."
        ),
    ] = None,
    with_token: Annotated[
        bool, typer.Option("--token", help="Ask for a token even on this computer only.")
    ] = False,
) -> None:
    """Open the page: drop logs in a browser, fill in the sheets, see the result. Nothing leaves here.

    \b
    Example: on this computer, with a logbook to save to
      flightproc serve --logbook my-logbook
      (open the address that it prints in a browser; end with Ctrl+C)

    Writes sorties in work into DIR, and into a logbook what is saved to it.

    Exit code 0: ended; 2: something to mend, such as a port that is taken.
    """  # noqa: D301
    try:
        import uvicorn

        from ..web import Settings, create_app
        from ..web.patience import Patient
        from ..web.place import usual_folder
        from ..web.settings import is_loopback
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] not in _EXTRA:
            raise
        raise OutputError(
            f"the page needs packages that are not installed ({error.name})",
            where="flightproc serve",
            hint="pip install 'flightproc[web]'",
        ) from error
    token = secrets.token_urlsafe(18) if with_token or not is_loopback(host) else ""
    settings = Settings(
        folder=(folder or usual_folder()).absolute(),
        host=host,
        port=port,
        logbook=logbook,
        token=token,
        names=tuple(name or ()),
    )
    listening = _listen(host, port)
    app = create_app(settings)
    server = uvicorn.Server(
        uvicorn.Config(
            app,
            host=host,
            port=port,
            log_level="warning",
            access_log=False,
            server_header=False,
            date_header=True,
            http=Patient,
            ws="none",
            proxy_headers=False,
            timeout_keep_alive=20,
            h11_max_incomplete_event_size=32_768,
            timeout_graceful_shutdown=3,
            lifespan="on",
        )
    )
    shown = f"[{host}]" if ":" in host else host
    port = int(listening.getsockname()[1])
    sys.stdout.write(f"flightproc serves on http://{shown}:{port}/  (end with Ctrl+C)\n")
    if token:
        sys.stdout.write(f"token, told only here and now: {token}\n")
    sys.stdout.flush()
    server.run(sockets=[listening])


def _listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens; told before anything else is begun where it cannot be had."""
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listening = socket.socket(family, kind, protocol)
        if os.name == "posix":
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(256)
    except OSError as error:
        raise OutputError(
            f"the address {host}:{port} cannot be used ({error.strerror or error})",
            where="flightproc serve",
            hint="name another with --host and --port",
        ) from error
    return listening
