"""Handing in: the start page, the file on its way in, and the preview with its questions."""

from __future__ import annotations

from dataclasses import replace

from tornado import httputil
from tornado.web import HTTPError, stream_request_body

from patchstats.clubbook import HandedIn, as_html
from patchstats.desk.counter import LARGEST_BYTES, OnCounter
from patchstats.desk.pages import Page, in_mb
from patchstats.desk.questions import told_of
from patchstats.remarks import PatchstatsError

# What is read and thrown away so that the browser can be told politely; beyond that the connection is closed.
MOST_THROWN_AWAY_BYTES = 400_000_000
_FORM_EXTRA_BYTES = 20_000  # the form's own fields and marks around the file


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
            item = await self.in_thread(self.desk.look, handed, self.me, replaces=replaces)
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
        if name in self.me.kept:  # the browser went back
            self.redirect(f"/receipt/{self.me.kept[name]}", status=303)
            return
        self.show(self.item(name), again=self.get_query_argument("again", "") == "yes")

    def show(self, item: OnCounter, *, again: bool = False, fault: str = "") -> None:
        receipt = item.preview.receipt
        may_see = bool(receipt.number) and self.desk.may_see(self.me, receipt.number)
        unanswered = [q for q in item.questions if q.needed and q.key not in item.told]
        self.render("preview.html", item=item, preview=item.preview, receipt=receipt, receipt_html=as_html(receipt),
                    open_questions=unanswered, again=again, fault=fault, may_see=may_see)

    async def post(self, name: str) -> None:
        if name in self.me.kept:  # the button was pressed twice
            self.redirect(f"/receipt/{self.me.kept[name]}", status=303)
            return
        item, do = self.item(name), self.get_body_argument("do", "again")
        if do == "discard":
            self.desk.counter.take_away(self.me.token, name)
            self.redirect("/", status=303)
            return
        told = told_of(lambda key: self.get_body_argument(key, ""), item.questions)
        if told != item.told:  # never kept unseen
            try:
                item = await self.in_thread(self.desk.look_again, item, self.me, told)
            except PatchstatsError as error:
                self.set_status(422)
                self.show(replace(item, told=told), fault=str(error))
                return
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


def too_large(size: int) -> str:
    return (f"The file has {in_mb(size)}; the desk takes files up to {in_mb(LARGEST_BYTES)}. "
            "Hand in only the sheet with the log, saved as CSV or Excel.")
