"""The phone's doors over TLS: the certificate as others judge it, what a phone may do, and who pretends to be one."""

from __future__ import annotations

import asyncio
import datetime
import json
import shutil
import ssl
import subprocess
import sys
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path

import aiohttp
import pytest

from logger.live.guard import COOKIE
from logger.phone import phone_server
from logger.phone.batches import BATCHES_AT_ONCE, MOST_BATCH_BYTES, Allowance
from logger.phone.certificate import certificate_for
from logger.phone.phone_source import PhoneSource
from logger.sources.stream import Item, LinkChange
from tests.optional import need_module, need_program

ADDRESS = "127.0.0.1"
BATCH = {"page": "abcd1234", "first": 0, "sent_ms": 1000.0, "readings": [[900.0, 0.0, 0.0, 9.8, 0.0, 0.0, 0.0]] * 20}


@pytest.fixture(autouse=True)
def _extra() -> None:
    need_module("cryptography", "the extra phone")


# --- certificate


def test_a_certificate_names_the_address_and_is_kept(tmp_path: Path) -> None:
    made = certificate_for(ADDRESS, tmp_path)
    kept = certificate_for(ADDRESS, tmp_path)
    assert made.made
    assert not kept.made
    assert kept.fingerprint == made.fingerprint
    assert certificate_for("192.0.2.7", tmp_path).fingerprint != made.fingerprint
    # Judged by another program: names, use, and that it vouches for nobody else.
    openssl = need_program("openssl")
    shown = subprocess.run(
        [openssl, "x509", "-in", made.certificate, "-noout", "-text", "-fingerprint", "-sha256"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    for words in ("IP Address:127.0.0.1", "CA:FALSE", "TLS Web Server Authentication", "prime256v1", made.fingerprint):
        assert words in shown
    verified = subprocess.run(
        [openssl, "verify", "-CAfile", made.certificate, "-purpose", "sslserver",
         "-verify_ip", ADDRESS, made.certificate],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert verified.returncode == 0, verified.stderr
    other = subprocess.run(
        [openssl, "verify", "-CAfile", made.certificate, "-verify_ip", "127.0.0.2", made.certificate],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert other.returncode != 0


@pytest.mark.skipif(sys.platform == "win32", reason="permissions of another kind")
def test_the_key_is_its_owner_s_alone(tmp_path: Path) -> None:
    made = certificate_for(ADDRESS, tmp_path)
    assert made.key.stat().st_mode & 0o777 == 0o600
    assert made.key.parent.stat().st_mode & 0o777 == 0o700
    made.key.chmod(0o644)
    assert certificate_for(ADDRESS, tmp_path).made, "others could have read the key"
    assert made.key.stat().st_mode & 0o777 == 0o600


def test_what_is_old_damaged_or_another_s_is_made_anew(tmp_path: Path) -> None:
    now = datetime.datetime.now(datetime.UTC)
    made = certificate_for(ADDRESS, tmp_path, now)
    assert not certificate_for(ADDRESS, tmp_path, now + datetime.timedelta(days=360)).made
    assert certificate_for(ADDRESS, tmp_path, now + datetime.timedelta(days=380)).made
    assert certificate_for(ADDRESS, tmp_path, now).made, "one from the future"
    made.certificate.write_bytes(made.certificate.read_bytes()[:-80])
    assert certificate_for(ADDRESS, tmp_path, now).made
    other = certificate_for("192.0.2.7", tmp_path, now)
    shutil.copy(other.certificate, made.certificate)
    assert certificate_for(ADDRESS, tmp_path, now).made, "another address's certificate, and not this key's"


# --- doors


class Door:
    """A phone's page that is served, and somebody who knocks."""

    def __init__(self, source: PhoneSource, folder: Path) -> None:
        assert source.offer is not None
        self.base, self.token = source.offer.address.split("/#token=")
        self.source = source
        self.context = ssl.create_default_context(cafile=str(certificate_for(ADDRESS, folder).certificate))
        jar = aiohttp.CookieJar(unsafe=True)  # an address is no name
        self.http = aiohttp.ClientSession(connector=aiohttp.TCPConnector(ssl=self.context), cookie_jar=jar)

    async def post(self, path: str, body: object, **headers: str) -> tuple[int, str]:
        data = body if isinstance(body, str | bytes) else json.dumps(body)
        sent = {"Origin": self.base, **headers}
        async with self.http.post(self.base + path, data=data, headers=sent) as answer:
            return answer.status, await answer.text()


def at_the_door(folder: Path, check: Callable[[Door], Awaitable[None]]) -> list[Item]:
    taken: list[Item] = []
    source = PhoneSource(ADDRESS, 0, folder)
    source.start(taken.extend)

    async def scenario() -> None:
        door = Door(source, folder)
        try:
            await check(door)
        finally:
            await door.http.close()
            await asyncio.sleep(0.25)  # The client's TLS ends in its own time, as its documentation says.

    try:
        asyncio.run(scenario())
    finally:
        source.stop()
    return taken


def test_a_phone_comes_in_once_and_sends(tmp_path: Path) -> None:
    async def check(door: Door) -> None:
        assert (await door.post("/readings", BATCH))[0] == 403
        assert (await door.post("/token", "wrong"))[0] == 403
        assert (await door.post("/token", door.token))[0] == 204
        (cookie,) = (cookie for cookie in door.http.cookie_jar if cookie.key == COOKIE)
        assert (cookie["secure"], cookie["httponly"], cookie["samesite"]) == (True, True, "Strict")
        status, answer = await door.post("/readings", BATCH)
        assert (status, json.loads(answer)["taken"]) == (200, 20)
        door.http.cookie_jar.clear()
        assert (await door.post("/token", door.token))[0] == 429, "the token serves one phone"

    items = at_the_door(tmp_path, check)
    assert [item.up for item in items if isinstance(item, LinkChange)] == [False, True]


def test_a_phone_may_do_nothing_else(tmp_path: Path) -> None:
    async def check(door: Door) -> None:
        assert (await door.post("/token", door.token))[0] == 204
        for path in ("/live", "/report", "/static/main.js", "/static/../phone_source.py", "/readings"):
            async with door.http.get(door.base + path) as answer:
                assert answer.status == 404, path
        for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
            async with door.http.request(method, door.base + "/readings", data="{}") as answer:
                assert answer.status == 405
        assert (await door.post("/", "{}"))[0] == 405
        assert (await door.post("/readings", BATCH, Origin="https://evil.example"))[0] == 403
        assert (await door.post("/readings", BATCH, Origin=door.base.replace("https", "http")))[0] == 403
        assert (await door.post("/readings", BATCH, Host="evil.example"))[0] == 421

    at_the_door(tmp_path, check)


def test_only_the_phone_s_page_may_ask_for_motion(tmp_path: Path) -> None:
    async def check(door: Door) -> None:
        async with door.http.get(door.base + "/") as answer:
            policy = answer.headers["Permissions-Policy"]
            assert "accelerometer=(self)" in policy
            assert "gyroscope=(self)" in policy
            assert "camera=()" in policy
            assert "unsafe" not in answer.headers["Content-Security-Policy"]
            assert "script-src 'self'" in answer.headers["Content-Security-Policy"]

    at_the_door(tmp_path, check)
    from logger.live.guard import COMMON_HEADERS

    assert "accelerometer=()" in COMMON_HEADERS["Permissions-Policy"]
    assert "gyroscope=()" in COMMON_HEADERS["Permissions-Policy"]


def test_size_and_rate_are_limited(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now_s = [0.0]  # However long it takes to send them, they are sent at once.
    monkeypatch.setattr(phone_server, "Allowance", partial(Allowance, clock_s=lambda: now_s[0]))

    async def check(door: Door) -> None:
        await door.post("/token", door.token)
        assert (await door.post("/readings", b"x" * (MOST_BATCH_BYTES + 1)))[0] == 413
        assert (await door.post("/readings", {**BATCH, "readings": BATCH["readings"] * 26}))[0] == 400  # type: ignore[operator]
        statuses = [(await door.post("/readings", BATCH))[0] for _ in range(int(BATCHES_AT_ONCE) + 20)]
        taken = int(BATCHES_AT_ONCE) - 2  # Two were refused for what they are, and counted all the same.
        assert statuses == [200] * taken + [429] * (len(statuses) - taken)
        now_s[0] += 1.0
        assert (await door.post("/readings", BATCH))[0] == 200, "a phone that slows down comes in again"

    at_the_door(tmp_path, check)


def test_plain_http_and_another_address_get_nothing(tmp_path: Path) -> None:
    async def check(door: Door) -> None:
        with pytest.raises(aiohttp.ClientError):
            async with door.http.get(door.base.replace("https", "http") + "/"):
                pass
        with pytest.raises(aiohttp.ClientConnectorCertificateError):
            async with door.http.get(door.base.replace(ADDRESS, "localhost") + "/"):
                pass

    at_the_door(tmp_path, check)
