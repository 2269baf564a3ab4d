"""Who may come in to the upload desk, how often, and what a stranger or a forged form reaches: nothing."""

from __future__ import annotations

import json
import os
import socket
import stat
import subprocess
import sys

import pytest
from desk_at_work import OPEN_LOG, PASSPHRASE, WHOLE_LOG, Client, desk_of, lan_door, new_club

from patchstats.clubbook import backup, open_club
from patchstats.desk import give_code, open_desk
from patchstats.desk.counter import Counter
from patchstats.desk.security import CODES_NAME, Digest, Door, Sessions, Tries, own_host, read_codes, tidy_name
from patchstats.remarks import ClubError, PatchstatsError


class Clock:
    def __init__(self):
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


# --- the parts ---------------------------------------------------------------------------------------------------


def test_a_digest_knows_its_secret_and_no_other():
    digest = Digest.of("seven wet gourds")
    assert digest.fits("seven wet gourds")
    assert not digest.fits("seven wet gourd") and not digest.fits("")
    assert Digest.of("seven wet gourds") != digest, "salted: the same secret twice looks different"


def test_secrets_are_compared_in_constant_time(monkeypatch):
    """As hmac.compare_digest promises (Python's documentation); an unknown name is compared as well."""
    import hmac

    compared = []
    monkeypatch.setattr(hmac, "compare_digest", lambda a, b: compared.append((a, b)) or a == b)
    door = Door(PASSPHRASE, {"Marta Quell": Digest.of("code")})
    for name, code, passphrase in (("Marta Quell", "code", PASSPHRASE), ("Nobody", "code", PASSPHRASE),
                                   ("Marta Quell", "wrong", "wrong")):
        compared.clear()
        door.member(name, code, passphrase)
        assert len(compared) == 2, "the passphrase and the code, whatever is wrong"


def test_only_all_three_together_open_the_door():
    door = Door(PASSPHRASE, {"Marta Quell": Digest.of("abcd-efgh-jkmn"), "Odo Field": Digest.of("zzzz-yyyy-xxxx")})
    assert door.member("Marta Quell", "abcd-efgh-jkmn", PASSPHRASE) == "Marta Quell"
    assert door.member("  marta   QUELL ", " ABCD-efgh-jkmn ", PASSPHRASE) == "Marta Quell"
    for name, code, passphrase in (
            ("Marta Quell", "zzzz-yyyy-xxxx", PASSPHRASE), ("Marta Quell", "abcd-efgh-jkmn", PASSPHRASE + " "),
            ("Ida", "abcd-efgh-jkmn", PASSPHRASE), ("Marta Quell", "", PASSPHRASE), ("", "", "")):
        assert door.member(name, code, passphrase) is None


def test_tries_are_limited_and_come_back_with_time():
    clock = Clock()
    tries = Tries(3, minutes=10, clock=clock)
    for second in (0.0, 10.0, 20.0):
        assert tries.wait_seconds("a") == 0.0
        clock.now = second
        tries.add("a")
    assert tries.wait_seconds("a") == 580.0 and tries.wait_seconds("b") == 0.0
    clock.now = 600.0
    assert tries.wait_seconds("a") == 0.0
    tries.add("a")
    assert tries.wait_seconds("a") == 10.0, "the second of the three is now the oldest"
    tries.forget("a")
    assert tries.wait_seconds("a") == 0.0


def test_tries_of_many_strangers_take_no_endless_room():
    tries = Tries(3)
    for number in range(Tries._KEYS + 50):
        tries.add(str(number))
    assert len(tries._at) == Tries._KEYS


def test_sessions_end_when_idle_and_when_ended():
    clock = Clock()
    sessions = Sessions(idle_minutes=60, clock=clock)
    session = sessions.begin("Marta Quell")
    clock.now = 3500.0
    assert sessions.find(session.token) is session
    clock.now = 7000.0
    assert sessions.find(session.token) is session, "use keeps it open"
    clock.now = 10700.0
    assert sessions.find(session.token) is None
    other = sessions.begin("Odo Field")
    sessions.end(other)
    assert sessions.find(other.token) is None and sessions.find(None) is None
    assert session.token != other.token and len(session.token) >= 40


def test_the_counter_gives_each_their_own_for_a_while():
    clock = Clock()
    counter = Counter(each=2, most=3, minutes=60, clock=clock)
    first = counter.put("a", "one")
    assert counter.get("a", first) == "one" and counter.get("b", first) is None
    second, third = counter.put("a", "two"), counter.put("a", "three")
    assert [counter.get("a", name) for name in (first, second, third)] == [None, "two", "three"], "two each"
    counter.put("b", "four"), counter.put("c", "five")
    assert counter.get("a", second) is None, "three in all"
    clock.now = 3601.0
    assert counter.get("a", third) is None


