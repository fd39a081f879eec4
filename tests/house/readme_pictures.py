"""Takes the README's two pictures from a shipped session, in a headless browser: ``make pictures``.

Beside the pictures stands a hash of what they show and of the code that draws them; a test compares it.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

from analysis.findings.arbiter import weigh_session
from analysis.model.records import SessionResult
from analysis.stroke.mean_paths import paths_from_contact
from logger.live.protocol import Stroke, Strokes
from logger.many.analyse import analyse_file
from logger.report.session_page import write_report
from tests.browser import open_chromium, open_page, wait_until
from tests.logger.live.page_stage import PLANNED, open_stage, scenes

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_logs" / "steady_and_tilted.mcap"
PICTURES = ROOT / "docs" / "pictures"
REPORT, LIVE = PICTURES / "report.png", PICTURES / "live.png"
HASH = PICTURES / "made_from.json"
DRAWN_BY = (
    "analysis/report/verdict.py",
    "logger/report/session_page.py",
    "logger/report/report_parts.py",
    "logger/data/report.css",
    "logger/live/static/end_view.js",
    "logger/live/static/index.html",
    "logger/live/static/live.css",
    "logger/live/static/play_figures.js",
    "logger/live/static/words.js",
    "tests/house/readme_pictures.py",
)
SHOWN_STROKES = 24


def made_from() -> dict[str, str]:
    """SHA-256 of the session and of every file that draws the pictures, by name."""
    paths = [SAMPLE, *(ROOT / name for name in DRAWN_BY)]
    return {str(path.relative_to(ROOT)): hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def take_pictures() -> None:
    """Write both pictures and the hashes."""
    PICTURES.mkdir(exist_ok=True)
    result = analyse_file(SAMPLE).result
    with open_chromium() as browser, tempfile.TemporaryDirectory() as folder:
        page_file = Path(folder) / "report.html"
        write_report(weigh_session(result), page_file)
        with open_page(browser, viewport={"width": 1000, "height": 760}, color_scheme="light") as (page, _):
            page.goto(page_file.as_uri())
            page.wait_for_timeout(3000)
            page.screenshot(path=REPORT)
        _take_live(browser, result)
    HASH.write_text(json.dumps(made_from(), indent=1) + "\n", encoding="utf-8")


def _take_live(browser: Any, result: SessionResult) -> None:
    """The live page in the middle of the session's first block; its strokes are the analysis's."""
    instrument = result.instrument
    edge = round(instrument.dead_band_deg, 1)
    setup = replace(
        PLANNED,
        spacing_mm=instrument.mean_spacing_mm,
        plectrum_depth_mm=instrument.plectrum_depth_mm,
        dead_band_deg=edge,
    )
    with open_stage() as stage, open_page(browser, viewport={"width": 1000, "height": 720}) as (page, _):
        scene = scenes(stage.now_s())["play"]
        assert scene.block
        summary = result.blocks[0]
        block = replace(
            scene.block,
            posture=summary.posture,
            tempo_bpm=summary.tempo_bpm,
            notes_per_beat=summary.notes_per_beat,
            wanted="down",
            target_deg=(edge, 90.0),
        )
        stage.show(replace(scene, setup=setup, block=block))
        page.goto(stage.url)
        wait_until(page, "document.documentElement.dataset.ready === 'yes'")
        # A touch lets the page sound; until then it says so in a line of its own.
        page.mouse.click(500, 4)
        stage.push(_strokes(result, edge, stage.now_s()))
        page.wait_for_timeout(1200)
        page.screenshot(path=LIVE)


def _strokes(result: SessionResult, edge_deg: float, now_s: float) -> Strokes:
    """The first strokes of the session's first block, as the program sends them to the page."""
    first = result.strokes[result.strokes["block"] == result.blocks[0].index].head(SHOWN_STROKES)
    paths = paths_from_contact(result, first.index.to_numpy())
    made = []
    for number, (row, path) in enumerate(zip(first.to_dict("records"), paths, strict=True)):
        nine = path[:: max(1, (len(path) - 1) // 8)][:9]
        nine = nine - nine.mean(axis=0)
        tilt = float(row["tilt_deg"])
        made.append(
            Stroke(
                id=number,
                direction=row["direction"],
                start_server_s=now_s - 0.2,
                end_server_s=now_s - 0.1,
                tilt_deg=tilt,
                span_mm=float(row["span_mm"]),
                lift_mm=float(row["lift_mm"]),
                clears=bool(row["clears"]),
                in_target=edge_deg <= tilt <= 90.0,
                provisional=False,
                path_mm=tuple((float(y), float(z)) for y, z in nine),
            )
        )
    tilts = [stroke.tilt_deg for stroke in made]
    held = sum(bool(stroke.in_target) for stroke in made) / len(made)
    speed = result.blocks[0].strokes_per_s or 0.0
    return Strokes(
        3, True, tuple(made), (), len(made), sum(tilts[-8:]) / 8, sum(tilts) / len(tilts), speed, held, 0, False
    )


if __name__ == "__main__":
    take_pictures()
