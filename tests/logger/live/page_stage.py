"""A stage for the page alone: serves its files and whatever state a test wants to see; keeps what the page sends."""

from __future__ import annotations

import asyncio
import contextlib
import math
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from aiohttp import WSMsgType, web

from analysis.drills.practice_form import SectionBeats
from logger.guide.asked_gestures import angle_check, side_check
from logger.guide.shown import (
    Block,
    Click,
    Coming,
    Gesture,
    GestureLive,
    Key,
    PlanPlace,
    Rating,
    Rest,
    Tab,
)
from logger.guide.view import GESTURE_TITLES, SLIP_KEY, SLIP_WORDS
from logger.live.commands import ClockQuestion, parse_command
from logger.live.guard import REPORT_HEADERS
from logger.live.instrument_shown import qr_svg
from logger.live.protocol import ClockAnswer, Stroke, Strokes, encode
from logger.live.state import ChangeRow, Option, PlanOffer, Report, Sensor, Setup, State, Totals, Verdict
from tests.patience import PATIENCE_S

STATIC = Path(__file__).resolve().parents[3] / "logger" / "live" / "static"
TYPES = {".html": "text/html", ".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
# As strict as the program's own; nothing inline, nothing from elsewhere.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; frame-src 'self'; "
    "base-uri 'none'"
)


class PageStage:
    """The server's side of the page, played by a test."""

    def __init__(self, pace: float = 1.0) -> None:
        self.pace = pace
        self.waited_s = 0.0
        self.report_lines = 0
        self.deaf = False
        self.connections = 0
        self.commands: list[Any] = []
        self.state: State | None = None
        self.port = 0
        self._sockets: set[web.WebSocketResponse] = set()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self._runner: web.AppRunner | None = None
        self.open()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def now_s(self) -> float:
        return self.pace * time.monotonic() - self.waited_s

    def open(self) -> None:
        """Begin to serve, on the same port as before."""
        self._call(self._open())

    def shut(self) -> None:
        """End all connections and serve no longer."""
        self._call(self._shut())

    def close(self) -> None:
        self.shut()
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def show(self, state: State) -> State:
        """Send a state, as the program does: with the time, and a step number that rises."""
        number = self.state.step_number + 1 if self.state else 1
        self.state = replace(state, server_s=self.now_s(), step_number=number)
        self.push(self.state)
        return self.state

    def push(self, message: Any) -> None:
        self._call(self._push(encode(message)))

    def wait_for_command(self, matches: Callable[[Any], bool]) -> Any:
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            for command in self.commands:
                if matches(command):
                    return command
            time.sleep(0.01)
        raise AssertionError(f"the page sent only {self.commands}")

    def _call(self, work: Coroutine[Any, Any, None]) -> None:
        asyncio.run_coroutine_threadsafe(work, self._loop).result(PATIENCE_S)

    async def _open(self) -> None:
        app = web.Application()
        app.add_routes([web.get("/", self._file), web.get("/static/{name}", self._file), web.get("/live", self._live)])
        app.add_routes([web.get("/report", self._report), web.get("/phone.svg", self._phone)])
        self._runner = web.AppRunner(app, shutdown_timeout=0.1)
        await self._runner.setup()
        site = web.TCPSite(self._runner, "127.0.0.1", self.port, reuse_address=True)
        await site.start()
        self.port = self._runner.addresses[0][1]

    async def _shut(self) -> None:
        for socket in list(self._sockets):
            await socket.close()
        if self._runner:
            await self._runner.cleanup()

    async def _push(self, text: str) -> None:
        for socket in list(self._sockets):
            await socket.send_str(text)

    async def _file(self, request: web.Request) -> web.Response:
        path = STATIC / request.match_info.get("name", "index.html")
        if path.parent != STATIC or not path.is_file():
            raise web.HTTPNotFound
        headers = {"Content-Security-Policy": POLICY, "Cache-Control": "no-store"}
        return web.Response(body=path.read_bytes(), content_type=TYPES[path.suffix], charset="utf-8", headers=headers)

    async def _report(self, request: web.Request) -> web.Response:
        script = (STATIC / "report_frame.js").read_text(encoding="utf-8")
        lines = "".join(f"<p>Line {k}</p>" for k in range(self.report_lines))
        page = f"<!DOCTYPE html><title>report</title><h1>The report</h1>{lines}<script>{script}</script>"
        return web.Response(text=page, content_type="text/html", headers=REPORT_HEADERS)

    async def _phone(self, request: web.Request) -> web.Response:
        return web.Response(body=qr_svg("https://192.0.2.7:8766/#token=invented"), content_type="image/svg+xml")

    async def _live(self, request: web.Request) -> web.WebSocketResponse:
        socket = web.WebSocketResponse()
        await socket.prepare(request)
        self._sockets.add(socket)
        self.connections += 1
        if self.state:
            await socket.send_str(encode(self.state))
        async for message in socket:
            if message.type is not WSMsgType.TEXT:
                break
            command = parse_command(message.data)
            if self.deaf:
                continue
            if isinstance(command, ClockQuestion):
                await socket.send_str(encode(ClockAnswer(command.client_ms, self.now_s(), self.pace)))
            else:
                self.commands.append(command)
        self._sockets.discard(socket)
        return socket


