"""The upload desk in a real browser: Debian's Chromium, driven by Playwright.

Where ``CI`` is set in the environment, an absent browser fails these tests; elsewhere they say so and are skipped. No
browser is ever downloaded.
"""

from __future__ import annotations

import os
import re
import shutil
from contextlib import contextmanager

import pytest
from desk_at_work import OPEN_LOG, PASSPHRASE, WHOLE_LOG, desk_of, lan_door, new_club

from patchstats.clubbook import open_club
from patchstats.desk.counter import LARGEST_BYTES

PHONE = {"width": 360, "height": 740}
NARROWEST = {"width": 320, "height": 600}  # WCAG 2.2, criterion 1.4.10: no scrolling to the side at 320 CSS pixels
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking",
         "--disable-component-update", "--disable-sync", "--no-first-run"]
SCRIPT_NAME = "<script>document.title='broken into'</script><img src=x onerror=alert(1)>.csv"


def absent(why: str) -> None:
    if os.environ.get("CI"):
        pytest.fail(why, pytrace=False)
    pytest.skip(why)


@pytest.fixture(scope="module")
def chromium():
    where = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if where is None:
        absent("There is no Chromium here (Debian: apt-get install chromium).")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        absent("Playwright is not installed here (pip install playwright).")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=where, args=FLAGS)
        yield browser
        browser.close()


