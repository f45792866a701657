"""The guard before every request: who may call, from where, how often, and what a browser is told."""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import json
import re
import secrets
import socket
import time
from collections import OrderedDict
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .settings import Settings, is_loopback

__all__ = ["COOKIE", "HEADERS", "Guard", "RateLimit", "Sessions", "drain", "host_of", "load_secret"]

COOKIE = "flightproc_session"
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; object-src 'none'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
"""On every answer."""

_SAFE = {"GET", "HEAD"}
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")
_SESSION = re.compile(r"(in|out)\.([0-9a-f]{32})\.([0-9a-f]{64})")
_UPLOADS = re.compile(r"(/api)?/sorties(/[0-9a-f]{24}/files)?/?")
_WEEK = 7 * 86400
_DRAIN_BYTES = 64_000_000
_DRAIN_SECONDS = 5.0


def load_secret(folder: Path) -> bytes:
    """Return the folder's secret, made at the first call and readable by its owner only."""
    path = folder / "secret"
    try:
        found = path.read_bytes()
        if len(found) == 32:
            return found
    except FileNotFoundError:
        pass
    fresh = secrets.token_bytes(32)
    path.unlink(missing_ok=True)
    path.touch(mode=0o600)
    path.write_bytes(fresh)
    return fresh


def host_of(value: str) -> str:
    """Return the name in a Host header, in small letters and without the port; empty where it is none.

    Examples
    --------
    >>> host_of("LocalHost:8765"), host_of("[::1]:8765"), host_of("a b"), host_of("")
    ('localhost', '::1', '', '')
    """
    found = re.fullmatch(r"(?:\[([0-9a-fA-F:.]+)\]|([A-Za-z0-9.-]+))(?::\d{1,5})?", value.strip())
    return (found[1] or found[2]).lower().rstrip(".") if found else ""


class Sessions:
    """Session cookies and form tokens, made from a secret and never stored.

    Parameters
    ----------
    secret : bytes
        Of the folder.
    token : str
        What a visitor has to know; a new one ends all sessions.
    """

    def __init__(self, secret: bytes, token: str) -> None:
        self._token = token
        self._key = hmac.new(secret, b"session" + token.encode(), hashlib.sha256).digest()

    def _mac(self, text: str) -> str:
        return hmac.new(self._key, text.encode(), hashlib.sha256).hexdigest()

    def make(self, *, signed_in: bool) -> str:
        """Return the value of a new cookie."""
        head = f"{'in' if signed_in else 'out'}.{secrets.token_hex(16)}"
        return f"{head}.{self._mac(head)}"

    def check(self, cookie: str) -> tuple[bool, bool]:
        """Return whether a cookie is ours, and whether its visitor gave the token."""
        found = _SESSION.fullmatch(cookie)
        if not found or not hmac.compare_digest(found[3], self._mac(f"{found[1]}.{found[2]}")):
            return False, False
        return True, found[1] == "in"

    def csrf(self, cookie: str) -> str:
        """Return the token that the forms of a session carry."""
        return self._mac(f"form {cookie}")

    def right_csrf(self, cookie: str, given: str) -> bool:
        """Return whether a form's token belongs to the session, in constant time."""
        return hmac.compare_digest(self.csrf(cookie).encode(), given.encode("utf-8", "replace"))

    def right_token(self, given: str) -> bool:
        """Return whether a visitor gave the server's token, in constant time."""
        return bool(self._token) and hmac.compare_digest(
            hashlib.sha256(self._token.encode()).digest(),
            hashlib.sha256(given.strip().encode("utf-8", "replace")).digest(),
        )