@contextlib.contextmanager
def open_stage(pace: float = 1.0) -> Iterator[PageStage]:
    stage = PageStage(pace)
    try:
        yield stage
    finally:
        stage.close()


# How long the server's answers to "what time is it" were under way.
WATCH_TRIPS = """(() => {
  window.trips_ms = [];
  const Plain = window.WebSocket;
  window.WebSocket = class extends Plain { constructor(...given) { super(...given);
    this.addEventListener('message', ({ data }) => { const told = JSON.parse(data);
      if (told.type === 'clock') window.trips_ms.push(performance.now() - told.client_ms); }); } };
})()"""


def unsure_s(page: Any, pace: float) -> float:
    """How far the page cannot know the session's time better, for the time that an answer was under way."""
    return 0.5 * pace * float(page.evaluate("Math.max(0, ...window.trips_ms.slice(-3)) / 1000"))


SETUP = Setup(
    players=(Option("Invented player", "Invented player"), Option("Another", "Another")),
    player="Invented player",
    handed="right",
    instruments=(Option("guitar", "guitar, electric"), Option("mandolin", "mandolin")),
    instrument="guitar",
    instrument_words="six strings, 10.5 mm apart",
    courses_mm=(0.0, 10.5, 21.0, 31.5, 42.0, 52.5),
    spacing_mm=10.5,
    plectrum_depth_mm=2.0,
    dead_band_deg=10.8,
    postures=(Option("A", "A"), Option("B", "B")),
    posture="A",
    wanted=None,
    tempo_bpm=None,
    notes_per_beat=None,
    planned=False,
    truer="no",
)
PLANNED = replace(SETUP, planned=True)
PHONE = Sensor("ok", "phone", "phone", 59.0, "")
NO_PHONE = Sensor(
    "connecting", "phone", "phone", None, "The phone has not come yet: open its page there and press Start."
)
OK = Sensor("ok", "invented-sensor", "invented part", 400.0, "", 83.0)
NEXT, AGAIN = Key("next", "Go on"), Key("again", "Again")
PAUSE, HURT, FINISH = Key("pause", "Pause"), Key("hurt", "Something hurts"), Key("finish", "End the session")


def state(step: Any, title: str, hint: str = "", **more: Any) -> State:
    given = {"keys": (NEXT, HURT, FINISH), "sensor": OK, "setup": SETUP, "totals": Totals(0, 0, 0.0, 0.0)} | more
    return State(1, step, 0, 0.0, title, hint, given.pop("notice", ""), **given)


def block(**more: Any) -> Block:
    values = {
        "number": 3,
        "posture": "low",
        "tempo_bpm": 97.0,
        "notes_per_beat": 4.0,
        "drill": "4:5-7 3:4-7",
        "wanted": "down",
        "target_deg": (10.8, 90.0),
        "note": "",
        "seconds": 30.0,
        "starts_server_s": None,
        "ends_server_s": None,
    }
    return Block(**(values | more))


PLAN = PlanPlace("Two postures", 2, 8, 312.0, "Posture high, 97 BPM, 30 s")


def stroke(number: int, tilt_deg: float, now_s: float) -> Stroke:
    """A straight stroke of 16 mm."""
    along = [(k / 8 - 0.5) * 16 * (1 if number % 2 == 0 else -1) for k in range(9)]
    angle = math.radians(tilt_deg)
    path = tuple((s * math.cos(angle), s * math.sin(angle)) for s in along)
    direction: Any = "down" if number % 2 == 0 else "up"
    inside = 10.8 <= tilt_deg <= 90
    clears = (tilt_deg if direction == "down" else -tilt_deg) > 10.8
    return Stroke(number, direction, now_s - 0.3, now_s - 0.1, tilt_deg, 16.0, 1.0, clears, inside, False, path)


def strokes(tilts_deg: list[float], now_s: float, first: bool = True, outside: int = 0) -> Strokes:
    made = tuple(stroke(k, tilt, now_s) for k, tilt in enumerate(tilts_deg))
    inside = [each.in_target for each in made]
    mean = sum(tilts_deg) / len(tilts_deg)
    return Strokes(3, first, made, (), len(made), mean, mean, 6.7, sum(map(bool, inside)) / len(made), outside, False)