@pytest.mark.parametrize(("host", "here", "network"), [
    ("127.0.0.1:8737", True, True), ("localhost:8737", True, True), ("[::1]:8737", True, True), ("[::1]", True, True),
    ("LOCALHOST", True, True), ("192.168.1.7:8737", False, True), ("clubhouse:8737", False, True),
    ("clubhouse.local:8737", False, True), ("evil.example:8737", False, False),
    ("127.0.0.1.evil.example", False, False), ("", False, False), ("localhost.evil.example:8737", False, False)])
def test_a_desk_answers_to_its_own_names_only(host, here, network):
    names = ("clubhouse", "clubhouse.local")
    assert (own_host(host, lan=False, names=names), own_host(host, lan=True, names=names)) == (here, network)


# --- codes and passphrase ----------------------------------------------------------------------------------------


def test_a_code_is_kept_as_a_digest_that_only_the_owner_reads(tmp_path):
    folder = new_club(tmp_path / "club")
    code = give_code(folder, "Marta  Quell")
    held = (folder / CODES_NAME).read_text("utf-8")
    assert code not in held and code.replace("-", "") not in held
    assert list(json.loads(held)) == ["Marta Quell"]
    if os.name == "posix":
        assert stat.S_IMODE((folder / CODES_NAME).stat().st_mode) == 0o600
    assert read_codes(folder)["Marta Quell"].fits(code)
    again = give_code(folder, "marta quell")
    assert again != code and not read_codes(folder)["marta quell"].fits(code), "a new code ends the old one"
    assert len(read_codes(folder)) == 1


def test_faults_of_codes_say_what_to_do(tmp_path):
    with pytest.raises(ClubError, match="holds no patchstats.toml"):
        give_code(tmp_path, "Marta Quell")
    folder = new_club(tmp_path / "club")
    for wrong in ("", "  ", "a/b", "x" * 81, "bell\x07"):
        with pytest.raises(PatchstatsError, match="A name has 1 to 80 printable letters and no slash."):
            give_code(folder, wrong)
    (folder / CODES_NAME).write_text('{"Marta": 3}', "utf-8")
    with pytest.raises(ClubError, match="is damaged; delete it and give the members new codes."):
        read_codes(folder)
    assert tidy_name(" Zoë  O'Field-Ruiz ") == "Zoë O'Field-Ruiz"


def test_a_desk_on_the_network_opens_only_with_a_passphrase_and_codes(tmp_path):
    folder = new_club(tmp_path / "club")
    with pytest.raises(PatchstatsError, match="A desk on the network needs a passphrase"):
        open_desk(folder, lan=True, browser=False)
    with pytest.raises(PatchstatsError, match="The passphrase has 5 letters; take at least 12"):
        open_desk(folder, lan=True, passphrase="gourd", browser=False)
    with pytest.raises(PatchstatsError, match="No member has a code yet."):
        open_desk(folder, lan=True, passphrase=PASSPHRASE, browser=False)


def test_a_port_that_is_taken_is_said(tmp_path):
    folder = new_club(tmp_path / "club")
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        held.listen()
        with pytest.raises(PatchstatsError, match="The desk cannot open port .* name another with --port"):
            open_desk(folder, port=held.getsockname()[1], browser=False)
    with pytest.raises(PatchstatsError, match="There is no port 99999; ports go to 65535."):
        open_desk(folder, port=99999, browser=False)
    with pytest.raises(PatchstatsError, match="For https give both --certificate and --key."):
        open_desk(folder, port=0, browser=False, certificate=tmp_path / "c.pem")


