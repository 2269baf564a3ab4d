"""Receipts: what became of a file, the member's growth as thanks, the log to go on with, and taking back."""

from __future__ import annotations

from tornado.web import HTTPError

from patchstats.clubbook import Receipt, as_html
from patchstats.clubbook.receipts import OPEN
from patchstats.desk.pages import WORKBOOK, Page, download

_LONGEST_REASON = 200


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


def needs_member(receipt: Receipt) -> int:
    """How many remarks wait for the member."""
    return sum(r.severity in OPEN for r in receipt.remarks)