def scenes(now_s: float) -> dict[str, State]:
    """One state for every step, as the program would send it."""
    playing = block(starts_server_s=now_s - 8, ends_server_s=now_s + 22)
    click = Click.of(3, now_s - 0.3, 97.0, SectionBeats(4, 50), 4)
    resting = {"plan": PLAN, "block": block(), "verdict": VERDICT, "rest": Rest("rest", 20.0, now_s + 14, False, 14.0)}
    in_play = {"plan": PLAN, "block": playing, "click": click}
    coming = block(starts_server_s=now_s + 2)
    pivot = gesture("pivot", 5, PIVOT_PROMPT, phase="running", starts_server_s=now_s - 3, ends_server_s=now_s + 6)
    poor = gesture("across", 3, "Mute the strings. Drag the tip across all of them.", phase="poor", last=BAD)
    rock = gesture(
        "rock", 6, "Rest the hand on the instrument.", phase="running", starts_server_s=now_s, ends_server_s=now_s + 5
    )
    down = gesture("still", 5, "Turn it over.", off_hand=True, label="soundboard, face down")
    side, edge = (gesture(made.kind, 6, f"{made.prompt} {made.left_out}", label=made.label) for made in CHECKS)
    still = gesture("still", 1, "Lay the sensor on the table and leave it alone.", off_hand=True)
    even = {"loops": True, "starts": tuple(map(float, range(8))), "cycle_units": 8.0}
    phrase = Tab((4, 4, 3, 3, 2, 2, 3, 3), (5, 7, 4, 7, 5, 7, 4, 7), ("down", "up") * 4, **even)
    twin = Tab((4, 4, 4, 3, 3, 2, 2, 3), (5, 7, 9, 4, 7, 5, 7, 4), ("up", "down") * 4, **even)
    drilled = block(starts_server_s=now_s - 8, ends_server_s=now_s + 1.5, tab=phrase)
    to_play = block(tab=phrase)
    after = block(number=4, posture="high", wanted="up", target_deg=(-90.0, -10.8), tab=twin)
    coming_next = Coming(after, now_s - 0.9, Click.of(4, now_s + 2.1, 97.0, SectionBeats(0, 16, 1), 4))
    drill = {"plan": PLAN, "block": drilled, "click": click, "coming": coming_next}
    switch = drill | {"rest": Rest("switch", 0.6, now_s + 0.6, False, None)}
    return {
        "play_drill": state("play", "Play", keys=(PAUSE, HURT, FINISH), **drill),
        "switch": state("rest", "Posture high, 97 BPM, 4 notes a beat", keys=(PAUSE, AGAIN, HURT, FINISH), **switch),
        "ready_drill": state(
            "ready", "Posture low, 97 BPM, 30 s", "Space starts.", setup=PLANNED, plan=PLAN, block=to_play
        ),
        "no_sensor": state("play", "Posture low, 97 BPM", keys=(PAUSE, HURT), **drill | {"sensor": NO_SENSOR}),
        "connect": state("connect", "Looking for the sensor", "Switch it on.", sensor=replace(OK, status="connecting")),
        "setup": state("setup", "Who plays, and on what?", "Space goes on with what is shown."),
        "setup_phone": state(
            "setup", "Who plays, and on what?", "Space goes on with what is shown.", phone=True, instrument=NO_PHONE
        ),
        "ready_phone": state("ready", "Ready to play", block=block(drill=""), phone=True, instrument=PHONE),
        "setup_planned": state("setup", "Who plays, and on what?", setup=PLANNED),
        "prepare": state("gestures", "Sensor on the table", gesture=still, keys=(NEXT, SKIP, HURT)),
        "rock": state("gestures", "Hand on the instrument, rock both", gesture=rock, keys=(HURT,)),
        "face_down": state("gestures", "Sensor face down", gesture=down, keys=(NEXT, SKIP, HURT)),
        "side_check": state("gestures", GESTURE_TITLES["side check", ""], gesture=side, keys=(NEXT, SKIP, HURT)),
        "angle_check": state("gestures", GESTURE_TITLES["angle check", ""], gesture=edge, keys=(NEXT, SKIP, HURT)),
        "pivot": state("gestures", "Rock the hand over the tip", gesture=pivot, keys=(HURT,)),
        "poor": state("gestures", "Once more, please", BAD.sentence, gesture=poor, keys=(NEXT, SKIP, HURT)),
        "ready": state(
            "ready",
            "Posture low, 97 BPM, 30 s",
            "Space starts.",
            setup=PLANNED,
            plan=PLAN,
            block=block(note="Stay loose."),
        ),
        "free": state("ready", "Ready to play", "Space starts.", keys=FREE, block=block(drill=""), verdict=VERDICT),
        "count_in": state("count_in", "Count-in", plan=PLAN, block=coming, click=click, keys=(PAUSE, HURT)),
        "play": state("play", "Play", keys=(PAUSE, HURT, FINISH), **in_play),
        "rest": state("rest", "Rest", "Shake out the hand.", keys=(NEXT, AGAIN, PAUSE, HURT, FINISH), **resting),
        "rest_long": state(
            "rest", "Rest", "Hands down, shoulders loose.", keys=(NEXT, AGAIN, HURT, FINISH), **resting | LONG
        ),
        "rating": state(
            "rest",
            LONG_QUESTION,
            "Hands down, shoulders loose.",
            keys=(NO_ANSWER, COUNT_UP, RATE, SKIP, HURT, FINISH),
            rating=TENSION,
            **resting | LONG,
        ),
        "hurt": state("hurt", "Stop", HURT_WORDS[0], hurt=HURT_WORDS, keys=(FINISH,)),
        "slip": state(
            "hurt",
            "Stop",
            HURT_WORDS[0],
            hurt=(*HURT_WORDS, SLIP_WORDS.format(value=3)),
            keys=(SLIP_KEY, FINISH),
        ),
        "lost": state("play", "Play", sensor=LOST, keys=(PAUSE, HURT), **in_play),
        "finishing": state("finishing", "Writing the report", "This takes some seconds.", keys=()),
        "done": state("done", "Done for today", "Space opens it.", keys=(CLOSE, SAVE_PLAN), report=REPORT),
    }


