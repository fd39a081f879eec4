"""An export without names: whatever was typed of a player's name stands in no file and in no file's name."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner, Result

from analysis.model.records import Event, Player
from analysis.model.session_parts import Attachment
from analysis.questions.progress import follow_progress
from logger.cli import cli
from logger.exchange.without_names import summaries_without_names
from logger.many.session_cache import FolderSummaries
from logger.report.answer_output import plain, render_text
from logger.report.progress_page import progress_page
from logger.session.session_file import read_session, write_session
from tests.analysis.questions.test_progress import GROUP, SESSION
from tests.logger.exchange.make import with_gaps

NAME, WORDS = "Quibba Zorn", ("quibba", "zorn")
"""Invented, and part of no other word."""


def session_files(folder: Path) -> list[Path]:
    """Two evenings of one pupil whose name stands wherever a pupil might type it, and one of another."""
    made = with_gaps(player=NAME)
    sound = Attachment("sound", "quibba-1.flac", hashlib.sha256(b"noise").hexdigest(), 5)
    (folder / "quibba-1.flac").write_bytes(b"noise")
    events = (
        *made.events[:1],
        Event(4.0, 6.1, "play", "Quibba's second try", "ZORN low", 100.0, 4.0, "Quibba Zorn's tune", None, "up"),
        Event(7.0, 7.0, "rating", "discomfort", rating=0.0),
    )
    first = replace(
        made,
        events=events,
        instrument=replace(made.instrument, name="Zorn's mandolin"),
        warnings=("lessons/quibba-1.csv: line 3 was left out",),
        metadata={
            "imported_from": "quibba-1.csv", "column_map": "zorn.map.toml", "synthetic": "true",
            "drill.Quibba Zorn's tune": "5s6 7",
        },
        attachments=(sound,),
    )  # fmt: skip
    sessions = {"quibba-1": first, "quibba-2": with_gaps(seed=1, player=NAME), "x": with_gaps(seed=2, player="Blenda")}
    for name, session in sessions.items():
        write_session(folder / f"{name}.mcap", session)
    return [folder / f"{name}.mcap" for name in sessions]


def export(paths: list[Path], kind: str, output: Path, *more: str) -> Result:
    arguments = ["export", *map(str, paths), "--to", kind, "-o", str(output), "--no-strokes", *more]
    return CliRunner().invoke(cli, arguments, catch_exceptions=False)


def texts(folder: Path) -> dict[str, str]:
    """Everything that can be read in a folder, by the file's path; Parquet by another reader than ours."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if path.suffix == ".parquet":
            table = pq.read_table(path)
            said = {key.decode(): value.decode() for key, value in (table.schema.metadata or {}).items()}
            words = [column.to_pylist() for column in table.columns if str(column.type) == "string"]
            found[name] = json.dumps([said, words], ensure_ascii=False)
        elif path.is_file():
            found[name] = path.read_text(encoding="utf-8")
    return found


@pytest.mark.parametrize("kind", ["csv", "parquet", "bids"])
def test_no_word_of_a_name_is_in_any_file_or_file_name(tmp_path: Path, kind: str) -> None:
    paths = session_files(tmp_path)
    plain = tmp_path / "plain"
    assert export(paths, kind, plain, *(() if kind != "bids" else ("--participant", "Blenda=b"))).exit_code == 0
    assert any(word in text.lower() for text in texts(plain).values() for word in WORDS), "the check could not fail"
    output = tmp_path / "out"
    assert export(paths, kind, output, "--without-names").exit_code == 0
    found = texts(output)
    for name, text in found.items():
        assert not [word for word in (*WORDS, "blenda") if word in f"{name} {text}".lower()], name
    assert not list(output.rglob("*.flac"))
    joined = " ".join([*found, *found.values()])
    assert "p01" in joined
    assert "p02" in joined


