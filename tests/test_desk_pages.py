"""The upload desk's pages as a browser gets them: the way of a file, sizes, names, and what stands in the page."""

from __future__ import annotations

import io
import re
import socket
import threading
import urllib.parse
from pathlib import Path

import pytest
from desk_at_work import OPEN_LOG, WHOLE_LOG, Client, desk_of, new_club
from PIL import Image

import patchstats.desk
from patchstats.clubbook import open_club, read_settings
from patchstats.desk import hand_in
from patchstats.desk.counter import LARGEST_BYTES
from patchstats.intake import read_bytes

HOME = Path(patchstats.desk.__file__).parent
ANSWERS = {"date_order": "month first", "length": "in", "grower": "Marta Quell",
           "heading:circumfrense": "yes", "fruit": ""}


@pytest.fixture
def folder(tmp_path):
    return new_club(tmp_path / "club")


@pytest.fixture
def client(folder):
    with desk_of(folder) as (_, address):
        yield Client(address)


def test_the_way_of_a_file_from_hand_to_book_and_back(folder, client):
    seen = client.hand_in(WHOLE_LOG, "marta.csv")
    assert "Is this right?" in seen.text and "Nothing of it has been kept yet." in seen.text
    assert open_club(folder).receipts.empty
    kept = client.post(client.at, do="keep")
    assert client.at == "/receipt/1" and "Thank you" in kept.text
    assert len(open_club(folder).readings) == 6
    again = client.hand_in(WHOLE_LOG, "another name.csv")
    assert "This file is here already" in again.text and "as receipt 1" in again.text
    assert len(open_club(folder).receipts) == 1
    back = client.post("/receipt/1/take-back", why="not mine")
    assert "Taken back" in back.text and "Why: not mine (at the upload desk)" in back.text
    assert open_club(folder).readings.empty
    client.hand_in(WHOLE_LOG, "marta.csv")
    assert "Receipt 2" in client.post(client.at, do="keep").text


def test_an_answer_that_nobody_has_seen_read_is_read_before_it_is_kept(folder, client):
    client.hand_in(OPEN_LOG)
    preview = client.at
    seen = client.post(preview, do="keep", **ANSWERS)
    assert client.at == f"{preview}?again=yes" and "Read again with your answers." in seen.text
    assert open_club(folder).receipts.empty
    assert 'value="month first" aria-describedby="why-2" checked' in re.sub(r"why-\d", "why-2", seen.html)
    kept = client.post(preview, do="keep", **ANSWERS)
    assert "Thank you" in kept.text
    club = open_club(folder)
    assert club.readings["date"].dt.strftime("%Y-%m-%d").tolist() == ["2024-07-08", "2024-08-09"]
    assert club.growers["grower"].tolist() == ["Marta Quell"]


def test_an_answer_can_be_changed_and_a_wrong_one_is_said(folder, client):
    client.hand_in(OPEN_LOG)
    preview = client.at
    fault = client.post(preview, do="again", **ANSWERS | {"grower": "Marta/Quell"})
    assert fault.status == 422 and "A name has 1 to 80 printable letters and no slash." in fault.text
    client.post(preview, do="again", **ANSWERS)
    client.post(preview, do="again", **ANSWERS | {"date_order": "day first"})
    client.post(preview, do="keep", **ANSWERS | {"date_order": "day first"})
    assert open_club(folder).readings["date"].dt.month.tolist() == [8, 9]


def test_what_is_thrown_away_is_gone_and_a_button_pressed_twice_keeps_once(folder, client):
    client.hand_in(WHOLE_LOG)
    preview = client.at
    assert "Hand in a log" in client.post(preview, do="discard").text
    assert client.get(preview).status == 404
    client.hand_in(WHOLE_LOG)
    preview = client.at
    for _ in range(2):
        assert "Receipt 1" in client.post(preview, do="keep").text
    assert len(open_club(folder).receipts) == 1


def test_a_corrected_log_takes_the_place_of_its_first_reading(folder, client):
    client.hand_in(WHOLE_LOG)
    client.post(client.at, do="keep")
    assert "It will take the place of receipt 1" in client.get("/?replaces=1").text
    client.hand_in(WHOLE_LOG.replace(b",96,", b",97,"), replaces="1")
    client.post(client.at, do="keep")
    assert "Receipt 2 takes its place." in client.get("/receipt/1").text
    assert len(open_club(folder).readings) == 6


