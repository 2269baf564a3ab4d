"""Pages: what the desk answers to a browser, one class a page. Every text of a member is escaped by the templates.

Forms work without the script ``desk.js``, which only adds dropping a file and a word while one waits. After every
form the browser is sent on to a page that may be loaded again without harm.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar
from urllib.parse import quote

from tornado import httputil
from tornado.web import HTTPError, RequestHandler, stream_request_body

from patchstats import clubbook
from patchstats.clubbook import HandedIn, Receipt, as_html
from patchstats.desk.counter import LARGEST_BYTES, OnCounter
from patchstats.desk.desk import Desk
from patchstats.desk.questions import answers_of, filled_in
from patchstats.desk.security import HEADERS, Session, own_host
from patchstats.remarks import PatchstatsError

# What is read and thrown away so that the browser can be told politely; beyond that the connection is closed.
MOST_THROWN_AWAY_BYTES = 400_000_000
_LONGEST_REASON = 200
_FORM_EXTRA_BYTES = 20_000  # the form's own fields and marks around the file
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
                "filled_in": filled_in, "short": clipped}

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


class Start(Page):
    """Where a log is handed over."""

    async def get(self) -> None:
        replaces = self.get_query_argument("replaces", "")
        number = int(replaces) if replaces.isdecimal() and len(replaces) < 10 else None
        if number is not None:
            self.refuse_if_not_own(number)
        await self.show(number)

    async def show(self, replaces: int | None = None, fault: str = "") -> None:
        receipts = await self.in_thread(self.desk.receipts, self.me)
        self.render("start.html", receipts=receipts, replaces=replaces, fault=fault)


@stream_request_body
class HandIn(Start):
    """Takes a file or a text, and lays it on the counter. A file that is too large is read and thrown away, so that
    the browser hears why instead of losing its connection."""

    def prepare(self) -> None:
        self.check_host()
        self.session = self.find_session()
        self.parts: list[bytes] | None = []
        self.size = 0
        self.request.connection.set_max_body_size(MOST_THROWN_AWAY_BYTES)  # type: ignore[union-attr]
        length = self.request.headers.get("Content-Length", "0")
        if not length.isdecimal() or int(length) > MOST_THROWN_AWAY_BYTES:
            self.set_header("Connection", "close")
            raise HTTPError(413)

    def data_received(self, chunk: bytes) -> None:
        self.size += len(chunk)
        if self.parts is None or self.session is None or self.size > LARGEST_BYTES + _FORM_EXTRA_BYTES:
            self.parts = None
        else:
            self.parts.append(chunk)

    def check_xsrf_cookie(self) -> None:
        """Put off until the form has been read, which holds the token."""

    async def post(self) -> None:
        if self.session is None:
            self.redirect("/sign-in", status=303)
            return
        if self.parts is None:
            self.set_status(413)
            await self.show(fault=too_large(self.size))
            return
        body, self.parts = b"".join(self.parts), None
        form: dict[str, list[bytes]] = {}
        files: dict[str, list[httputil.HTTPFile]] = {}
        try:
            httputil.parse_body_arguments(self.request.headers.get("Content-Type", ""), body, form, files,
                                          self.request.headers)
        except httputil.HTTPInputError:
            raise HTTPError(400) from None
        self.request.arguments.update(form)
        self.request.body_arguments.update(form)
        super().check_xsrf_cookie()
        told = self.get_body_argument("replaces", "")
        replaces = int(told) if told.isdecimal() and len(told) < 10 else None
        if replaces is not None:
            self.refuse_if_not_own(replaces)
        handed = self.handed(files)
        if handed is None:
            self.set_status(422)
            await self.show(replaces, "Choose a file, or paste your log as text.")
        elif len(handed.data) > LARGEST_BYTES:
            self.set_status(413)
            await self.show(replaces, too_large(len(handed.data)))
        else:
            item = await self.in_thread(self.desk.look, handed, self.me, answers={}, replaces=replaces)
            if item.preview.receipt.status == "already taken in":
                self.me.receipts.add(item.preview.receipt.number)  # whoever holds the file may see what became of it
            self.redirect(f"/preview/{self.desk.counter.put(self.me.token, item)}", status=303)

    def handed(self, files: dict[str, list[httputil.HTTPFile]]) -> HandedIn | None:
        for file in files.get("file", []):
            if file["filename"]:
                return HandedIn(file["filename"], file["body"])
        text = self.get_body_argument("text", "", strip=False)
        return HandedIn("pasted text", text.encode("utf-8", "replace")) if text.strip() else None


class Preview(Page):
    """What was understood of a file, before anything is kept: answer, look again, keep it or not."""

    def item(self, name: str) -> OnCounter:
        found = self.desk.counter.get(self.me.token, name)
        if found is None:
            raise HTTPError(404)
        return found

    def get(self, name: str) -> None:
        self.show(self.item(name), again=self.get_query_argument("again", "") == "yes")

    def show(self, item: OnCounter, *, again: bool = False, fault: str = "") -> None:
        receipt = item.preview.receipt
        may_see = bool(receipt.number) and self.desk.may_see(self.me, receipt.number)
        self.render("preview.html", item=item, preview=item.preview, receipt=receipt, receipt_html=as_html(receipt),
                    again=again, fault=fault, may_see=may_see)

    async def post(self, name: str) -> None:
        if name in self.me.kept:  # the button was pressed twice
            self.redirect(f"/receipt/{self.me.kept[name]}", status=303)
            return
        item, do = self.item(name), self.get_body_argument("do", "again")
        if do == "discard":
            self.desk.counter.take_away(self.me.token, name)
            self.redirect("/", status=303)
            return
        try:
            answers = answers_of(lambda key: self.get_body_argument(key, ""), item.questions,
                                 self.desk.settings.heading_words)
        except PatchstatsError as error:
            self.set_status(422)
            self.show(item, fault=str(error))
            return
        if answers != item.answers:  # never kept unseen
            item = await self.in_thread(self.desk.look, item.handed, self.me, answers=answers, replaces=item.replaces,
                                        before=item.questions)
            self.desk.counter.put(self.me.token, item, name)
            self.redirect(f"/preview/{name}?again=yes", status=303)
            return
        if do != "keep" or not item.preview.keeps:
            self.redirect(f"/preview/{name}", status=303)
            return
        receipt = await self.in_thread(self.desk.keep, item, self.me)
        self.me.kept[name] = receipt.number
        self.desk.counter.take_away(self.me.token, name)
        self.redirect(f"/receipt/{receipt.number}", status=303)


class ReceiptPage(Page):
    """A receipt, with thanks; it can be taken back here."""

    async def get(self, told: str) -> None:
        number = int(told)
        self.refuse_if_not_own(number, to_see=True)
        receipt = await self.in_thread(self.desk.receipt, number)
        stands = receipt.status == "taken in"
        thanks = await self.in_thread(self.desk.thanks, number) if stands else None
        self.render("receipt.html", receipt=receipt, receipt_html=as_html(receipt), stands=stands, thanks=thanks,
                    owns=self.desk.owns(self.me, number), needs=needs_member(receipt))


class TakeBack(Page):
    async def post(self, told: str) -> None:
        number = int(told)
        self.refuse_if_not_own(number)
        why = " ".join(self.get_body_argument("why", "").split())[:_LONGEST_REASON]
        await self.in_thread(self.desk.take_back, number, self.me, why)
        self.redirect(f"/receipt/{number}", status=303)


class Corrected(Page):
    """The member's own log as a workbook to go on with."""

    async def get(self, told: str) -> None:
        number = int(told)
        self.refuse_if_not_own(number, to_see=True)
        download(self, await self.in_thread(self.desk.corrected, number), f"log-of-receipt-{number}.xlsx", WORKBOOK)


class Picture(Page):
    async def get(self, told: str, place: str) -> None:
        self.refuse_if_not_own(int(told), to_see=True)
        picture = await self.in_thread(self.desk.picture, int(told), int(place))
        if picture is None:
            raise HTTPError(404)
        self.set_header("Content-Type", "image/png")
        self.finish(picture)


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


def needs_member(receipt: Receipt) -> int:
    """How many remarks wait for the member."""
    return sum(r.severity in ("refused", "asked", "blanked") for r in receipt.remarks)


def too_large(size: int) -> str:
    return (f"The file has {in_mb(size)}; the desk takes files up to {in_mb(LARGEST_BYTES)}. "
            "Hand in only the sheet with the log, saved as CSV or Excel.")


def in_mb(size: int) -> str:
    """
    >>> in_mb(5_000_000)
    '5 MB'
    """
    return f"{size / 1e6:,.1f}".removesuffix(".0") + " MB"


def clipped(text: str, most: int = 80) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