class Window:
    """One page, watched: what it asked of whom, what its script or the policy complained of, what it popped up."""

    def __init__(self, page, address: str):
        self.page, self.address = page, address
        self.elsewhere, self.complaints, self.popped = [], [], []
        page.set_default_timeout(30_000)
        page.on("request", lambda r: None if r.url.startswith((address, "data:")) else self.elsewhere.append(r.url))
        page.on("console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("dialog", lambda dialog: (self.popped.append(dialog.message), dialog.dismiss()))
        page.goto(address)

    def choose(self, data: bytes, name: str = "log.csv") -> None:
        self.page.set_input_files("#file", {"name": name, "mimeType": "application/octet-stream", "buffer": data})

    def hand_in(self, data: bytes, name: str = "log.csv") -> None:
        self.choose(data, name)
        self.press("Show me how it reads")

    def press(self, words: str | re.Pattern) -> None:
        with self.page.expect_navigation():
            self.page.get_by_role("button", name=words).click()

    @property
    def title(self) -> str:
        return self.page.get_by_role("heading", level=1).inner_text()

    @property
    def text(self) -> str:
        return self.page.locator("main").inner_text()


@contextmanager
def opened(chromium, address: str, **about):
    context = chromium.new_context(viewport=about.pop("viewport", {"width": 1200, "height": 850}), **about)
    try:
        window = Window(context.new_page(), address)
        yield window
        assert window.elsewhere == [] and window.popped == []
    finally:
        context.close()


@pytest.fixture
def folder(tmp_path):
    return new_club(tmp_path / "club")


@pytest.fixture
def address(folder):
    with desk_of(folder) as (_, address):
        yield address


@pytest.fixture
def window(chromium, address):
    with opened(chromium, address) as window:
        yield window
        assert window.complaints == []


def answer_all(window: Window) -> None:
    for words in ("Yes, ", "Inches", "Month first: 07/08/2024 is 8 Jul 2024"):
        window.page.get_by_role("radio", name=words).check()
    window.page.get_by_label("Whose log is this?").fill("Marta Quell")


def test_an_absent_browser_fails_in_ci_and_is_skipped_elsewhere(monkeypatch):
    monkeypatch.setenv("CI", "1")
    with pytest.raises(pytest.fail.Exception, match="no Chromium"):
        absent("no Chromium")
    monkeypatch.delenv("CI")
    with pytest.raises(pytest.skip.Exception, match="no Chromium"):
        absent("no Chromium")


# --- the way of a log --------------------------------------------------------------------------------------------


def test_upload_preview_question_confirm_receipt_take_back(folder, window):
    window.hand_in(OPEN_LOG, "july.csv")
    assert window.title == "We need to ask"
    assert "4 questions for you" in window.text
    assert window.page.get_by_role("button", name="Yes, keep it").count() == 0
    answer_all(window)
    window.press("Read it again with my answers")
    assert window.title == "Is this right?"
    row = window.page.get_by_role("table").first.get_by_role("row").nth(1).inner_text().split()
    assert row == ["5", "1", "2024-07-08", "60", "40", "41", "141"]
    assert open_club(folder).receipts.empty, "nothing is kept before it is confirmed"
    window.press("Yes, keep it")
    assert window.title == "Thank you" and "Receipt 1: july.csv" in window.text
    assert open_club(folder).readings["date"].dt.month.tolist() == [7, 8]
    window.page.get_by_label("Why?").fill("the wrong summer")
    window.press("Take receipt 1 back")
    assert window.title == "Taken back" and "the wrong summer (at the upload desk)" in window.text
    assert open_club(folder).readings.empty


def test_thanks_are_a_picture_of_ones_own_growth_and_the_log_to_go_on_with(window):
    window.hand_in(WHOLE_LOG)
    window.press("Yes, keep it")
    picture = window.page.get_by_role("img", name="The growth of Marta Quell/2024/A")
    picture.scroll_into_view_if_needed()
    window.page.wait_for_function("img => img.complete", arg=picture.element_handle())
    assert picture.evaluate("img => img.naturalWidth") == 1920
    with window.page.expect_download() as download:
        window.page.get_by_role("link", name="Get your log as read").click()
    assert download.value.suggested_filename == "log-of-receipt-1.xlsx"


def test_a_log_pasted_as_text(window):
    window.page.get_by_label("Or paste your log here").fill(WHOLE_LOG.decode())
    window.press("Show me how it reads")
    assert window.title == "Is this right?" and "pasted text" in window.text


def test_a_file_dropped_on_the_page(window):
    window.page.evaluate("""text => {
        const data = new DataTransfer();
        data.items.add(new File([text], "dropped.csv", {type: "text/csv"}));
        const drop = document.getElementById("drop");
        for (const kind of ["dragover", "drop"]) {
            drop.dispatchEvent(new DragEvent(kind, {dataTransfer: data, bubbles: true, cancelable: true}));
        }
    }""", WHOLE_LOG.decode())
    assert window.page.get_by_role("status").inner_text() == "Chosen: dropped.csv"
    window.press("Show me how it reads")
    assert "dropped.csv" in window.text and window.title == "Is this right?"


def test_the_same_file_twice_is_recognised(folder, window):
    window.hand_in(WHOLE_LOG, "first.csv")
    window.press("Yes, keep it")
    window.page.get_by_role("link", name="Hand in another").click()
    window.hand_in(WHOLE_LOG, "second.csv")
    assert window.title == "This file is here already" and "as receipt 1" in window.text
    window.page.get_by_role("link", name="See receipt 1").click()
    assert "Receipt 1: first.csv" in window.text
    assert len(open_club(folder).receipts) == 1


def test_a_file_too_large_is_said_before_it_is_sent(folder, window):
    window.choose(b"x" * (LARGEST_BYTES + 1_000_000))
    said = window.page.get_by_role("status")
    assert said.inner_text().startswith("The file has 6 MB; the desk takes files up to 5 MB.")
    window.page.get_by_role("button", name="Show me how it reads").click()
    assert window.page.url == f"{window.address}/" and window.title == "Hand in a log"
    window.hand_in(WHOLE_LOG)
    assert window.title == "Is this right?"


def test_without_script_a_file_too_large_is_told_so_on_a_page_not_by_a_lost_connection(chromium, address):
    with opened(chromium, address, java_script_enabled=False) as window:
        window.hand_in(b"x" * (LARGEST_BYTES + 3_000_000))
        assert window.page.get_by_role("alert").inner_text().startswith(
            "The file has 8 MB; the desk takes files up to 5 MB.")
        window.hand_in(WHOLE_LOG)
        assert window.title == "Is this right?"


def test_the_whole_way_without_script(folder, chromium, address):
    with opened(chromium, address, java_script_enabled=False) as window:
        window.hand_in(OPEN_LOG)
        answer_all(window)
        window.press("Read it again with my answers")
        window.press("Yes, keep it")
        assert window.title == "Thank you" and len(open_club(folder).readings) == 2
        window.press("Take receipt 1 back")
        assert window.title == "Taken back"


def test_the_wrong_kind_of_file(folder, window):
    window.hand_in(b"\x89PNG\r\n\x1a\n" + bytes(500), "pumpkin.csv")
    assert window.title == "Nothing here can be kept" and "This file is a picture, not a table." in window.text
    assert window.page.get_by_role("button", name="Yes, keep it").count() == 0
    window.press("Back to the start")
    assert window.title == "Hand in a log"
    assert open_club(folder).receipts.empty


def test_script_text_in_names_and_cells_is_shown_and_does_nothing(window):
    log = (b'Grower,<script>alert(2)</script>\nSeason,2024\nFruit,"A<img src=x onerror=alert(3)>"\n\n'
           b"date,circ (in),SS (in),EE (in),note\n2024-07-12,38,26,27,<svg onload=alert(4)>\n")
    window.hand_in(log, SCRIPT_NAME)
    assert "<script>alert(2)<" in window.text and "<svg onload=alert(4)>" in window.text
    window.press("Yes, keep it")
    assert window.page.locator("main script, main svg, img[src=x]").count() == 0
    window.page.get_by_role("link", name="Hand in another").click()
    assert "broken into" not in window.page.title()
    assert "onerror=alert(1)>.csv" in window.text, "shown among the receipts, as it was written"


def test_the_policy_stops_a_script_that_would_slip_in(chromium, address):
    """Should an escape ever fail, the browser still runs nothing that stands in the page."""
    with opened(chromium, address) as window:
        window.page.evaluate("""() => {
            const script = document.createElement("script");
            script.textContent = "document.title = 'broken into'";
            document.body.append(script);
            document.body.insertAdjacentHTML("beforeend", "<img src=x onerror=\\"document.title = 'broken into'\\">");
        }""")
        window.page.wait_for_timeout(300)
        assert "broken into" not in window.page.title()
        assert any("Content Security Policy" in words for words in window.complaints)


def test_a_button_pressed_twice_in_a_hurry_keeps_once(folder, window):
    window.hand_in(WHOLE_LOG)
    window.page.get_by_role("button", name="Yes, keep it").dblclick(no_wait_after=True)
    window.page.wait_for_url("**/receipt/1")
    assert len(open_club(folder).receipts) == 1


def test_going_back_asks_nothing_twice(folder, window):
    window.hand_in(WHOLE_LOG)
    window.press("Yes, keep it")
    window.page.go_back()
    assert window.title == "Thank you", "the preview of a file that was kept is its receipt"
    assert len(open_club(folder).receipts) == 1


# --- the network -------------------------------------------------------------------------------------------------


def sign_in(window: Window, name: str, code: str, passphrase: str = PASSPHRASE) -> None:
    window.page.get_by_label("Your name, as the club knows it").fill(name)
    window.page.get_by_label("Your own code").fill(code)
    window.page.get_by_label("The desk's passphrase").fill(passphrase)
    window.press("Sign in")


def test_no_passphrase_no_desk(chromium, folder):
    door, codes = lan_door(folder, "Marta Quell")
    with desk_of(folder, door=door) as (_, address), opened(chromium, address) as window:
        assert window.title == "Sign in to hand in a log" and window.page.locator("#file").count() == 0
        window.page.get_by_role("button", name="Sign in").click()
        assert window.title == "Sign in to hand in a log", "an empty field is not sent"
        sign_in(window, "Marta Quell", codes["Marta Quell"], "open sesame, please")
        fault = window.page.get_by_role("alert").inner_text()
        assert fault.startswith("The name, the code and the passphrase do not go together.")
        assert window.page.get_by_label("Your own code").input_value() == ""
        window.page.goto(f"{address}/receipt/1")
        assert window.title == "Sign in to hand in a log"
        sign_in(window, "marta quell", codes["Marta Quell"].upper())
        assert window.title == "Hand in a log" and "Marta Quell" in window.page.get_by_role("banner").inner_text()
        window.press("Sign out")
        window.page.goto(address)
        assert window.title == "Sign in to hand in a log"


def test_two_members_at_once(chromium, folder):
    door, codes = lan_door(folder, "Marta Quell", "Odo Field")
    with desk_of(folder, door=door) as (_, address), opened(chromium, address) as marta, \
            opened(chromium, address, viewport=PHONE) as odo:
        for window, name in ((marta, "Marta Quell"), (odo, "Odo Field")):
            sign_in(window, name, codes[name])
        marta.hand_in(WHOLE_LOG, "marta.csv")
        odo.hand_in(WHOLE_LOG.replace(b"Marta Quell", b"Odo Field"), "odo.csv")
        preview = marta.page.url
        odo.page.evaluate("address => fetch(address).catch(() => 0)", preview)  # the policy forbids that, and so:
        elsewhere = odo.page.context.new_page()
        elsewhere.goto(preview)
        assert elsewhere.get_by_role("heading", level=1).inner_text() == "There is nothing here"
        odo.press("Yes, keep it")
        marta.press("Yes, keep it")
        assert "Receipt 1: odo.csv" in odo.text and "Receipt 2: marta.csv" in marta.text
        elsewhere.goto(f"{address}/receipt/2")
        assert elsewhere.get_by_role("heading", level=1).inner_text() == "There is nothing here"
        marta.page.goto(address)
        assert "marta.csv" in marta.text and "odo.csv" not in marta.text
    club = open_club(folder)
    assert sorted(club.growers["grower"]) == ["Marta Quell", "Odo Field"] and len(club.readings) == 12


# --- by keyboard, by ear, on a phone -----------------------------------------------------------------------------


def test_the_whole_way_by_keyboard(folder, window):
    page = window.page

    def on() -> str:
        return page.evaluate("(document.activeElement.innerText || document.activeElement.id || '').trim()")

    def tab_to(words: str) -> None:
        for _ in range(60):
            page.keyboard.press("Tab")
            if on() == words:
                outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
                assert outline != "none", f"{words}: the focus cannot be seen"
                return
        raise AssertionError(f"{words} cannot be reached by keyboard")

    page.keyboard.press("Tab")
    assert on() == "Past the top of the page"
    tab_to("text")
    page.keyboard.insert_text(OPEN_LOG.decode())
    tab_to("Show me how it reads")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    for number in range(3):
        tab_to(page.locator("fieldset").nth(number).get_by_role("radio").first.get_attribute("id"))
        page.keyboard.press("Space")
    tab_to(page.get_by_label("Whose log is this?").get_attribute("id"))
    page.keyboard.insert_text("Marta Quell")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert window.title == "Is this right?", "Enter in a field reads again and does not keep"
    assert open_club(folder).receipts.empty
    tab_to("Yes, keep it")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert window.title == "Thank you"
    tab_to("Take receipt 1 back")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert window.title == "Taken back"


# Faults that a screen reader's user meets: WCAG 2.2, criteria 1.1.1, 1.3.1, 2.4.2, 2.4.4, 3.1.1 and 4.1.2.
FAULTS = """() => {
    const faults = [];
    const named = (e) => (e.labels && e.labels.length && [...e.labels].some((l) => l.innerText.trim()))
        || (e.getAttribute("aria-label") || "").trim();
    for (const e of document.querySelectorAll("input:not([type=hidden]), textarea, select"))
        if (!named(e)) faults.push("no label: " + e.outerHTML.slice(0, 80));
    for (const e of document.querySelectorAll("button, a[href]"))
        if (!e.innerText.trim()) faults.push("no name: " + e.outerHTML.slice(0, 80));
    for (const e of document.querySelectorAll("img"))
        if (!e.alt) faults.push("no alt: " + e.src);
    for (const e of document.querySelectorAll("[aria-labelledby], [aria-describedby]"))
        for (const id of (e.getAttribute("aria-labelledby") + " " + e.getAttribute("aria-describedby")).split(" "))
            if (id !== "null" && !document.getElementById(id)) faults.push("no such id: " + id);
    const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
    if (new Set(ids).size !== ids.length) faults.push("an id twice");
    if (document.querySelectorAll("h1").length !== 1) faults.push("not one h1");
    let last = 1;
    for (const e of document.querySelectorAll("h1, h2, h3, h4")) {
        const level = Number(e.tagName[1]);
        if (level > last + 1) faults.push("heading leaps: " + e.innerText);
        last = level;
    }
    if (document.documentElement.lang !== "en") faults.push("no language");
    for (const role of ["main", "header", "footer"])
        if (document.querySelectorAll("body > " + role).length !== 1) faults.push("not one " + role);
    for (const e of document.querySelectorAll("fieldset"))
        if (!e.querySelector("legend")) faults.push("fieldset without legend");
    for (const e of document.querySelectorAll("th"))
        if (!e.scope) faults.push("th without scope");
    return faults;
}"""
# Target size (2.5.8): 24 pixels each way; links inside a sentence are excepted, and a radio button's label counts too.
SMALL = """() => [...document.querySelectorAll("button, a.button, input[id]:not([type=radio]), .choice label")]
    .filter((e) => e.offsetWidth && Math.min(e.getBoundingClientRect().width, e.getBoundingClientRect().height) < 24)
    .map((e) => e.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize("viewport", [{"width": 1200, "height": 850}, NARROWEST], ids=["desktop", "phone"])
def test_every_page_can_be_heard_and_fits(chromium, folder, viewport):
    door, codes = lan_door(folder, "Marta Quell")
    with desk_of(folder, door=door) as (_, address), opened(chromium, address, viewport=viewport) as window:
        titles = []

        def look() -> None:
            assert window.page.evaluate(FAULTS) == []
            assert window.page.evaluate(SMALL) == []
            assert window.page.evaluate("document.documentElement.scrollWidth") <= viewport["width"], window.title
            titles.append(window.page.title())

        look()
        sign_in(window, "Marta Quell", "wrong")
        look()
        sign_in(window, "Marta Quell", codes["Marta Quell"])
        look()
        window.hand_in(OPEN_LOG, "a-name-without-a-single-space-that-is-longer-than-any-phone-is-wide.csv")
        look()
        answer_all(window)
        window.press("Read it again with my answers")
        look()
        window.press("Yes, keep it")
        look()
        window.page.goto(address)
        window.hand_in(WHOLE_LOG)
        window.press("Yes, keep it")
        look()
        window.page.goto(f"{address}/nowhere")
        look()
        assert len(set(titles)) >= 7, f"pages are told apart by their titles: {titles}"


def test_the_browsers_own_tree_for_screen_readers(window):
    """As Chromium hands it to assistive technology: roles and names."""
    window.hand_in(OPEN_LOG)
    tree = window.page.locator("main").aria_snapshot()
    for line in ('heading "We need to ask" [level=1]', 'group "Inches or centimetres?"', 'radio "Inches"',
                 'group "Day first or month first?"', 'textbox "Whose log is this?"',
                 'button "Read it again with my answers"'):
        assert line in tree or line.replace("textbox", "combobox") in tree, f"{line} is not in\n{tree}"