class RateLimit:
    """Allowance that is used up by requests and comes back with time, one per client.

    Parameters
    ----------
    burst : float
        Requests at once.
    per_second : float
        How fast the allowance comes back.
    clients : int
        How many are remembered; the one not seen for longest is forgotten first.
    """

    def __init__(self, burst: float, per_second: float, clients: int = 4096) -> None:
        self._burst, self._rate, self._clients = burst, per_second, clients
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait(self, client: str, now: float | None = None) -> float:
        """Take one request off; return 0, or how long to wait where none is left [s].

        Examples
        --------
        >>> limit = RateLimit(2, 1.0)
        >>> [limit.wait("a", now) for now in (0.0, 0.0, 0.0, 1.0)]
        [0.0, 0.0, 1.0, 0.0]
        """
        now = time.monotonic() if now is None else now
        left, seen = self._left.pop(client, (self._burst, now))
        left = min(self._burst, left + (now - seen) * self._rate)
        allowed = left >= 1.0
        self._left[client] = (left - 1.0 if allowed else left, now)
        while len(self._left) > self._clients:
            self._left.popitem(last=False)
        return 0.0 if allowed else (1.0 - left) / self._rate


def _known_hosts(settings: Settings) -> set[str]:
    names = {"localhost", *(name.lower() for name in settings.names)}
    if not is_loopback(settings.host):
        names |= {settings.host.lower(), socket.gethostname().lower()}
        names.add(f"{socket.gethostname().lower()}.local")
    return names


class Guard:
    """ASGI middleware, the outermost.

    It refuses foreign hosts (a name that was pointed at this computer), visitors without the token, changes
    that come from another site or without the session's form token, and too many requests; it caps every
    body but an upload's, and it sets the safe headers and the session's cookie.

    Parameters
    ----------
    app : ASGIApp
        What is guarded.
    settings : Settings
        Of the server.
    sessions : Sessions
        Cookies and form tokens.
    """

    def __init__(self, app: ASGIApp, settings: Settings, sessions: Sessions) -> None:
        self.inner = app
        self._app, self._settings, self._sessions = app, settings, sessions
        self._hosts = _known_hosts(settings)
        self._public = not is_loopback(settings.host)
        self.looks: RateLimit = RateLimit(400, 100.0)
        self.changes: RateLimit = RateLimit(150, 10.0)
        self.entries: RateLimit = RateLimit(8, 0.2)

    def _right_host(self, name: str) -> bool:
        if name in self._hosts:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        # A name can be pointed anywhere; an address cannot. Beyond loopback only where we listen there.
        return address.is_loopback or self._public

    def _limit(self, scope: Scope) -> RateLimit:
        if scope["path"] == "/enter" and scope["method"] not in _SAFE:
            return self.entries
        return self.looks if scope["method"] in _SAFE else self.changes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        cookie = _cookie(headers.getlist("cookie"))
        ours, signed_in = self._sessions.check(cookie)
        fresh = ""
        if not ours:
            fresh = cookie = self._sessions.make(signed_in=False)
        signed_in = signed_in or not self._settings.token
        state = scope.setdefault("state", {})
        state.update(
            cookie=cookie,
            csrf=self._sessions.csrf(cookie),
            signed_in=signed_in,
            csrf_checked=False,
            sessions=self._sessions,
        )
        guarded = _Answer(send, fresh, self._settings)
        refusal = self._refusal(scope, headers, ours, signed_in)
        if refusal is not None:
            status, words, more = refusal
            if scope["method"] not in _SAFE:
                await drain(receive)
            await _refuse(scope, guarded, status, words, more)
            return
        if headers.get("x-csrf-token"):
            state["csrf_checked"] = True  # _refusal has held it against the session
        if not _UPLOADS.fullmatch(scope["path"]):
            limits = self._settings.limits
            receive = _Capped(receive, limits.form_bytes, limits.idle_seconds)
        await self._app(scope, receive, guarded)

    def _refusal(
        self, scope: Scope, headers: Headers, ours: bool, signed_in: bool
    ) -> tuple[int, str, dict[str, str]] | None:
        method, path = scope["method"], scope["path"]
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._right_host(host_of(hosts[0])):
            return 421, "This server does not go by that name. Use the address it printed at its start.", {}
        wait = self._limit(scope).wait(scope["client"][0] if scope.get("client") else "")
        if wait > 0.0:
            return (
                429,
                "Too many requests in a short time. Wait a little.",
                {"Retry-After": f"{wait + 1:.0f}"},
            )
        if "\0" in path or "\\" in path or any(part in (".", "..") for part in path.split("/")):
            return 404, "There is no such page.", {}
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 15:
            return 400, "The request's length is no number.", {}
        cap = self._settings.limits.form_bytes
        if not _UPLOADS.fullmatch(path) and int(length) > cap:
            return 413, f"The request is larger than {cap} bytes.", {}
        if not signed_in and path != "/enter" and not path.startswith("/static/"):
            if method in _SAFE and not path.startswith("/api/"):
                return 303, "Enter the token first.", {"Location": "/enter"}
            return 401, "Enter the token first: open /enter in a browser.", {}
        if method in _SAFE:
            return None
        return self._foreign(scope, headers, hosts[0], ours)

    def _foreign(
        self, scope: Scope, headers: Headers, host: str, ours: bool
    ) -> tuple[int, str, dict[str, str]] | None:
        """Return why a request that changes something is refused, or None."""
        foreign: tuple[int, str, dict[str, str]]
        foreign = 403, "This request came from another site. Open the page here and try again.", {}
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return foreign
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc.lower() != host.strip().lower():
            return foreign
        given = headers.get("x-csrf-token", "")
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        # A form carries its token inside, and whoever reads the form holds it against the session.
        inside = kind in _FORMS and not given
        if inside or (ours and self._sessions.right_csrf(scope["state"]["cookie"], given)):
            return None
        return 403, "The form's token is missing or too old. Load the page again.", {}