def gesture(kind: Any, number: int, prompt: str, **more: Any) -> Gesture:
    values = {
        "off_hand": False,
        "phase": "prepare",
        "starts_server_s": None,
        "ends_server_s": None,
        "last": None,
        "label": "",
    }
    return Gesture(kind, number, 5, posture="low", prompt=prompt, seconds=6.0, **(values | more))


CHECKS = (side_check(), angle_check("20/100"))
FREE = (NEXT, Key("choose", "Choose"), HURT, FINISH)
NO_ANSWER, COUNT_UP = Key("next", "No answer"), Key("again", "Count up")
SKIP, RATE = Key("skip", "No answer"), Key("rate", "0 to 10")
PIVOT_PROMPT = "Keep the tip on one spot. Rock the hand: slow circles, then quick nods and turns."
BAD = GestureLive(
    "across", False, "Longer moves, please: over all strings.", 4.0, 8.0, 0.71, 22.0, 1.1, "too slow", done=True
)
TENSION = Rating("tension", "How tense is the hand?", "0: loose", "10: as tense as can be")
HURT_WORDS = ("Stop playing.", "Pain, numbness or tingling means stop, and see a clinician before you go on.")
NO_SENSOR = Sensor("none", "", "", None, "")
LOST = Sensor("lost", "invented-sensor", "", 400.0, "No samples for two seconds: check the cable or the battery.")
CLOSE, SAVE_PLAN = Key("next", "Close the program"), Key("again", "Save the plan for the next evening")
OFFER = PlanOffer(
    "21 blocks in postures low, high, 22:00 of play, 31:10 altogether (minutes:seconds).",
    (
        "Posture low: of the postures you played last, it has the lowest hold tempo, 104 BPM.",
        "Up to 103 BPM: one rung at most above the 98 that held; the hold tempo is estimated at 102.",
        "16 switches between low and high: from low to high 11 of 16 were made, the fewest. At 94 BPM: as last time.",
    ),
)
CAUTIONS = ("Take regular breaks.", "No medical device.")
REPORT = Report("/report", "evening.mcap", "8 blocks, 1604 strokes.", CAUTIONS, OFFER)
VERDICT = Verdict(
    number=3,
    sentence="The downstroke cleared the strings: 21° of tilt, held in 94 of 100 strokes.",
    more=("Weakest change: string 4 to 3 after an upstroke, cleared 2 of 24 times.",),
    strokes=198,
    strokes_per_s=6.7,
    tilt_mean_deg=21.4,
    tilt_ci95_deg=(19.8, 23.1),
    tilt_side="down",
    held_share=0.94,
    against_hand=False,
    changes=(ChangeRow(3, 4, "down", 23, 1, 0), ChangeRow(4, 3, "up", 2, 22, 1, True)),
)
TOO_SHORT = (
    "Your stroke is tilted enough to the downstroke's side, by 16.6°, but it is too short: only 70 of 100 downstrokes "
    "clear the next string."
)
LONG_QUESTION = "How tense are hand, arm and shoulders?"
ADVICE = (
    "Sure: this holds over the whole 95 % interval of the tilt, 14.9° to 18.4°.",
    "Make the stroke larger: about 20 mm instead of 15 mm, with the same tilt.",
)
LONG = {"verdict": replace(VERDICT, sentence=TOO_SHORT, more=ADVICE, changes=())}
