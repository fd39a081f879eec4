"""The server: a fixed table of files, one WebSocket, and pages that may come and go as they like."""

from __future__ import annotations

import asyncio
import contextlib
import mimetypes
import socket
import sys
import time
from collections.abc import Sequence
from functools import partial
from importlib import resources
from pathlib import Path

from aiohttp import WSCloseCode, WSMsgType, web

from analysis.model.errors import DeviceError, InputError, StrokeplaneError
from logger.live.commands import MAX_COMMAND_BYTES, ClockQuestion, parse_command
from logger.live.guard import REPORT_HEADERS, TOKEN_PATH, Guard, came_from_page, open_doors
from logger.live.instrument_shown import qr_svg
from logger.live.protocol import ClockAnswer, Refused, ServerMessage, encode
from logger.live.sensor_link import off_loop
from logger.live.session_run import SessionRun
from logger.sound.page_microphone import MOST_PIECE_BYTES, Take

MOST_PAGES = 8
QUEUE_MESSAGES = 256
COMMANDS_PER_S = 20.0
COMMANDS_AT_ONCE = 40.0
MOST_MISTAKES = 10
HEARTBEAT_S = 15.0
PHONE_PATH = "/phone.svg"
TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


class Page:
    """One open page: a bounded queue of messages to it, and how much it may still send."""

    def __init__(self, channel: web.WebSocketResponse) -> None:
        self.channel = channel
        self.queue: asyncio.Queue[str] = asyncio.Queue(QUEUE_MESSAGES)
        self.mistakes = 0
        self._left = COMMANDS_AT_ONCE
        self._at_s = time.monotonic()

    def allows(self) -> bool:
        """Whether one command more is within bounds."""
        now_s = time.monotonic()
        self._left = min(COMMANDS_AT_ONCE, self._left + (now_s - self._at_s) * COMMANDS_PER_S)
        self._at_s = now_s
        self._left -= 1.0
        return self._left >= 0.0

    async def write(self) -> None:
        """Send what waits, one after the other."""
        while True:
            await self.channel.send_str(await self.queue.get())


class Pages:
    """All open pages."""

    def __init__(self) -> None:
        self.open: set[Page] = set()
        self._closing: set[asyncio.Task[bool]] = set()

    def publish(self, message: ServerMessage) -> None:
        """Send to every page. One that is too slow is let go: it comes back and gets the state anew.

        Parameters
        ----------
        message : ServerMessage
        """
        if not self.open:
            return
        text = encode(message)
        for page in list(self.open):
            self.send(page, text)

    def send(self, page: Page, text: str) -> None:
        """Send to one page.

        Parameters
        ----------
        page : Page
        text : str
        """
        try:
            page.queue.put_nowait(text)
        except asyncio.QueueFull:
            self.open.discard(page)
            closing = asyncio.create_task(page.channel.close(code=WSCloseCode.TRY_AGAIN_LATER, message=b"too slow"))
            self._closing.add(closing)
            closing.add_done_callback(self._closing.discard)