def test_the_log_to_go_on_with_reads_as_the_same_rows(folder, client):
    client.hand_in(WHOLE_LOG)
    client.post(client.at, do="keep")
    answer = client.get("/receipt/1/corrected.xlsx")
    assert answer.headers["Content-Disposition"] == "attachment; filename*=UTF-8''log-of-receipt-1.xlsx"
    columns = ["fruit", "date", "circumference_cm", "side_to_side_cm", "stem_to_blossom_cm"]
    read, again = (read_bytes(data, "log").tables["readings"][columns] for data in (WHOLE_LOG, answer.body))
    assert again.round(6).equals(read.round(6))


def test_thanks_are_the_members_own_growth(folder, client):
    client.hand_in(WHOLE_LOG)
    page = client.post(client.at, do="keep")
    alt = re.search(r'<img src="/receipt/1/growth-0.png"[^>]* alt="([^"]+)"', page.html)
    assert alt and "The growth of Marta Quell/2024/A" in alt[1] and "6 weights by tape" in alt[1]
    picture = client.get("/receipt/1/growth-0.png")
    assert Image.open(io.BytesIO(picture.body)).size == (1920, 1080)
    assert client.get("/receipt/1/growth-1.png").status == 404
    client.hand_in(b"\n".join(WHOLE_LOG.replace(b"Fruit,A", b"Fruit,B").splitlines()[:9]))
    assert "A growth chart needs tapings of one fruit on 4 days" in client.post(client.at, do="keep").text


def test_blank_logs_are_given_out_and_read_as_empty(client):
    assert b"Circumference" in client.get("/blank-log.csv").body
    assert client.get("/blank-log.xlsx").body.startswith(b"PK")


# --- sizes and kinds ---------------------------------------------------------------------------------------------


def test_a_file_too_large_is_told_so_on_a_page(folder, client):
    answer = client.hand_in(b"x" * (LARGEST_BYTES + 3_000_000))
    assert answer.status == 413 and "Hand in a log" in answer.text
    assert "The file has 8 MB; the desk takes files up to 5 MB." in answer.text
    just_over = client.hand_in(b"x" * (LARGEST_BYTES + 1))
    assert just_over.status == 413 and "the desk takes files up to 5 MB" in just_over.text
    assert open_club(folder).receipts.empty
    assert "Is this right?" in client.hand_in(WHOLE_LOG).text, "the desk goes on"


def test_a_large_file_is_not_gathered_in_memory(folder, monkeypatch):
    """Beyond the limit the parts are thrown away as they come."""
    held = []
    received = hand_in.HandIn.data_received

    def watched(self, chunk):
        received(self, chunk)
        held.append(sum(map(len, self.parts or [])))

    monkeypatch.setattr(hand_in.HandIn, "data_received", watched)
    with desk_of(folder) as (_, address):
        assert Client(address).hand_in(b"x" * (3 * LARGEST_BYTES)).status == 413
    assert max(held) <= LARGEST_BYTES + 20_000 and held[-1] == 0


def test_a_body_beyond_all_measure_is_refused_before_it_comes(client):
    place = urllib.parse.urlsplit(client.address)
    with socket.create_connection((place.hostname, place.port), timeout=30) as line:
        line.sendall(f"POST /hand-in HTTP/1.1\r\nHost: {place.netloc}\r\nContent-Type: multipart/form-data; boundary=x"
                     f"\r\nContent-Length: {hand_in.MOST_THROWN_AWAY_BYTES + 1}\r\n\r\n".encode())
        answer = line.makefile("rb").read().decode()
    assert answer.startswith("HTTP/1.1 413") and "The file is too large" in answer


@pytest.mark.parametrize(("name", "data", "words"), [
    ("photo.csv", b"\x89PNG\r\n\x1a\n" + bytes(60), "This file is a picture, not a table."),
    ("log.csv", b"%PDF-1.7 log", "This file is a PDF document, not a table."),
    ("log.xlsx", b"PK\x03\x04" + bytes(30), "This spreadsheet could not be opened"),
    ("log.csv", b"", "There is nothing in this file."),
    ("log.csv", b"\x7fELF" + bytes(90), "This file is a program, not a table.")])
