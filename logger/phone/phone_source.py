"""A phone as a source of samples: it serves its page on a thread of its own, and hands on what the phone sends.

The phone may come when the recording runs already, fall asleep, be reloaded, and come back.
"""

from __future__ import annotations

import asyncio
import secrets
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from aiohttp import web

from analysis.model.errors import DeviceError
from logger.live.guard import lan_address, open_doors
from logger.live.server import listen
from logger.phone.batches import Batch
from logger.phone.certificate import OwnCertificate, certificate_for
from logger.phone.phone_reader import PhoneReader, PhoneStanding
from logger.phone.phone_server import PhoneServer, phone_guard, tls_context
from logger.player.calibration_store import settings_folder
from logger.sources.base import Sink, steady_time_s
from logger.sources.clock import DeviceClock
from logger.sources.stream import Arrival, DeviceInfo, Item, LinkChange, Losses

PORT = 8766
"""The same every evening where it is free: a browser remembers its consent for one address and port."""
WATCH_S = 0.5
READY_S = 10.0
NOT_YET = "the phone has not come yet: open its page there and press Start"


@dataclass(frozen=True)
class PhoneOffer:
    """Where the phone finds its page.

    Attributes
    ----------
    address : str
        With the token in its fragment.
    fingerprint : str
        Of the certificate, SHA-256.
    """

    address: str
    fingerprint: str


class PhoneSource:
    """Samples of a phone's motion sensor. Offers what :class:`logger.sources.base.Source` asks for.

    Parameters
    ----------
    address : str or None
        IP address to serve at; None takes this computer's in its network.
    port : int
        0: any that is free.
    folder : Path, optional
        Where the certificate is kept; the program's settings folder if left out.
    host_time_s : callable
        The computer's clock.

    Attributes
    ----------
    offer : PhoneOffer or None
        Once it is started.
    standing : PhoneStanding
    """

    def __init__(
        self,
        address: str | None = None,
        port: int = PORT,
        folder: Path | None = None,
        host_time_s: Callable[[], float] = steady_time_s,
    ) -> None:
        self.name = "phone"
        self.finished = threading.Event()
        self.offer: PhoneOffer | None = None
        self.standing = PhoneStanding(0, None, "")
        self._address, self._port = address, port
        self._folder = folder or settings_folder()
        self._host_time_s = host_time_s
        self._reader = PhoneReader()
        self._sink: Sink = lambda _items: None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Event | None = None
        self._ready = threading.Event()
        self._thread: threading.Thread | None = None
        self._error: BaseException | None = None

    @property
    def losses(self) -> Losses:
        """Losses so far."""
        return self._reader.losses

    @property
    def clock(self) -> DeviceClock:
        """The phone's time against the computer's."""
        return self._reader.clock

    @property
    def arrivals(self) -> Sequence[Arrival]:
        """None: batches are the page's own, not a radio's."""
        return ()

    def start(self, sink: Sink) -> DeviceInfo:
        """See :class:`logger.sources.base.Source`; does not wait for the phone.

        Parameters
        ----------
        sink : Sink

        Returns
        -------
        DeviceInfo

        Raises
        ------
        DeviceError
            This computer has no address in a network, or the page cannot be served there.
        InputError, OutputError
            The certificate cannot be made or kept.
        """
        address = self._address or lan_address()
        if address is None:
            raise DeviceError(
                "this computer has no address in a network, so no phone can reach it",
                next_step="connect both to one network, or import the phone's log afterwards",
            )
        certificate = certificate_for(address, self._folder)
        self._sink = sink
        self._thread = threading.Thread(target=self._run, args=(address, certificate), name="phone", daemon=True)
        self._thread.start()
        served = self._ready.wait(READY_S)
        if self._error is not None or not served:
            self.stop()
            if isinstance(self._error, DeviceError):
                raise self._error
            raise DeviceError(f"the phone's page cannot be served at {address}", next_step="try again") from self._error
        sink([LinkChange(False, self._host_time_s(), NOT_YET)])
        return self._reader.info

    def stop(self) -> None:
        """See :class:`logger.sources.base.Source`."""
        loop, stopping = self._loop, self._stopping
        if loop is not None and stopping is not None and not loop.is_closed():
            loop.call_soon_threadsafe(stopping.set)
        if self._thread is not None and self._thread.is_alive():
            self._thread.join(timeout=5.0)

    def _run(self, address: str, certificate: OwnCertificate) -> None:
        try:
            asyncio.run(self._serve(address, certificate))
        except (OSError, DeviceError) as error:
            self._error = error
        finally:
            self._ready.set()

    async def _serve(self, address: str, certificate: OwnCertificate) -> None:
        self._loop, self._stopping = asyncio.get_running_loop(), asyncio.Event()
        try:
            listening = listen(address, self._port)
        except DeviceError:
            listening = listen(address, 0)
        port = int(listening.getsockname()[1])
        token = secrets.token_urlsafe(24)
        server = PhoneServer(self._take)
        guard = phone_guard(f"{address}:{port}", token, lambda: self.standing.readings == 0)
        runner = web.AppRunner(server.application(guard), access_log=None, shutdown_timeout=1.0)
        await runner.setup()
        try:
            async with open_doors(runner, [listening], tls=tls_context(certificate)):
                self.offer = PhoneOffer(f"https://{address}:{port}/#token={token}", certificate.fingerprint)
                self._ready.set()
                await self._watch(self._stopping)
        finally:
            await runner.cleanup()

    async def _watch(self, stopping: asyncio.Event) -> None:
        """Tell of a phone that fell silent, until all is over."""
        while not stopping.is_set():
            try:
                await asyncio.wait_for(stopping.wait(), WATCH_S)
            except TimeoutError:
                now_s = self._host_time_s()
                self._hand_on(self._reader.silence(now_s))
                self.standing = self._reader.standing(now_s)

    def _take(self, batch: Batch) -> PhoneStanding:
        now_s = self._host_time_s()
        self._hand_on(self._reader.take(batch, now_s))
        self.standing = self._reader.standing(now_s)
        return self.standing

    def _hand_on(self, items: Sequence[Item]) -> None:
        if items:
            self._sink(items)