class LiveServer:
    """Answer requests; see :mod:`logger.live.protocol` for what there is.

    Parameters
    ----------
    pages : Pages
    run : SessionRun
    """

    def __init__(self, pages: Pages, run: SessionRun) -> None:
        self._pages = pages
        self._run = run
        self._files = load_static()
        # By it the page turns the report's pages; the file on the disk is as it was written.
        self._frame_script = self._files["/static/report_frame.js"][1].decode()

    def application(self, guard: Guard) -> web.Application:
        """The aiohttp application."""
        application = web.Application(middlewares=[guard.middleware()], client_max_size=MAX_COMMAND_BYTES)
        application.router.add_post(TOKEN_PATH, guard.exchange)
        application.router.add_get("/live", self._talk)
        application.router.add_get("/microphone", self._hear)
        application.router.add_get("/report", self._report)
        application.router.add_get(PHONE_PATH, self._phone)
        application.router.add_get("/{path:.*}", self._file)
        return application

    async def _file(self, request: web.Request) -> web.StreamResponse:
        found = self._files.get(request.path)
        if found is None:
            return web.Response(status=404, text="There is no such page.\n")
        content_type, content = found
        return web.Response(body=content, content_type=content_type, charset="utf-8")

    async def _phone(self, _: web.Request) -> web.StreamResponse:
        address = self._run.phone_address
        if not address:
            return web.Response(status=404, text="No phone is waited for.\n")
        return web.Response(body=qr_svg(address), content_type="image/svg+xml")

    async def _report(self, _: web.Request) -> web.StreamResponse:
        report = self._run.report
        if report is None:
            return web.Response(status=404, text="There is no report yet.\n")
        text = await asyncio.get_running_loop().run_in_executor(None, _read, report)
        if text is None:
            return web.Response(status=404, text=f"The report {report.name} is no longer where it was written.\n")
        text += f"<script>\n{self._frame_script}</script>\n"
        return web.Response(text=text, content_type="text/html", headers=REPORT_HEADERS)

    async def _talk(self, request: web.Request) -> web.StreamResponse:
        if not came_from_page(request):
            return web.Response(status=403, text="Only a page of this server may open this connection.\n")
        if len(self._pages.open) >= MOST_PAGES:
            return web.Response(status=503, text="Too many pages are open; close one.\n")
        channel = web.WebSocketResponse(max_msg_size=MAX_COMMAND_BYTES, heartbeat=HEARTBEAT_S, compress=False)
        await channel.prepare(request)
        page = Page(channel)
        self._pages.open.add(page)
        self._greet(page)
        writing = asyncio.create_task(page.write())
        try:
            await self._listen(page)
        finally:
            self._pages.open.discard(page)
            writing.cancel()
            with contextlib.suppress(asyncio.CancelledError, ConnectionError):
                await writing
        return channel

    async def _hear(self, request: web.Request) -> web.StreamResponse:
        """A page's microphone; the answer is that the channel stays open."""
        if not came_from_page(request):
            return web.Response(status=403, text="Only a page of this server may open this connection.\n")
        channel = web.WebSocketResponse(max_msg_size=MOST_PIECE_BYTES, heartbeat=HEARTBEAT_S, compress=False)
        await channel.prepare(request)
        take: Take | None = None
        words = "The page with the microphone was left."
        try:
            async for message in channel:
                if message.type is WSMsgType.TEXT and take is None:
                    take = self._run.take_microphone(message.data)
                elif message.type is WSMsgType.TEXT:
                    words = ""  # The page's last word: it was turned off there.
                    break
                elif message.type is WSMsgType.BINARY and take is not None:
                    await off_loop(partial(take.add, message.data))
        except (StrokeplaneError, OSError) as error:
            words = str(error)
            if take is None:
                await channel.send_str(words)
        finally:
            if take is not None:
                await off_loop(partial(self._run.microphone.end, take, words))
            await channel.close()
        return channel

    def _greet(self, page: Page) -> None:
        self._pages.send(page, encode(self._run.state()))
        recent = self._run.recent
        if recent is not None:
            self._pages.send(page, encode(recent))

    async def _listen(self, page: Page) -> None:
        async for message in page.channel:
            if message.type is not WSMsgType.TEXT:
                await page.channel.close(code=WSCloseCode.UNSUPPORTED_DATA, message=b"text only")
                return
            if not page.allows() or page.mistakes >= MOST_MISTAKES:
                await page.channel.close(code=WSCloseCode.POLICY_VIOLATION, message=b"too many commands")
                return
            answer = self._follow(page, message.data)
            if answer is not None:
                self._pages.send(page, encode(answer))

    def _follow(self, page: Page, text: str) -> ServerMessage | None:
        try:
            command = parse_command(text)
        except InputError as error:
            page.mistakes += 1
            return Refused(str(error))
        if isinstance(command, ClockQuestion):
            pace = self._run.pace
            return ClockAnswer(command.client_ms, pace.now_s(), pace.speed)
        return self._run.press(command)


def load_static() -> dict[str, tuple[str, bytes]]:
    """Every file that is served, by its path: type and content, read once; no request reaches the disk."""
    folder = resources.files("logger.live") / "static"
    files = {}
    for entry in folder.iterdir():
        if entry.is_file():
            suffix = Path(entry.name).suffix
            content_type = TYPES.get(suffix) or mimetypes.guess_type(entry.name)[0] or "application/octet-stream"
            files[f"/static/{entry.name}"] = (content_type, entry.read_bytes())
    if "/static/index.html" in files:
        files["/"] = files["/static/index.html"]
    return files


def _read(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8")
    except OSError:
        return None


async def run_session(run: SessionRun, pages: Pages, guard: Guard, listening: Sequence[socket.socket]) -> None:
    """Serve pages on sockets that listen already, and run the session, until the player closes it.

    Parameters
    ----------
    run : SessionRun
    pages : Pages
        Where the session publishes.
    guard : Guard
    listening : sequence of socket
    """
    runner = web.AppRunner(LiveServer(pages, run).application(guard), access_log=None, shutdown_timeout=1.0)
    await runner.setup()
    try:
        async with open_doors(runner, listening):
            await run.run()
    finally:
        for page in list(pages.open):
            await page.channel.close(code=WSCloseCode.GOING_AWAY, message=b"the session is over")
        await runner.cleanup()


def listen(address: str, port: int) -> socket.socket:
    """Open a socket that listens; port 0 takes any that is free.

    Parameters
    ----------
    address : str
        Of the network interface.
    port : int

    Returns
    -------
    socket.socket
        Not blocking.

    Raises
    ------
    DeviceError
        If the port is taken.
    """
    opened = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if sys.platform != "win32":  # There it would let two programs share a port.
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((address, port))
        opened.listen()
    except OSError as error:
        opened.close()
        raise DeviceError(
            f"port {port} of {address} cannot be used ({error.strerror})",
            next_step="choose another with --port",
        ) from error
    opened.setblocking(False)
    return opened