def test_sessions_of_one_player_keep_one_label_and_the_marks_stay(tmp_path: Path) -> None:
    paths = session_files(tmp_path)
    assert export(paths, "parquet", tmp_path / "out", "--without-names", "--participant", "Blenda=x9").exit_code == 0
    files = sorted(path.name for path in (tmp_path / "out").glob("*.signals.parquet"))
    assert files == ["p01-01.signals.parquet", "p01-02.signals.parquet", "x9-01.signals.parquet"]
    back = []
    for name in files:
        arguments = ["import", str(tmp_path / "out" / name), "-o", str(tmp_path / f"{name}.mcap")]
        assert CliRunner().invoke(cli, arguments).exit_code == 0
        back.append(read_session(tmp_path / f"{name}.mcap"))
    first = next(session for session in back if session.metadata.get("synthetic"))
    assert first.player == Player("p01", "right")
    assert first.metadata["synthetic"] == "true"
    assert first.metadata["drill.p01's tune"] == "5s6 7"
    assert [(e.label, e.posture, e.drill) for e in first.events][1] == ("p01's second try", "p01 low", "p01's tune")
    # What the analysis knows gestures by is no name.
    assert first.events[0].label == "off hand"
    assert first.raw.ticks.size == read_session(paths[0]).raw.ticks.size


def test_a_voice_is_a_name(tmp_path: Path) -> None:
    done = export(session_files(tmp_path), "csv", tmp_path / "out", "--without-names", "--sound")
    assert done.exit_code == 2
    assert "a voice is a name" in done.output


def test_two_players_under_one_label_are_refused(tmp_path: Path) -> None:
    paths = session_files(tmp_path)
    arguments = ["export", *map(str, paths), "--to", "csv", "-o", str(tmp_path / "out"), "--without-names"]
    for name in (NAME, "Blenda"):
        arguments += ["--participant", f"{name}=same"]
    done = CliRunner().invoke(cli, arguments)
    assert "two players" in str(done.exception)


def test_no_word_of_a_name_is_on_a_progress_page_without_names() -> None:
    sessions = [
        replace(
            SESSION,
            name=f"{player}/{player}-{i}.mcap",
            player=player,
            log_hash=f"{player[::-1]}{i}",
            started_s=1.7e9 + i,
            groups=(replace(GROUP, drill=f"{player}'s tune", posture=f"{player.upper()} low"),),
            instrument=f"{player.split()[0]}'s mandolin",
            ratings=((f"{player}'s arm", 2.0),),
            lever_mm=(60.0 * i, 0.0, 0.0),
        )
        for player in (NAME, "Blenda")
        for i in range(3)
    ]
    found = FolderSummaries(tuple(sessions), ("quibba/zorn-9.mcap: no session",), 6, 0)
    said = []
    for summaries in (found, summaries_without_names(found)):
        players = follow_progress(summaries.summaries)
        sections = progress_page(players, summaries, pictures=False)
        said.append(f"{render_text(sections, ())} {json.dumps(plain(players))}".lower())
    named, nameless = said
    assert all(word in named for word in (*WORDS, "blenda"))
    assert not [word for word in (*WORDS, "blenda") if word in nameless]
    assert "1 file; without --without-names they are named." in nameless


def test_the_label_of_a_player_shown_alone_is_the_one_that_all_know(tmp_path: Path) -> None:
    samples = Path(__file__).parents[3] / "sample_logs"
    for name, player in (("level_at_speed", NAME), ("steady_and_tilted", "Blenda")):
        session = read_session(samples / f"{name}.mcap")
        write_session(tmp_path / f"{player}.mcap", replace(session, player=replace(session.player, name=player)))
    pages = []
    for more in ((), ("--player", NAME), ("--player", "Blenda")):
        arguments = ["progress", str(tmp_path), "--jobs", "1", "--json", "-", "--without-names", *more]
        done = CliRunner().invoke(cli, arguments, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        assert not [word for word in (*WORDS, "blenda") if word in done.output.lower()]
        pages.append([player["player"] for player in json.loads(done.stdout)["players"]])
    everybody, *alone = pages
    assert sorted(everybody) == ["p01", "p02"] == sorted(name for (name,) in alone)
