"""Pages: what every answer of the desk to a browser shares, and the door.

Every text of a member is escaped by the templates. Forms work without the script ``desk.js``, which only adds dropping
a file and a word while one waits. After every form the browser is sent on to a page that may be loaded again without
harm.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar
from urllib.parse import quote

from tornado.web import HTTPError, RequestHandler

from patchstats import clubbook
from patchstats.desk.counter import LARGEST_BYTES
from patchstats.desk.desk import Desk
from patchstats.desk.security import HEADERS, Session, own_host
from patchstats.remarks import PatchstatsError

_T = TypeVar("_T")

WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


class Page(RequestHandler):
    """What all pages share: the headers, whose desk this is, who is asking, and errors in words."""

    open_to_strangers = False

    def initialize(self, desk: Desk, workers: ThreadPoolExecutor, hosts: tuple[str, ...]) -> None:
        self.desk, self.workers, self.hosts = desk, workers, hosts
        self.session: Session | None = None

    def set_default_headers(self) -> None:
        self.clear_header("Server")
        for name, value in HEADERS.items():
            self.set_header(name, value)

    def prepare(self) -> None:
        self.check_host()
        self.session = self.find_session()
        if self.session is None and not self.open_to_strangers:
            self.redirect("/sign-in", status=303)

    def check_host(self) -> None:
        if not own_host(self.request.host, lan=self.desk.door is not None, names=self.hosts):
            raise HTTPError(421, reason="Not this desk")

    @property
    def cookie_name(self) -> str:
        """Cookies do not tell ports apart (RFC 6265, section 8.5), and two clubs' desks may be open at once."""
        port = self.request.host.rpartition(":")[2]
        return f"patchstats-desk-{port if port.isdecimal() else ''}"

    def find_session(self) -> Session | None:
        session = self.desk.sessions.find(self.get_cookie(self.cookie_name))
        if session is None and self.desk.door is None:
            session = self.begin("")
        return session

    def begin(self, member: str) -> Session:
        session = self.desk.sessions.begin(member)
        self.set_cookie(self.cookie_name, session.token, httponly=True, samesite="Strict", path="/",
                        secure=self.request.protocol == "https")
        return session

    @property
    def me(self) -> Session:
        assert self.session is not None
        return self.session

    async def in_thread(self, work: Callable[..., _T], *arguments: Any, **named: Any) -> _T:
        """Runs what takes its time beside the connections of the others."""
        return await asyncio.get_running_loop().run_in_executor(self.workers, lambda: work(*arguments, **named))

    def get_template_namespace(self) -> dict[str, Any]:
        member = self.session.member if self.session else ""
        return {**super().get_template_namespace(), "club_name": self.desk.settings.name, "member": member,
                "signed_in": bool(member), "largest_bytes": LARGEST_BYTES, "largest": in_mb(LARGEST_BYTES),
                "short": clipped}

    def write_error(self, status_code: int, **kwargs: Any) -> None:
        error = kwargs.get("exc_info", (None, None))[1]
        title, words = _ERRORS.get(status_code, _ERRORS[500])
        if isinstance(error, PatchstatsError):
            self.set_status(409)
            title, words = "That could not be done", str(error)
        self.render("message.html", title=title, words=words)

    def log_exception(self, typ, value, tb) -> None:
        if not isinstance(value, PatchstatsError):  # those are answers to the member
            super().log_exception(typ, value, tb)

    def refuse_if_not_own(self, number: int, *, to_see: bool = False) -> None:
        """A receipt of somebody else looks the same as one that is not there."""
        if not (self.desk.may_see if to_see else self.desk.owns)(self.me, number):
            raise HTTPError(404)


_ERRORS = {
    403: ("Please try again", "The page was open for too long, or the form came from another page. Nothing was done. "
                              "Go back to the start and try again."),
    404: ("There is nothing here", "What you look for is not here, or not any more: a preview is kept for an hour. "
                                   "Nothing that was confirmed is lost."),
    405: ("There is nothing here", "This address only answers a form."),
    400: ("That was not understood", "The form came in a way that could not be read. Nothing was done."),
    413: ("The file is too large", f"The desk takes files up to {LARGEST_BYTES / 1e6:g} MB. Nothing was done."),
    421: ("Not this desk", "This computer was asked for under a name that is not its own. Open the address that the "
                           "desk printed when it was started."),
    500: ("Something went wrong", "The desk could not do that, and the fault is its own. What was confirmed before is "
                                  "kept. Tell the club's secretary what you did."),
}


class BlankLog(Page):
    """A blank log to fill in."""

    open_to_strangers = True

    def get(self, form: str) -> None:
        data = clubbook.blank_log(form, shown=self.desk.settings.shown)
        download(self, data, f"blank-log.{form}", WORKBOOK if form == "xlsx" else "text/csv; charset=utf-8")


class SignIn(Page):
    """The door of a desk on the network."""

    open_to_strangers = True

    def get(self) -> None:
        if self.session is not None:
            self.redirect("/", status=303)
        else:
            self.render("sign-in.html", fault="", name="")

    async def post(self) -> None:
        door = self.desk.door
        if door is None:
            raise HTTPError(404)
        name, code, passphrase = (self.get_body_argument(field, "") for field in ("name", "code", "passphrase"))
        address = self.request.remote_ip or ""
        wait = door.wait_seconds(address, name)
        if wait > 0:
            self.set_status(429)
            self.set_header("Retry-After", str(int(wait) + 1))
            minutes = int(wait // 60) + 1
            self.render("sign-in.html", name=name, fault=f"There were too many tries. Please wait {minutes} "
                                                         f"minute{'s' if minutes > 1 else ''}, then try again.")
            return
        door.book_try(address, name)
        member = await self.in_thread(door.member, name, code, passphrase)
        if member is None:
            self.set_status(401)
            self.render("sign-in.html", name=name, fault="The name, the code and the passphrase do not go together. "
                                                         "Check all three; the secretary can give you a new code.")
            return
        door.forget_tries(address, name)
        self.begin(member)
        self.redirect("/", status=303)


class SignOut(Page):
    def post(self) -> None:
        self.desk.sessions.end(self.me)
        self.clear_cookie(self.cookie_name)
        self.redirect("/sign-in" if self.desk.door else "/", status=303)


class Nowhere(Page):
    """Every other address."""

    open_to_strangers = True

    def check_xsrf_cookie(self) -> None:
        """Nothing is done here that a forged form could want."""

    def prepare(self) -> None:
        super().prepare()
        raise HTTPError(404)


def download(page: RequestHandler, data: bytes, name: str, kind: str) -> None:
    """Answers with a file to keep; ``name`` is the desk's own, never a member's."""
    page.set_header("Content-Type", kind)
    page.set_header("Content-Disposition", f"attachment; filename*=UTF-8''{quote(name)}")
    page.finish(data)


def in_mb(size: int) -> str:
    """
    >>> in_mb(5_000_000)
    '5 MB'
    """
    return f"{size / 1e6:,.1f}".removesuffix(".0") + " MB"


def clipped(text: str, most: int = 80) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
