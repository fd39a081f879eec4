"""The server's doors: what is refused, and that nothing changes by what is refused. A real server, real requests."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path

import aiohttp
import pytest

from logger.live.guard import COOKIE, MOST_CONNECTIONS, MOST_EXCHANGES, open_doors
from logger.live.server import MOST_MISTAKES
from tests.logger.live.running import Running, running, simulated
from tests.patience import PATIENCE_S

ONLINE = 101


def at_set_up(folder: Path, check: Callable[[Running], Awaitable[None]], token: str = "") -> None:
    """Run a session as far as the set-up, then the check."""

    async def scenario() -> None:
        async with running(folder, simulated(), speed=4.0, token=token) as session:
            await check(session)

    asyncio.run(scenario())


async def raw_request(session: Running, text: str) -> str:
    """Send bytes as they are, which no well-behaved client would."""
    host, port = session.base.removeprefix("http://").split(":")
    reader, writer = await asyncio.open_connection(host, int(port))
    writer.write(text.encode())
    answer = await reader.read(100_000)
    writer.close()
    return answer.decode("utf-8", "replace")


async def status_of_socket(session: Running, **headers: str) -> int:
    try:
        async with session.http.ws_connect(f"{session.base}/live", headers=headers):
            return ONLINE
    except aiohttp.WSServerHandshakeError as error:
        return error.status


def test_only_its_own_names_are_answered(tmp_path: Path) -> None:
    """DNS rebinding: a page's own name that points to the loopback comes with another Host."""

    async def check(session: Running) -> None:
        port = session.base.rsplit(":", 1)[1]
        for host in (f"rebound.example:{port}", "127.0.0.1", f"127.0.0.1.example:{port}", f"127.0.0.1:{port}.", ""):
            async with session.http.get(session.base, headers={"Host": host}) as answer:
                assert answer.status in (400, 421), host
                assert "strokeplane" not in await answer.text()
        async with session.http.get(session.base, headers={"Host": f"LOCALHOST:{port}"}) as answer:
            assert answer.status == 200
        twice = await raw_request(session, f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nHost: evil.example\r\n\r\n")
        assert " 200 " not in twice.splitlines()[0]

    at_set_up(tmp_path, check)


def test_a_socket_from_elsewhere_is_refused(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        port = session.base.rsplit(":", 1)[1]
        origins = ("https://evil.example", "null", f"https://127.0.0.1:{port}", f"http://localhost:{port}", "")
        for origin in origins:
            assert await status_of_socket(session, Origin=origin) == 403, origin
        assert await status_of_socket(session) == 403
        assert await status_of_socket(session, Origin=session.base) == ONLINE
        async with session.http.get(session.base, headers={"Origin": "https://evil.example"}) as answer:
            assert answer.status == 403

    at_set_up(tmp_path, check)


def test_no_path_reaches_the_disk(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        port = session.base.rsplit(":", 1)[1]
        tricks = (
            "/../server.py", "/static/../server.py", "/static/%2e%2e/server.py", "/static/..%2fserver.py",
            "/static/....//server.py", "//etc/passwd", "/etc/passwd", "/static//etc/passwd", "/static/index.html/",
            "/static/index.html%00.css", "/static/", "/STATIC/index.html", "/report/../session.mcap", "/session.mcap",
            "/live/", "/static/..\\server.py", "/%2e%2e/%2e%2e/etc/passwd", "/file:///etc/passwd",
        )  # fmt: skip
        for path in tricks:
            answer = await raw_request(
                session, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n"
            )
            status = int(answer.split(" ", 2)[1])
            assert status in (400, 403, 404), (path, answer[:80])
            assert "import" not in answer
            assert "root:" not in answer

    at_set_up(tmp_path, check)


def test_nothing_changes_by_a_request(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        async with session.page() as page:
            await page.step("setup")
            before = session.run.state()
            for path in ("/", "/live", "/next", "/?type=next", "/report", "/static/main.js", "/live?type=finish"):
                async with session.http.get(session.base + path, headers={"Origin": session.base}):
                    pass
            for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS"):
                async with session.http.request(method, session.base + "/", json={"type": "finish"}) as answer:
                    assert answer.status == 405
            after = session.run.state()
            assert (after.step, after.step_number, after.setup) == (before.step, before.step_number, before.setup)

    at_set_up(tmp_path, check)


def test_the_page_comes_with_a_strict_policy(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        async with session.http.get(session.base) as answer:
            policy = dict(part.strip().split(" ", 1) for part in answer.headers["Content-Security-Policy"].split(";"))
            text = await answer.text()
        assert policy["default-src"] == "'none'"
        assert policy["script-src"] == policy["style-src"] == "'self'"
        assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
        assert "unsafe" not in " ".join(policy.values())
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Cache-Control"] == "no-store"
        assert 'src="/static/main.js"' in text
        kinds = {"main.js": "text/javascript", "live.css": "text/css", "icon.svg": "image/svg+xml"}
        for name, kind in kinds.items():
            async with session.http.get(f"{session.base}/static/{name}") as answer:
                assert answer.status == 200
                assert answer.content_type == kind
        async with session.http.get(f"{session.base}/report") as answer:
            assert answer.status == 404, "there is no report yet"

    at_set_up(tmp_path, check)


MALFORMED = (
    "", "{", "[]", "null", "1", '"next"', "{}", '{"type": 1}', '{"type": "shutdown"}', '{"type": "next"}',
    '{"type": "next", "seen": -1}', '{"type": "next", "seen": 1.5}', '{"type": "next", "seen": true}',
    '{"type": "next", "seen": 1e400}', '{"type": "next", "seen": "1"}', '{"type": "next", "seen": 1, "more": 1}',
    '{"type": "rate", "seen": 1}', '{"type": "rate", "seen": 1, "value": 11}',
    '{"type": "rate", "seen": 1, "value": true}',
    '{"type": "choose", "seen": 1, "field": "path", "value": "x"}', '{"type": "choose", "seen": 1, "field": "player"}',
    '{"type": "choose", "seen": 1, "field": "player", "value": "a\\u0000b"}', '{"type": "clock"}',
    '{"type": "clock", "client_ms": NaN}', '{"type": "clock", "client_ms": "1"}', "[" * 500, '{"a":' * 150,
    '{"type": "next", "seen": ' + "9" * 400 + "}", '{"type": "\\ud800"}',
)  # fmt: skip


@pytest.mark.parametrize("first", range(0, len(MALFORMED), MOST_MISTAKES - 1))
def test_malformed_messages_are_refused_with_a_sentence(tmp_path: Path, first: int) -> None:
    async def check(session: Running) -> None:
        async with session.page() as page:
            await page.step("setup")
            number = page.state["step_number"]
            messages = MALFORMED[first : first + MOST_MISTAKES - 1]
            for message in messages:
                await page.say(message)
            async with asyncio.timeout(PATIENCE_S):
                while len(page.of("refused")) < len(messages):
                    await page.news()
            assert all(refused["sentence"] for refused in page.of("refused"))
            await page.say({"type": "clock", "client_ms": 7.5})
            async with asyncio.timeout(PATIENCE_S):
                while not page.of("clock"):
                    await page.news()
            assert page.of("clock")[0]["client_ms"] == 7.5
            assert page.state["step_number"] == number

    at_set_up(tmp_path, check)


async def closed_with(session: Running, messages: list[str | bytes]) -> int | None:
    async with session.page() as page:
        for message in messages:
            if isinstance(message, bytes):
                await page.socket.send_bytes(message)
            else:
                await page.socket.send_str(message)
        async with asyncio.timeout(PATIENCE_S):
            while page.closed is None:
                page._news.clear()
                await page._news.wait()
        return page.closed


def test_a_page_that_misbehaves_is_let_go(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        big = json.dumps({"type": "choose", "seen": 1, "field": "player", "value": "x" * 2000})
        assert await closed_with(session, [big]) == 1009, "too big"
        assert await closed_with(session, [b"\x00\x01"]) == 1003, "not text"
        assert await closed_with(session, ["{"] * (MOST_MISTAKES + 1)) == 1008, "many mistakes"
        flood: list[str | bytes] = ['{"type": "clock", "client_ms": 1}'] * 200
        assert await closed_with(session, flood) == 1008, "a flood"
        async with session.page() as page:
            await page.step("setup")  # Others are served as before.

    at_set_up(tmp_path, check)


def test_only_so_many_pages(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        sockets = [
            await session.http.ws_connect(f"{session.base}/live", headers={"Origin": session.base}) for _ in range(8)
        ]
        assert await status_of_socket(session, Origin=session.base) == 503
        await sockets[0].close()
        async with asyncio.timeout(PATIENCE_S):
            while await status_of_socket(session, Origin=session.base) != ONLINE:
                await asyncio.sleep(0.05)

    at_set_up(tmp_path, check)


def test_with_a_token_nothing_is_told_without_it(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        http, base = session.http, session.base
        own = {"Origin": base}
        for path in ("/report", "/report?token=0123", "/live"):
            async with http.get(base + path, headers=own) as answer:
                assert answer.status == 403, path
        assert await status_of_socket(session, **own) == 403
        for cookie in ("wrong", "0123"):
            assert await status_of_socket(session, **own, Cookie=f"{COOKIE}={cookie}") == 403
        async with http.get(base) as answer:  # The page itself holds nothing secret: it must be there to hand in.
            assert answer.status == 200
        for body, headers, status in (
            (b"wrong", own, 403),
            (b"", own, 403),
            (b"0123", {}, 405),
            (b"0123", {"Origin": "https://evil.example"}, 403),
        ):
            async with http.post(f"{base}/token", data=body, headers=headers) as answer:
                assert answer.status == status
                assert "Set-Cookie" not in answer.headers
        async with http.post(f"{base}/token", data=b"0123", headers=own) as answer:
            assert answer.status == 204
            cookie = answer.headers["Set-Cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=Strict" in cookie
        assert "0123" not in cookie
        held = {"Cookie": cookie.partition(";")[0]}
        async with http.get(f"{base}/report", headers=held) as answer:
            assert answer.status == 404  # There is none yet.
        assert await status_of_socket(session, **own, **held) == ONLINE
        assert await status_of_socket(session, Origin="https://evil.example", **held) == 403

    at_set_up(tmp_path, check, token="0123")


def test_a_token_cannot_be_tried_for_ever(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        for k in range(MOST_EXCHANGES + 1):
            async with session.http.post(
                f"{session.base}/token", data=f"{k}".encode(), headers={"Origin": session.base}
            ) as answer:
                assert answer.status == (403 if k < MOST_EXCHANGES else 429)

    at_set_up(tmp_path, check, token="0123")


def test_silent_and_half_sent_connections_are_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(open_doors.__wrapped__, "__defaults__", (0.5, None))  # type: ignore[attr-defined]

    async def check(session: Running) -> None:
        port = int(session.base.rsplit(":", 1)[1])
        for text in (b"", b"GET / HTTP/1.1\r\nHost: 127", b"\x16\x03\x01"):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(text)
            async with asyncio.timeout(PATIENCE_S):
                await reader.read()
            writer.close()
        socket = await session.http.ws_connect(f"{session.base}/live", headers={"Origin": session.base})
        await asyncio.sleep(1.0)
        assert not socket.closed  # A page that is online stays.
        await socket.close()

    at_set_up(tmp_path, check)


async def answers(session: Running) -> bool:
    try:
        async with session.http.get(session.base) as answer:
            return answer.status == 200
    except aiohttp.ClientConnectionError:
        return False


def test_so_many_connections_and_no_more(tmp_path: Path) -> None:
    async def check(session: Running) -> None:
        port = int(session.base.rsplit(":", 1)[1])
        held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(MOST_CONNECTIONS)]
        await asyncio.sleep(0.2)
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        async with asyncio.timeout(PATIENCE_S):
            assert await reader.read() == b""
        writer.close()
        for _, each in held:
            each.close()
        async with asyncio.timeout(PATIENCE_S):
            while not await answers(session):
                await asyncio.sleep(0.05)

    at_set_up(tmp_path, check)


@pytest.mark.skipif(sys.platform == "win32", reason="no limit of descriptors there")
def test_a_full_table_of_descriptors_is_survived_without_tracebacks(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    import resource

    async def check(session: Running) -> None:
        port = int(session.base.rsplit(":", 1)[1])
        async with session.http.get(session.base) as answer:  # The server is up before the table is full.
            assert answer.status == 200
        await asyncio.sleep(0.5)
        soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
        waiting = [socket.socket() for _ in range(3)]
        highest = max(each.fileno() for each in waiting)
        resource.setrlimit(resource.RLIMIT_NOFILE, (highest + 1, hard))
        held = []
        try:
            with contextlib.suppress(OSError):
                while True:
                    held.append(os.open(os.devnull, os.O_RDONLY))
            for each in waiting:
                each.setblocking(False)
                await asyncio.get_running_loop().sock_connect(each, ("127.0.0.1", port))
            await asyncio.sleep(0.3)
        finally:
            for descriptor in held:
                os.close(descriptor)
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
            for each in waiting:
                each.close()
        await asyncio.sleep(1.2)
        async with session.http.get(session.base) as answer:
            assert answer.status == 200

    at_set_up(tmp_path, check)
    assert "Traceback" not in caplog.text
    assert "out of system resource" not in caplog.text
