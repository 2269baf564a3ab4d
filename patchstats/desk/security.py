"""Security: who may come in, how often a wrong word may be tried, and what every answer forbids the browser.

At the club's own computer (loopback) nobody signs in: who sits there can open the club's folder anyhow. On the
local network a member needs the desk's passphrase and a code of their own. Neither is kept: the passphrase lives
as a salted scrypt digest in memory, codes as salted scrypt digests in ``desk-codes.json`` (RFC 7914). Digests are
compared in constant time, an unknown name costs as much time as a known one, and tries are limited.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import json
import os
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from patchstats.clubbook import read_settings
from patchstats.clubbook.faults import in_words
from patchstats.clubbook.files import write_whole
from patchstats.remarks import ClubError, PatchstatsError

CODES_NAME = "desk-codes.json"
SHORTEST_PASSPHRASE = 12
_CODE_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that look alike on paper: no i, l, o, 0, 1
_CODE_GROUPS, _GROUP_LETTERS = 3, 4  # 31 ** 12 codes, 59 bits
_SCRYPT = {"n": 2 ** 14, "r": 8, "p": 1, "dklen": 32}  # 16 MB and about 50 ms a try; parameters of RFC 7914, section 2
_LONGEST_SECRET = 200
_LONGEST_NAME = 80

HEADERS = {
    # https://www.w3.org/TR/CSP3/: nothing but our own files, no script or style written into the page.
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
                               "form-action 'self'; frame-ancestors 'none'; base-uri 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


@dataclass(frozen=True)
class Digest:
    """A secret that can be recognised and not be read."""

    salt: bytes
    digest: bytes

    @classmethod
    def of(cls, secret: str) -> Digest:
        salt = secrets.token_bytes(16)
        return cls(salt, _scrypt(secret, salt))

    def fits(self, secret: str) -> bool:
        return hmac.compare_digest(self.digest, _scrypt(secret, self.salt))


def _scrypt(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(secret[:_LONGEST_SECRET].encode("utf-8", "replace"), salt=salt, **_SCRYPT)


def checked_passphrase(passphrase: str) -> str:
    """The passphrase, if it is long enough; raises :class:`PatchstatsError` with what to do."""
    if not passphrase:
        raise PatchstatsError("A desk on the network needs a passphrase: type one when asked, or put it into the "
                              "environment variable PATCHSTATS_DESK_PASSPHRASE.")
    if len(passphrase) < SHORTEST_PASSPHRASE:
        raise PatchstatsError(f"The passphrase has {len(passphrase)} letters; take at least {SHORTEST_PASSPHRASE}, "
                              "such as four words that nobody would say together.")
    return passphrase


def tidy_name(name: str) -> str:
    """A member's name with single spaces; raises :class:`PatchstatsError` when it cannot be one.

    >>> tidy_name("  Marta   Quell ")
    'Marta Quell'
    """
    name = " ".join(name.split())
    if not name or not name.isprintable() or "/" in name or len(name) > _LONGEST_NAME:
        raise PatchstatsError(f"A name has 1 to {_LONGEST_NAME} printable letters and no slash.")
    return name


def give_code(folder: str | Path, member: str) -> str:
    """Makes a new code for a member, in place of an earlier one, and returns it: it is shown this once only."""
    folder, member = Path(folder), tidy_name(member)
    read_settings(folder)  # raises when there is no club
    code = "-".join("".join(secrets.choice(_CODE_LETTERS) for _ in range(_GROUP_LETTERS))
                    for _ in range(_CODE_GROUPS))
    held = {name: digest for name, digest in read_codes(folder).items() if name.casefold() != member.casefold()}
    held[member] = Digest.of(code)
    path = folder / CODES_NAME
    told = {name: {"salt": d.salt.hex(), "digest": d.digest.hex()} for name, d in sorted(held.items())}
    with in_words(folder, "giving a code"):
        write_whole(path, (json.dumps(told, indent=1, ensure_ascii=False) + "\n").encode("utf-8"))
        os.chmod(path, 0o600)
    return code


def read_codes(folder: Path) -> dict[str, Digest]:
    """Members and the digests of their codes; raises :class:`ClubError` when the file is damaged."""
    path = folder / CODES_NAME
    try:
        told = json.loads(path.read_text("utf-8"))
        return {name: Digest(bytes.fromhex(d["salt"]), bytes.fromhex(d["digest"])) for name, d in told.items()}
    except FileNotFoundError:
        return {}
    except (ValueError, TypeError, KeyError, AttributeError):
        raise ClubError(f"{path} is damaged; delete it and give the members new codes.") from None


class Door:
    """The door of a desk on the network: lets a member in by name, code and passphrase, and counts wrong tries."""

    def __init__(self, passphrase: str, codes: Mapping[str, Digest], *, clock: Callable[[], float] = time.monotonic):
        self._passphrase = Digest.of(checked_passphrase(passphrase))
        self._codes = {name.casefold(): (name, digest) for name, digest in codes.items()}
        self._nobody = Digest.of(secrets.token_hex())
        self.by_address, self.by_name = Tries(8, clock=clock), Tries(8, clock=clock)

    def wait_seconds(self, address: str, name: str) -> float:
        """How long this address, or anyone under this name, must wait before the next try; 0 when it may try."""
        return max(self.by_address.wait_seconds(address), self.by_name.wait_seconds(_spelt(name)))

    def book_try(self, address: str, name: str) -> None:
        """Counts a try, before it is looked at, so that many at once are counted too."""
        self.by_address.add(address)
        self.by_name.add(_spelt(name))

    def member(self, name: str, code: str, passphrase: str) -> str | None:
        """The member's name as the club spells it, or None. Takes the same time whatever is wrong."""
        spelling, digest = self._codes.get(_spelt(name), ("", self._nobody))
        fits = self._passphrase.fits(passphrase) & digest.fits(code.strip().lower()) & bool(spelling)
        return spelling if fits else None

    def forget_tries(self, address: str, name: str) -> None:
        """After a right try."""
        self.by_address.forget(address)
        self.by_name.forget(_spelt(name))


