"""``strokeplane import``: a sensor's CSV to a session file."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("import")
@click.argument("imu", metavar="IMU.csv", type=click.Path(path_type=Path))
@click.option(
    "--columns",
    "map_path",
    metavar="MAP.toml",
    type=click.Path(path_type=Path),
    required=True,
    help="Which columns hold time, accelerometer and gyroscope, and in what units.",
)
@click.option(
    "--events",
    "events_path",
    metavar="EVENTS.csv",
    type=click.Path(path_type=Path),
    help="What was done when: reference gestures, play, rest, ratings.",
)
@click.option(
    "-o",
    "--output",
    metavar="SESSION.mcap",
    type=click.Path(path_type=Path),
    required=True,
    help="The session file to write.",
)
def import_command(imu: Path, map_path: Path, events_path: Path | None, output: Path) -> None:
    """Turn any sensor's CSV into a session file.

    Columns may be separated by comma, semicolon or tab, with decimal point or decimal comma. All times stay on the
    file's own time column. Lines that cannot be used are named; then nothing is written.
    """
    from logger.atomic_file import check_writable
    from logger.import_csv import count_missing, import_csv
    from logger.progress_bar import show_progress
    from logger.session_file import write_session

    check_writable(output, inputs=[path for path in (imu, map_path, events_path) if path is not None])
    with show_progress() as progress:
        session = import_csv(imu, map_path, events_path, lambda share: progress(f"Reading {imu.name}", share))
        progress(f"Writing {output.name}", 0.0)
        write_session(output, session)
    for warning in session.warnings:
        click.echo(f"Note: {warning}", err=True)
    raw, profile = session.raw, session.profile
    missing, gaps = count_missing(raw)
    click.echo(
        f"Wrote {output}: {raw.ticks.size} samples at {profile.rate_hz:.6g}/s, "
        f"{(raw.ticks[-1] - raw.ticks[0]) / profile.tick_hz:.1f} s, {missing} missing in {gaps} gaps, "
        f"{len(session.events)} events."
    )