class _Answer:
    """Sends an answer with the safe headers, and the cookie where it is new."""

    def __init__(self, send: Send, fresh: str, settings: Settings) -> None:
        self._send, self._fresh, self._settings = send, fresh, settings
        self.cookie = fresh

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                if name not in headers:
                    headers[name] = value
            if "cache-control" not in headers:
                headers["Cache-Control"] = "no-store"
            if self._fresh and COOKIE not in headers.get("set-cookie", ""):
                headers.append("Set-Cookie", cookie_header(self._fresh))
        await self._send(message)


def cookie_header(value: str) -> str:
    """Return the Set-Cookie header of a session."""
    return f"{COOKIE}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={_WEEK}"


class _Capped:
    """Receives a body up to a cap, and waits for the rest of it so long and no longer."""

    def __init__(self, receive: Receive, cap: int, seconds: float) -> None:
        self._receive, self._cap, self._seconds, self._had = receive, cap, seconds, 0
        self._more = True

    async def __call__(self) -> Message:
        if not self._more:
            return await self._receive()  # this one tells of the client's leaving
        try:
            message = await asyncio.wait_for(self._receive(), self._seconds)
        except TimeoutError as error:
            raise HTTPException(408, "Nothing more came of the request.") from error
        self._more = bool(message.get("more_body"))
        self._had += len(message.get("body", b""))
        if self._had > self._cap:
            if message.get("more_body"):
                await drain(self._receive)
            raise HTTPException(413, f"The request is larger than {self._cap} bytes.")
        return message


async def drain(receive: Receive) -> None:
    """Read on for a little, so that a client that is still sending sees the answer."""
    had = 0
    try:
        async with asyncio.timeout(_DRAIN_SECONDS):
            while had < _DRAIN_BYTES:
                message = await receive()
                had += len(message.get("body", b""))
                if message["type"] != "http.request" or not message.get("more_body"):
                    return
    except TimeoutError:
        return


def _cookie(headers: list[str]) -> str:
    for header in headers[:4]:
        try:
            found: SimpleCookie = SimpleCookie(header[:8192])
        except CookieError:
            continue
        if COOKIE in found:
            return found[COOKIE].value
    return ""


async def _refuse(scope: Scope, send: Send, status: int, words: str, more: dict[str, str]) -> None:
    if scope["path"].startswith("/api/"):
        body, kind = json.dumps({"detail": words}).encode(), "application/json"
    else:
        body, kind = f"{words}\n".encode(), "text/plain; charset=utf-8"
    headers = {"Content-Type": kind, "Content-Length": str(len(body)), "Connection": "close", **more}
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(name.lower().encode(), value.encode("latin-1")) for name, value in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})
