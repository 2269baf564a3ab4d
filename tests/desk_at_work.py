"""A desk at work, for the tests of the upload desk: opened in a thread, and a plain browser that remembers cookies."""

from __future__ import annotations

import asyncio
import http.client
import re
import threading
import urllib.parse
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from html import unescape
from pathlib import Path

from tornado.httpserver import HTTPServer
from tornado.netutil import bind_sockets

from patchstats.clubbook import create_club
from patchstats.desk.desk import Desk
from patchstats.desk.security import Door, Tries, give_code, read_codes
from patchstats.desk.server import make_app

PASSPHRASE = "seven wet gourds in june"

# A log that leaves open: inches or centimetres, day or month first, whose it is, and one heading.
OPEN_LOG = b"""Season,2024
Pollinated,2024-06-28

date,circumfrense,SS,EE
07/08/2024,60,40,41
08/09/2024,100,62,63
"""
# Six days of one fruit, all in it that a reader must know.
WHOLE_LOG = b"""Grower,Marta Quell
Season,2024
Fruit,A
Pollinated,2024-06-28

Date,Circumference (in),Side to side (in),End to end (in)
2024-07-12,38,26,27
2024-07-16,52,34,35
2024-07-20,66,43,44
2024-07-24,78,51,52
2024-07-28,88,57,58
2024-08-01,96,62,63
"""


def new_club(folder: Path) -> Path:
    return create_club(folder, name="Two Rivers Growers")


@contextmanager
def desk_of(folder: Path, *, door: Door | None = None) -> Iterator[tuple[Desk, str]]:
    """The desk of a club and its address, as ``patchstats desk`` opens it, on a port of its own."""
    desk = Desk(folder, door=door)
    sockets = bind_sockets(0, "127.0.0.1")
    ready, loop_of = threading.Event(), []

    async def serve() -> None:
        server = HTTPServer(make_app(desk), max_body_size=200_000)
        server.add_sockets(sockets)
        stop = asyncio.Event()
        loop_of.append((asyncio.get_running_loop(), stop))
        ready.set()
        await stop.wait()
        server.stop()
        await server.close_all_connections()

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    assert ready.wait(20)
    try:
        yield desk, f"http://127.0.0.1:{sockets[0].getsockname()[1]}"
    finally:
        loop, stop = loop_of[0]
        loop.call_soon_threadsafe(stop.set)
        thread.join(20)


def lan_door(folder: Path, *members: str, tries: int | None = None) -> tuple[Door, dict[str, str]]:
    """A door as ``--lan`` has it, and the members' codes; ``tries``: how many are allowed."""
    codes = {member: give_code(folder, member) for member in members}
    door = Door(PASSPHRASE, read_codes(folder))
    if tries is not None:
        door.by_address, door.by_name = Tries(tries), Tries(tries)
    return door, codes


@dataclass
class Answer:
    status: int
    headers: http.client.HTTPMessage
    body: bytes

    @property
    def text(self) -> str:
        """The page as one reads it: without marks, spaces run together."""
        return " ".join(unescape(re.sub(r"<[^>]*>", " ", self.html)).split())

    @property
    def html(self) -> str:
        return self.body.decode("utf-8")


@dataclass
class Client:
    """A browser without a face: keeps cookies, fills the hidden token into forms, follows a see-other by GET."""

    address: str
    cookies: dict[str, str] = field(default_factory=dict)
    at: str = ""
    word: str = ""

    def ask(self, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None) -> Answer:
        place = urllib.parse.urlsplit(self.address)
        connection = http.client.HTTPConnection(place.hostname, place.port, timeout=60)
        told = {"Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items())} if self.cookies else {}
        try:
            connection.request(method, path, body=body or None, headers=told | (headers or {}))
            answer = connection.getresponse()
            data = answer.read()
        finally:
            connection.close()
        for line in answer.headers.get_all("Set-Cookie", []):
            name, _, value = line.partition(";")[0].partition("=")
            self.cookies[name] = value
        self.at = path
        return Answer(answer.status, answer.headers, data)

    def get(self, path: str) -> Answer:
        answer = self.ask("GET", path)
        while answer.status == 303:
            answer = self.ask("GET", answer.headers["Location"])
        return answer

    def token(self) -> str:
        """The hidden word of our forms, from the first page on; it holds as long as its cookie."""
        if not self.word:
            at, page = self.at, self.get("/").html
            found = re.search(r'name="_xsrf" value="([^"]+)"', page)
            assert found
            self.word, self.at = found[1], at
        return self.word

    def post(self, path: str, *, follow: bool = True, **form: str) -> Answer:
        body = urllib.parse.urlencode({"_xsrf": self.token(), **form}).encode()
        answer = self.ask("POST", path, body, {"Content-Type": "application/x-www-form-urlencoded"})
        return self.get(answer.headers["Location"]) if follow and answer.status == 303 else answer

    def hand_in(self, data: bytes, name: str = "log.csv", *, follow: bool = True, token: str | None = None,
                **form: str) -> Answer:
        parts = [f'--x\r\nContent-Disposition: form-data; name="{key}"\r\n\r\n{value}\r\n'.encode()
                 for key, value in {"_xsrf": self.token() if token is None else token, **form}.items()]
        spelt = name.replace("\\", "\\\\").replace('"', '\\"')
        parts += [f'--x\r\nContent-Disposition: form-data; name="file"; filename="{spelt}"\r\n'
                  "Content-Type: application/octet-stream\r\n\r\n".encode(), data, b"\r\n--x--\r\n"]
        answer = self.ask("POST", "/hand-in", b"".join(parts), {"Content-Type": "multipart/form-data; boundary=x"})
        return self.get(answer.headers["Location"]) if follow and answer.status == 303 else answer
