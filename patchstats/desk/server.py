"""Server: opens the desk at an address, and says which."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import signal
import socket
import ssl
import webbrowser
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tornado.httpserver import HTTPServer
from tornado.web import Application, StaticFileHandler

from patchstats.desk import hand_in, pages, receipts
from patchstats.desk.desk import Desk
from patchstats.desk.security import HEADERS, Door, checked_passphrase, read_codes
from patchstats.remarks import PatchstatsError

USUAL_PORT = 8737  # of no meaning; any free one will do
_HERE = Path(__file__).parent
_LARGEST_FORM_BYTES = 200_000
_SLOWEST_BODY_SECONDS = 600.0
_IDLE_SECONDS = 120.0


class OwnFile(StaticFileHandler):
    """The desk's own style and script, with the same headers as its pages."""

    def set_extra_headers(self, path: str) -> None:
        self.clear_header("Server")
        for name, value in HEADERS.items():
            self.set_header(name, "no-cache" if name == "Cache-Control" else value)


def make_app(desk: Desk, *, workers: ThreadPoolExecutor | None = None, hosts: tuple[str, ...] = ()) -> Application:
    """The desk's pages. ``hosts``: names under which this computer is known on the network."""
    shared = {"desk": desk, "workers": workers or ThreadPoolExecutor(2, "desk"),
              "hosts": tuple(h.casefold() for h in hosts)}
    number = r"([0-9]{1,9})"
    return Application(
        [(r"/", hand_in.Start, shared), (r"/hand-in", hand_in.HandIn, shared),
         (r"/preview/([A-Za-z0-9_-]{1,40})", hand_in.Preview, shared),
         (rf"/receipt/{number}", receipts.ReceiptPage, shared),
         (rf"/receipt/{number}/take-back", receipts.TakeBack, shared),
         (rf"/receipt/{number}/corrected\.xlsx", receipts.Corrected, shared),
         (rf"/receipt/{number}/growth-([0-9])\.png", receipts.Picture, shared),
         (r"/blank-log\.(xlsx|csv)", pages.BlankLog, shared),
         (r"/sign-in", pages.SignIn, shared), (r"/sign-out", pages.SignOut, shared),
         (r"/own/([a-z]+\.(?:css|js|svg))", OwnFile, {"path": str(_HERE / "static")})],
        default_handler_class=pages.Nowhere, default_handler_args=shared, template_path=str(_HERE / "templates"),
        xsrf_cookies=True, xsrf_cookie_kwargs={"httponly": True, "samesite": "Strict"}, log_function=lambda page: None)


def open_desk(folder: str | Path, *, port: int | None = None, lan: bool = False, passphrase: str = "",
              browser: bool = True, certificate: Path | None = None, key: Path | None = None,
              say: Callable[[str], None] = print) -> None:
    """Opens the desk of the club in ``folder`` and serves it until it is stopped (Ctrl-C).

    ``port``: None takes the usual one, or any free one; 0 any free one. ``lan`` lets members of the local network in,
    by ``passphrase`` and their own codes; ``certificate`` and ``key`` (PEM files) make it https.
    Raises :class:`PatchstatsError` when it cannot be opened.
    """
    folder = Path(folder)
    door = None
    if lan:
        codes = read_codes(folder)
        checked_passphrase(passphrase)
        if not codes:
            raise PatchstatsError(f'No member has a code yet. Write patchstats desk {folder} --code "MEMBER NAME" for '
                                  "each of them, and hand it out.")
        door = Door(passphrase, codes)
    desk = Desk(folder, door=door)
    wrapped = _https(certificate, key)
    bound = _bind(port, "0.0.0.0" if lan else "127.0.0.1")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_serve(desk, bound, wrapped, lan, browser, say))
    say("The desk is closed.")


async def _serve(desk: Desk, bound: socket.socket, wrapped: ssl.SSLContext | None, lan: bool, browser: bool,
                 say: Callable[[str], None]) -> None:
    with ThreadPoolExecutor(2, "desk") as workers:
        name = socket.gethostname()
        app = make_app(desk, workers=workers, hosts=(name, f"{name}.local"))
        server = HTTPServer(app, ssl_options=wrapped, max_body_size=_LARGEST_FORM_BYTES,
                            body_timeout=_SLOWEST_BODY_SECONDS, idle_connection_timeout=_IDLE_SECONDS)
        server.add_socket(bound)
        scheme, port = "https" if wrapped else "http", bound.getsockname()[1]
        address = f"{scheme}://127.0.0.1:{port}/"
        say(f"The upload desk of {desk.settings.name} is open at {address}")
        if lan:
            say(f"On the local network: {scheme}://{_own_address()}:{port}/")
            if not wrapped:
                say("What members type travels unencrypted: use this on a network that you trust, such as the club's "
                    "own, or give --certificate and --key.")
        say("Stop it with Ctrl-C.")
        if browser:
            webbrowser.open(address)
        stop = asyncio.Event()
        with contextlib.suppress(NotImplementedError):  # Windows has no such handlers; Ctrl-C works there all the same
            asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
            asyncio.get_running_loop().add_signal_handler(signal.SIGINT, stop.set)
        await stop.wait()
        server.stop()
        await server.close_all_connections()


def _bind(port: int | None, address: str) -> socket.socket:
    if port is not None and not 0 <= port <= 65535:
        raise PatchstatsError(f"There is no port {port}; ports go to 65535.")
    for attempt in (USUAL_PORT, 0) if port is None else (port,):
        try:
            made = socket.create_server((address, attempt))
        except OSError as error:
            if port is None and attempt and error.errno == errno.EADDRINUSE:
                continue
            raise PatchstatsError(f"The desk cannot open port {attempt} ({error.strerror}); name another with --port, "
                                  "or leave it out.") from None
        made.setblocking(False)
        return made
    raise PatchstatsError("The desk found no free port.")


def _https(certificate: Path | None, key: Path | None) -> ssl.SSLContext | None:
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise PatchstatsError("For https give both --certificate and --key.")
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise PatchstatsError(f"The certificate {certificate} and its key cannot be used ({error}).") from None
    return context


def _own_address() -> str:
    """This computer's address on the network. A datagram socket that is connected sends nothing yet."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737)
            return probe.getsockname()[0]
        except OSError:
            return socket.gethostname()
