"""The application put together, and `serve`, which the command calls."""

from __future__ import annotations

import contextlib
import os
import socket
import tempfile
import threading
import webbrowser
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path

import uvicorn
from fastapi import FastAPI

from lightgap import __version__
from lightgap.errors import LightgapError
from lightgap_web import api, log_api, log_pages, pages, phone, samples
from lightgap_web.failures import add_handlers
from lightgap_web.guard import Address, Guard
from lightgap_web.log_pictures import Pictures
from lightgap_web.measuring import Check, measure
from lightgap_web.network import lan_addresses
from lightgap_web.pairing import Pairing
from lightgap_web.queue import CheckQueue, OwnProcess
from lightgap_web.static_files import FOLDER, STATIC, KeptFiles


def create_app(
    folder: Path,
    address: Address,
    *,
    demo: bool = False,
    lan: bool = False,
    log: Path | None = None,
    check: Check | None = None,
    pairing: Pairing | None = None,
) -> Guard:
    """Put the page together; the guard stands outside all else.

    Parameters
    ----------
    folder : Path
        Where the photos of this sitting are kept.
    address : Address
        Where the page can be reached.
    demo : bool
        Offer the sample photographs.
    lan : bool
        Offer to pair a phone.
    log : Path, optional
        The log's folder, by default `lightgap.log.store.default_folder`.
    check : callable
        The engine, by default `lightgap.check.check`; a function of a module.
    """
    queue = CheckQueue(folder, OwnProcess(partial(measure, check=check)))
    pairing = pairing or Pairing()

    @contextlib.asynccontextmanager
    async def life(_app: FastAPI) -> AsyncIterator[None]:
        yield
        queue.close()

    app = FastAPI(
        title="lightgap",
        version=__version__,
        summary="Measure a segmented ring from one photo. Everything stays on this computer.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        telemetry={"auto_configure": False},
        max_body_size=pages.LARGEST_PHOTO_BYTES,
        lifespan=life,
    )
    app.state.queue, app.state.address, app.state.pairing = queue, address, pairing
    app.state.demo, app.state.lan = demo, lan
    app.state.log_folder, app.state.kept = log, {}
    app.state.log_pictures = Pictures(folder / "log-pictures")
    add_handlers(app)
    app.include_router(api.router)
    app.include_router(log_api.router)
    app.include_router(phone.router)
    app.include_router(samples.router)
    app.include_router(pages.router)
    app.include_router(log_pages.router)
    app.mount(STATIC, KeptFiles(directory=FOLDER))
    return Guard(app, address, pairing)


def serve(
    port: int = 8010,
    *,
    demo: bool = False,
    lan: bool = False,
    log: Path | None = None,
    open_browser: bool = True,
) -> None:
    """Serve the page until the person ends it with Ctrl-C.

    Parameters
    ----------
    port : int
        0 takes any free one.
    demo : bool
        Offer the sample photographs.
    lan : bool
        Listen on this machine's addresses on the home network too, for a paired phone.
    log : Path, optional
        The log's folder, by default `lightgap.log.store.default_folder`.
    open_browser : bool
        Open the page in the usual browser.

    Raises
    ------
    LightgapError
        If the port is taken.
    """
    with contextlib.ExitStack() as open_things:
        sockets = [open_things.enter_context(listening("127.0.0.1", port))]
        port = sockets[0].getsockname()[1]
        addresses = lan_addresses() if lan else ()
        sockets += [open_things.enter_context(listening(address, port)) for address in addresses]
        folder = open_things.enter_context(tempfile.TemporaryDirectory(prefix="lightgap-"))
        page = create_app(Path(folder), Address(port, addresses), demo=demo, lan=lan, log=log)
        config = uvicorn.Config(page, log_level="warning", access_log=False, server_header=False)
        link = f"http://127.0.0.1:{port}{'/samples' if demo else '/'}"
        print(f"lightgap is open at {link}\nEnd it with Ctrl-C.", flush=True)
        if lan and not addresses:
            print("No network address was found, so no phone can be paired.", flush=True)
        if open_browser:
            threading.Timer(0.8, webbrowser.open, [link]).start()
        uvicorn.Server(config).run(sockets=sockets)


def listening(address: str, port: int) -> socket.socket:
    """Open a listening socket.

    Raises
    ------
    LightgapError
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":
        # On Windows this option would let two programs share the port.
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
    except OSError as error:
        listening.close()
        raise LightgapError(
            f"Port {port} on {address} is taken or not allowed: {error.strerror or error}.",
            "End the other program (perhaps lightgap is open already), or choose another port: --port 0.",
        ) from error
    listening.listen(64)
    return listening