def test_the_wrong_kind_of_file_is_said_and_never_kept(folder, client, name, data, words):
    answer = client.hand_in(data, name)
    assert answer.status == 200 and "Nothing here can be kept" in answer.text and words in answer.text
    assert "Yes, keep it" not in answer.text
    client.post(client.at, do="keep")
    assert open_club(folder).receipts.empty


def test_nothing_handed_in_is_said(client):
    answer = client.hand_in(b"", "")
    assert answer.status == 422 and "Choose a file, or paste your log as text." in answer.text


def test_pasted_text_is_a_file_too(client):
    answer = client.hand_in(b"", "", text=WHOLE_LOG.decode())
    assert "Is this right?" in answer.text and "pasted text" in answer.text and "Marta Quell" in answer.text


@pytest.mark.parametrize("body", [b"", b"no parts", b"--x\r\n\r\n",
                                  b"--x\r\nContent-Disposition: form-data\r\n\r\n\r\n--x--"])
def test_forms_that_are_none_are_refused_politely(client, body):
    answer = client.ask("POST", "/hand-in", body or b" ", {"Content-Type": "multipart/form-data; boundary=x"})
    assert answer.status in (400, 403) and "Nothing was done." in answer.text


# --- names -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["../../../../tmp/evil.csv", "..\\..\\evil.csv", "/etc/passwd",
                                  "C:\\autoexec.bat", "CON", "a" * 400 + ".csv", "\u202egpj.csv",
                                  "'; drop table receipts;--.csv", ".", "-rf"])
def test_a_name_is_shown_and_never_a_path(tmp_path, folder, client, name):
    before = {path for path in tmp_path.rglob("*") if path.is_file()}
    client.hand_in(WHOLE_LOG, name)
    client.post(client.at, do="keep")
    new = {path.relative_to(folder).as_posix() for path in tmp_path.rglob("*") if path.is_file()} - {
        path.relative_to(folder).as_posix() for path in before}
    originals = {n for n in new if n.startswith("originals/")}
    assert len(originals) == 1 and re.fullmatch(r"originals/[0-9a-f]{64}", originals.pop())
    assert {n for n in new if not n.startswith("originals/")} <= {"book.sqlite", "book.sqlite-wal", "book.sqlite-shm"}
    assert open_club(folder).receipts["name"].str.fullmatch(r"[^/\\\x00]{1,200}").all()


SCRIPT = '<script>alert(1)</script><img src=x onerror=alert(2)>"\'{{7*7}}{% raw x %}'


def test_text_that_looks_like_marks_or_templates_stays_text(client):
    log = (f'Grower,"{SCRIPT.replace(chr(34), chr(34) * 2)}"\nSeason,2024\nFruit,"<b>A</b>"\n\n'
           'date,circ (in),SS (in),EE (in),"<i>odd</i>",note\n2024-07-12,38,26,27,1,<u>first</u>\n'
           "<script>alert(3)</script>,1,2,3,4,5\n").encode()
    pages = [client.hand_in(log, f"{SCRIPT}.csv").html]
    pages.append(client.post(client.at, do="keep").html)
    pages.append(client.get("/").html)
    pages.append(client.post("/receipt/1/take-back", why=SCRIPT).html)
    for html in pages:
        assert not re.search(r"<(script>|img src=x|b>A|i>|u>)", html)
        assert "49" not in re.findall(r"\{\{.*?\}\}|49(?=\{%)", html)
    assert "&lt;script&gt;alert(3)&lt;/script&gt;" in pages[0]
    assert "{{7*7}}" in pages[3]


def test_every_text_is_escaped_by_the_templates_but_for_the_receipt_which_escapes_its_own():
    for path in (HOME / "templates").glob("*.html"):
        text = path.read_text("utf-8")
        assert "autoescape" not in text and set(re.findall(r"{% raw (\S+)", text)) <= {"receipt_html"}, path.name
        assert set(re.findall(r"{% module (\S+)", text)) <= {"xsrf_form_html()"}, path.name