def _spelt(name: str) -> str:
    return " ".join(name.split()).casefold()[:_LONGEST_NAME]


class Tries:
    """At most ``most`` tries a ``minutes`` for each key; remembers the latest ``_KEYS`` keys only."""

    _KEYS = 10_000

    def __init__(self, most: int, *, minutes: float = 10.0, clock: Callable[[], float] = time.monotonic):
        self._most, self._seconds, self._clock = most, 60.0 * minutes, clock
        self._at: OrderedDict[str, deque[float]] = OrderedDict()

    def add(self, key: str) -> None:
        times = self._at.setdefault(key, deque(maxlen=self._most))
        times.append(self._clock())
        self._at.move_to_end(key)
        while len(self._at) > self._KEYS:
            self._at.popitem(last=False)

    def wait_seconds(self, key: str) -> float:
        times = self._at.get(key)
        if times is None or len(times) < self._most:
            return 0.0
        return max(0.0, times[0] + self._seconds - self._clock())

    def forget(self, key: str) -> None:
        self._at.pop(key, None)


@dataclass
class Session:
    """One browser: the member it signed in as ("" at the club's own computer), and what it may look at."""

    member: str
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    seen_at: float = 0.0
    receipts: set[int] = field(default_factory=set)  # of files that this browser has shown to hold
    kept: dict[str, int] = field(default_factory=dict)  # hand-in to its receipt, for a button pressed twice


class Sessions:
    """The open sessions; one that nobody used for an hour is closed."""

    _MOST = 1000

    def __init__(self, *, idle_minutes: float = 60.0, clock: Callable[[], float] = time.monotonic):
        self._idle, self._clock = 60.0 * idle_minutes, clock
        self._open: OrderedDict[str, Session] = OrderedDict()

    def begin(self, member: str = "") -> Session:
        session = Session(member, seen_at=self._clock())
        self._open[_name_of(session.token)] = session
        while len(self._open) > self._MOST:
            self._open.popitem(last=False)
        return session

    def find(self, token: str | None) -> Session | None:
        name = _name_of(token or "")
        session = self._open.get(name)
        if session is None:
            return None
        if self._clock() - session.seen_at > self._idle:
            del self._open[name]
            return None
        session.seen_at = self._clock()
        self._open.move_to_end(name)
        return session

    def end(self, session: Session) -> None:
        self._open.pop(_name_of(session.token), None)


def _name_of(token: str) -> str:
    """Tokens are looked up by digest, so that the time of a look-up says nothing of a token."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def own_host(host: str, *, lan: bool, names: tuple[str, ...] = ()) -> bool:
    """Whether a request's Host names this desk. A page elsewhere can have its own name point at this computer
    (DNS rebinding), but it cannot make the browser send another name. ``names``: this computer's own, on the network.

    >>> own_host("127.0.0.1:8737", lan=False), own_host("evil.example:8737", lan=False)
    (True, False)
    """
    name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
    name = name.strip("[]").casefold().rstrip(".")
    if name == "localhost" or (lan and name in names):
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return lan or address.is_loopback