def test_the_command_opens_the_desk_and_closes_it_when_told(tmp_path):
    folder = new_club(tmp_path / "club")
    command = [sys.executable, "-c", "import sys; from patchstats.cli import main; sys.exit(main())"]
    process = subprocess.Popen([*command, "desk", str(folder), "--port", "0", "--no-browser"], text=True,
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        said = process.stdout.readline()
        address = said.split("open at ")[1].strip().rstrip("/")
        assert address.startswith("http://127.0.0.1:")
        assert "Hand in a log" in Client(address).get("/").text
    finally:
        process.terminate()
        rest, fault = process.communicate(timeout=30)
    if os.name == "posix":
        assert (process.returncode, rest.splitlines()[-1], fault) == (0, "The desk is closed.", "")
    no_passphrase = subprocess.run([*command, "desk", str(folder), "--lan", "--no-browser"], text=True,
                                   capture_output=True, stdin=subprocess.DEVNULL,
                                   env={k: v for k, v in os.environ.items() if k != "PATCHSTATS_DESK_PASSPHRASE"})
    assert (no_passphrase.returncode, no_passphrase.stdout) == (2, "")
    assert no_passphrase.stderr.startswith("A desk on the network needs a passphrase")


# --- at work -----------------------------------------------------------------------------------------------------


def test_a_stranger_reaches_the_door_and_nothing_else(tmp_path):
    folder = new_club(tmp_path / "club")
    door, codes = lan_door(folder, "Marta Quell")
    with desk_of(folder, door=door) as (desk, address):
        member = Client(address)
        member.post("/sign-in", name="Marta Quell", code=codes["Marta Quell"], passphrase=PASSPHRASE)
        member.hand_in(WHOLE_LOG)
        kept = member.post(member.at, do="keep")
        assert "Receipt 1" in kept.text
        stranger = Client(address)
        for path in ("/", "/receipt/1", "/receipt/1/corrected.xlsx", "/receipt/1/growth-0.png", "/preview/abc"):
            answer = stranger.ask("GET", path)
            assert (answer.status, answer.headers["Location"]) == (303, "/sign-in"), path
        for path in ("/receipt/1/take-back", "/preview/abc", "/sign-out"):
            assert stranger.post(path, follow=False).headers["Location"] == "/sign-in", path
        assert stranger.hand_in(OPEN_LOG, follow=False).headers["Location"] == "/sign-in"
        assert "Marta" not in stranger.get("/sign-in").text, "the door names no member"
        assert len(open_club(folder).receipts) == 1


def test_wrong_tries_are_counted_and_then_even_the_right_word_must_wait(tmp_path):
    folder = new_club(tmp_path / "club")
    door, codes = lan_door(folder, "Marta Quell", tries=3)
    right = {"name": "Marta Quell", "code": codes["Marta Quell"], "passphrase": PASSPHRASE}
    with desk_of(folder, door=door) as (_, address):
        client = Client(address)
        for wrong in ({"code": "x"}, {"passphrase": "x"}, {"name": "Nobody At All"}):
            answer = client.post("/sign-in", **right | wrong)
            assert answer.status == 401
            assert "The name, the code and the passphrase do not go together." in answer.text, "not which of them"
        answer = client.post("/sign-in", **right)
        assert answer.status == 429 and "There were too many tries. Please wait" in answer.text
        assert int(answer.headers["Retry-After"]) > 500
        door.by_address.forget("127.0.0.1")
        assert client.post("/sign-in", **right).status == 200


def test_a_name_is_guarded_whatever_address_the_tries_come_from(tmp_path):
    folder = new_club(tmp_path / "club")
    door, codes = lan_door(folder, "Marta Quell", tries=2)
    for address in ("10.0.0.1", "10.0.0.2"):
        door.book_try(address, "marta  quell")
    assert door.wait_seconds("10.0.0.3", "Marta Quell") > 0
    assert door.wait_seconds("10.0.0.3", "Odo Field") == 0


def test_members_see_and_take_back_their_own_only(tmp_path):
    folder = new_club(tmp_path / "club")
    door, codes = lan_door(folder, "Marta Quell", "Odo Field")
    with desk_of(folder, door=door) as (_, address):
        members = {}
        for number, name in enumerate(codes, start=1):
            members[name] = client = Client(address)
            client.post("/sign-in", name=name, code=codes[name], passphrase=PASSPHRASE)
            client.hand_in(WHOLE_LOG.replace(b"Marta Quell", name.encode()))
            assert f"Receipt {number}" in client.post(client.at, do="keep").text
        odo = members["Odo Field"]
        for path in ("/receipt/1", "/receipt/1/corrected.xlsx", "/receipt/1/growth-0.png", "/?replaces=1",
                     "/receipt/9"):
            assert odo.get(path).status == 404, path
        assert odo.post("/receipt/1/take-back").status == 404
        assert odo.hand_in(OPEN_LOG, replaces="1").status == 404
        start = odo.get("/").text
        assert "Receipt 2" in start and "Receipt 1" not in start
        assert open_club(folder).receipts["taken_back"].isna().all()
        back = odo.post("/receipt/2/take-back", why="wrong fruit")
        assert "Why: wrong fruit (Odo Field at the upload desk)" in back.text
        # Who holds the very file may see what became of it, and still not take it back.
        assert "This file is here already" in odo.hand_in(WHOLE_LOG).text
        assert odo.get("/receipt/1").status == 200 and "Take receipt 1 back" not in odo.get("/receipt/1").text
        assert odo.post("/receipt/1/take-back").status == 404
        odo.post("/sign-out")
        assert "Sign in to hand in a log" in odo.get("/").text


def test_a_member_keeps_their_receipt_in_a_desk_opened_again_in_a_new_reading_and_in_a_backup(tmp_path):
    folder = new_club(tmp_path / "club")
    door, codes = lan_door(folder, "Marta Quell")
    sign_in = {"name": "Marta Quell", "code": codes["Marta Quell"], "passphrase": PASSPHRASE}
    with desk_of(folder, door=door) as (_, address):
        client = Client(address)
        client.post("/sign-in", **sign_in)
        client.hand_in(WHOLE_LOG)
        client.post(client.at, do="keep")
    with open(folder / "desk-ledger.jsonl", "a", encoding="utf-8") as ledger:
        ledger.write('\n{"receipt": 3, "mem')  # a line that a power cut has cut short
    with desk_of(folder, door=Door(PASSPHRASE, read_codes(folder))) as (desk, address):
        client = Client(address)
        client.post("/sign-in", **sign_in)
        assert "Receipt 1: log.csv" in client.get("/").text
        client.hand_in(WHOLE_LOG.replace(b",96,", b",97,"), replaces="1")
        assert "Receipt 2" in client.post(client.at, do="keep").text
        assert desk._own("Marta Quell") == {1, 2}
    copy = backup(folder, tmp_path / "copy")  # while codes and ledger lie beside the book
    assert read_codes(copy)["Marta Quell"].fits(codes["Marta Quell"])
    assert codes["Marta Quell"] not in (copy / CODES_NAME).read_text("utf-8")
    if os.name == "posix":
        assert stat.S_IMODE((copy / CODES_NAME).stat().st_mode) == 0o600
    with desk_of(copy, door=Door(PASSPHRASE, read_codes(copy))) as (desk, address):
        assert desk._own("Marta Quell") == {1, 2}


def test_a_forged_form_does_nothing(tmp_path):
    """A form from another page has the browser's cookies, but not the token that stands in our forms."""
    folder = new_club(tmp_path / "club")
    with desk_of(folder) as (_, address):
        client = Client(address)
        client.hand_in(WHOLE_LOG)
        preview = client.at
        for form in (b"do=keep", b"do=keep&_xsrf=2%7C00000000%7C00%7C0"):
            answer = client.ask("POST", preview, form, {"Content-Type": "application/x-www-form-urlencoded"})
            assert answer.status == 403 and "Nothing was done." in answer.text
        assert client.hand_in(OPEN_LOG, token="").status == 403
        assert not (folder / "book.sqlite").exists() or open_club(folder).receipts.empty
        client.post(preview, do="keep")
        assert client.ask("POST", "/receipt/1/take-back", b"why=x",
                          {"Content-Type": "application/x-www-form-urlencoded"}).status == 403
        assert open_club(folder).receipts["taken_back"].isna().all()


def test_a_page_elsewhere_that_borrows_our_address_gets_nothing(tmp_path):
    with desk_of(new_club(tmp_path / "club")) as (_, address):
        answer = Client(address).ask("GET", "/", headers={"Host": "evil.example:8737"})
        assert answer.status == 421 and "Handed in" not in answer.text
        assert Client(address).ask("POST", "/hand-in", b"x", headers={"Host": "evil.example"}).status == 421


def test_every_answer_carries_the_headers(tmp_path):
    with desk_of(new_club(tmp_path / "club")) as (_, address):
        client = Client(address)
        for path in ("/", "/own/desk.js", "/own/desk.css", "/own/icon.svg", "/nowhere", "/blank-log.csv", "/sign-in",
                     "/preview/x", "/hand-in"):
            headers = client.ask("GET", path).headers
            policy = headers["Content-Security-Policy"]
            assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy, path
            for part in ("script-src 'self'", "form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'"):
                assert part in policy, path
            assert headers["X-Content-Type-Options"] == "nosniff" and headers["X-Frame-Options"] == "DENY", path
            assert headers["Server"] is None, path
        page = client.ask("GET", "/")
        assert page.headers["Cache-Control"] == "no-store"
        for cookie in Client(address).ask("GET", "/").headers.get_all("Set-Cookie"):
            assert "HttpOnly" in cookie and "SameSite=Strict" in cookie, cookie


@pytest.mark.parametrize("path", [
    "/own/../server.py", "/own/%2e%2e/server.py", "/own/..%2fserver.py", "/own//etc/passwd", "/own/desk.py",
    "/receipt/-1", "/receipt/1e3", "/receipt/99999999999", "/blank-log.exe", "/preview/..",
    "/receipt/1/growth-99.png"])
def test_addresses_made_up_lead_nowhere(tmp_path, path):
    with desk_of(new_club(tmp_path / "club")) as (_, address):
        assert Client(address).ask("GET", path).status == 404