def test_nothing_is_written_into_the_page_that_the_policy_forbids():
    for path in (HOME / "templates").glob("*.html"):
        text = path.read_text("utf-8")
        assert not re.search(r"\sstyle=|\son[a-z]+=|<style|<script(?! src=\"/own/)|javascript:", text), path.name
        assert not re.search(r"(?:src|href|action)=\"(?!/|\?|#)", text), f"{path.name} leads elsewhere"
    for path in (HOME / "static").iterdir():
        text = path.read_text("utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|url\(|@import|eval\(|innerHTML|fetch\(", text), path.name


# --- two at once -------------------------------------------------------------------------------------------------


def test_many_at_once_are_all_kept_once(folder):
    names = ["Marta Quell", "Odo Field", "Ida Stone", "Ivo Reed"]
    said, receipts = [], []
    with desk_of(folder) as (_, address):
        def one(name: str) -> None:
            client = Client(address)
            client.hand_in(WHOLE_LOG.replace(b"Marta Quell", name.encode()), "log.csv")
            said.append(name in client.get(client.at).text)
            client.post(client.at, do="keep")
            receipts.append(client.at)

        threads = [threading.Thread(target=one, args=(name,)) for name in names]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60)
    club = open_club(folder)
    assert said == [True] * 4 and sorted(receipts) == [f"/receipt/{n}" for n in (1, 2, 3, 4)]
    assert sorted(club.growers["grower"]) == sorted(names) and len(club.readings) == 24


def test_a_fault_of_the_book_is_said_in_a_sentence(folder, client):
    client.hand_in(WHOLE_LOG)
    preview = client.at
    client.token()
    (folder / "book.sqlite").write_bytes(b"no book at all, and long enough to be looked at" * 40)
    answer = client.post(preview, do="keep")
    assert answer.status == 409 and "The club book in" in answer.text and "is damaged" in answer.text


def test_the_club_is_opened_anew_when_its_book_has_changed(folder):
    from patchstats.clubbook import HandedIn, take_in

    with desk_of(folder) as (desk, _):
        empty = desk.club()
        assert desk.club() is empty
        take_in(folder, HandedIn("log.csv", WHOLE_LOG))
        assert len(desk.club().readings) == 6
        assert desk.club() is desk.club()
    assert read_settings(folder).name == "Two Rivers Growers"


# --- for every eye -----------------------------------------------------------------------------------------------


def contrast(one: str, other: str) -> float:
    """The contrast ratio of two colours ``#rrggbb`` (WCAG 2.2, contrast ratio and relative luminance)."""
    def luminance(colour: str) -> float:
        parts = [int(colour[at:at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_knows_the_ends_of_its_scale():
    """WCAG 2.2: from 1:1 to 21:1. #767676 is the lightest grey that reaches 4.5 on white (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0, abs=1e-9)
    assert contrast("#808080", "#808080") == 1.0
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


def test_writing_and_edges_can_be_seen():
    """WCAG 2.2, criteria 1.4.3 (writing, 4.5 to 1) and 1.4.11 (edges of fields, focus, 3 to 1)."""
    style = (HOME / "static" / "desk.css").read_text("utf-8")
    colour = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", style))
    grounds = [colour[name] for name in ("ground", "card", "ask-ground")]
    for name in ("ink", "soft", "link"):
        for ground in grounds:
            assert contrast(colour[name], ground) >= 4.5, (name, ground)
    for ink, ground in (("on-button", "button"), ("on-button", "warn"), ("warn", "warn-ground"), ("warn", "ground"),
                        ("said", "said-ground"), ("said", "ground")):
        assert contrast(colour[ink], colour[ground]) >= 4.5, (ink, ground)
    for name in ("line", "focus", "button", "warn", "link"):
        for ground in grounds:
            assert contrast(colour[name], ground) >= 3.0, (name, ground)
    written = set(re.findall(r"(?<![-\w])color: (?!scheme)([^;]+);", style.split("}", 1)[1]))
    assert written <= {f"var(--{name})" for name in ("ink", "soft", "link", "on-button", "warn", "said")} | {"inherit"}
