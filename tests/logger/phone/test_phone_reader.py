"""A phone's readings to samples: one clock through reloads and sleep, every loss counted, nothing false let in."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.model.errors import InputError
from analysis.model.records import PHONE, RawSamples
from analysis.signal.timebase import fit_timebase
from logger.phone.batches import Allowance, Batch, read_batch
from logger.phone.phone_reader import PhoneReader
from logger.sources.stream import DeviceInfo, Item, LinkChange, join_samples

GOOD = {
    "page": "abcd1234",
    "first": 3,
    "sent_ms": 50.0,
    "readings": [[10.0, 0, 0, 9.8, 1, 2, 3], [26.5, 0, 0, 9.8, 1, 2, 3]],
}


def test_a_batch_reads_as_it_was_sent() -> None:
    batch = read_batch(json.dumps(GOOD).encode())
    assert (batch.page, batch.first, batch.sent_s) == ("abcd1234", 3, 0.05)
    assert batch.taken_s.tolist() == [0.01, 0.0265]
    assert batch.accel_mps2.shape == batch.gyro_dps.shape == (2, 3)


@pytest.mark.parametrize(
    "change",
    [
        {"page": "x"}, {"page": "../etc/passwd"}, {"page": 7}, {"first": -1}, {"first": 1.5}, {"first": True},
        {"first": 10**12}, {"readings": []}, {"readings": [[1, 2, 3]]}, {"readings": [[10.0, 0, 0, "9.8", 0, 0, 0]]},
        {"readings": [[10.0, 0, 0, 1e9, 0, 0, 0]]}, {"readings": [[10.0, 0, 0, None, 0, 0, 0]]},
        {"readings": [[26.0, 0, 0, 9.8, 0, 0, 0], [10.0, 0, 0, 9.8, 0, 0, 0]]}, {"readings": "many"},
        {"sent_ms": -5}, {"sent_ms": 10**400}, {"extra": 1}, {"readings": [[9999.0, 0, 0, 9.8, 0, 0, 0]]},
    ],
)  # fmt: skip
def test_anything_else_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(InputError):
        read_batch(json.dumps({**GOOD, **change}).encode())


@pytest.mark.parametrize("text", [b"", b"[]", b"null", b"\xff\xfe", b'{"page":', b"[" * 60_000, b"NaN"])
def test_what_is_no_batch_at_all_is_refused(text: bytes) -> None:
    with pytest.raises(InputError):
        read_batch(text)


@given(st.binary(max_size=300))
def test_no_bytes_do_more_than_be_refused(text: bytes) -> None:
    with pytest.raises(InputError):
        read_batch(text)


def test_an_endless_number_is_refused() -> None:
    for word in ("NaN", "Infinity", "-Infinity", "1e999"):
        text = json.dumps(GOOD).replace("9.8", word, 1)
        with pytest.raises(InputError):
            read_batch(text.encode())


def test_an_allowance_fills_up_again() -> None:
    now = [0.0]
    allowance = Allowance(10.0, 20.0, lambda: now[0])
    assert allowance.take(20.0)
    assert not allowance.take(1.0)
    now[0] = 0.5
    assert not allowance.take(6.0)
    assert allowance.take(5.0)


# --- a telephone


class Telephone:
    """A page that sends: its own clock, rate and rounding; what it sends arrives some milliseconds later."""

    def __init__(self, rate_hz: float = 60.0, fine: bool = False, seed: int = 0) -> None:
        self.rate_hz, self.fine = rate_hz, fine
        self.rng = np.random.default_rng(seed)
        self.reader = PhoneReader("a browser")
        self.items: list[Item] = []
        self.page, self.first, self.host_s, self.own_s = "page0", 0, 1.7e9, 0.3

    def motion(self, at_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        angle = 0.4 * np.sin(0.9 * at_s)
        accel = 9.81 * np.stack([np.zeros_like(angle), np.sin(angle), np.cos(angle)], axis=1)
        gyro = np.degrees(np.stack([0.36 * np.cos(0.9 * at_s), 0 * angle, 0 * angle], axis=1))
        return (accel, gyro) if self.fine else (np.round(accel, 1), np.round(gyro, 1))

    def send(self, seconds: float, lose: bool = False, hold_up_s: float = 0.0) -> Batch:
        """Batches of a quarter of a second for so long; ``lose``: the page drops them."""
        for _ in range(round(seconds / 0.25)):
            taken = self.own_s + np.arange(0, 0.25, 1 / self.rate_hz)
            stamps = taken + self.rng.uniform(0.0, 0.008, taken.size)
            self.own_s += taken.size / self.rate_hz
            self.host_s += taken.size / self.rate_hz
            accel, gyro = self.motion(self.host_s - 1.7e9 - (self.own_s - taken))
            batch = Batch(self.page, self.first, self.own_s + 0.01, np.maximum.accumulate(stamps), accel, gyro)
            self.first += taken.size
            if not lose:
                late_s = 0.015 + self.rng.exponential(0.004)
                self.items += self.reader.take(batch, self.host_s + late_s + hold_up_s)
        return batch

    @property
    def samples(self) -> RawSamples:
        return join_samples([item for item in self.items if isinstance(item, RawSamples)])


def test_rate_and_rounding_are_told_from_the_readings() -> None:
    for fine, step in ((False, 0.1), (True, 0.001)):
        phone = Telephone(50.0, fine)
        phone.send(8.0)
        infos = [item for item in phone.items if isinstance(item, DeviceInfo)]
        sensor = infos[-1].profile.sensor
        assert (sensor.part, sensor.accel_mps2_per_count) == (PHONE, step)
        assert sensor.rate_hz == pytest.approx(50.0, rel=0.02)
        assert infos[-1].identity.firmware_version == "a browser"
        # The news of the size of a count comes before the first samples.
        kinds = [type(item) for item in phone.items]
        assert kinds.index(DeviceInfo) < kinds.index(RawSamples)
        raw = phone.samples
        base = fit_timebase(raw, sensor)
        assert base.grid.rate_hz == pytest.approx(50.0, rel=1e-3)
        accel = raw.counts[:, :3] * sensor.accel_mps2_per_count
        assert np.linalg.norm(accel, axis=1) == pytest.approx(9.81, abs=0.1)


def test_readings_that_come_twice_count_once_and_dropped_ones_are_lost() -> None:
    phone = Telephone()
    last = phone.send(4.0)
    before = phone.samples.ticks.size
    phone.items += phone.reader.take(last, phone.host_s + 0.02)
    assert phone.samples.ticks.size == before
    assert phone.reader.losses.repeated == last.taken_s.size
    phone.send(1.0, lose=True)
    phone.send(1.0)
    raw = phone.samples
    assert phone.reader.losses.link == 60
    assert int((np.diff(raw.sequence) - 1).sum()) == 60


def test_a_reload_goes_on_by_the_computer_s_clock() -> None:
    phone = Telephone()
    phone.send(20.0)
    phone.host_s += 3.0
    phone.page, phone.first, phone.own_s = "page1", 0, 0.05
    phone.send(10.0)
    raw = phone.samples
    assert phone.reader.losses.restarts == 1
    gap_s = float(np.diff(raw.ticks).max()) / 1e6
    assert gap_s == pytest.approx(3.0, abs=0.05)
    assert int((np.diff(raw.sequence) - 1).sum()) == pytest.approx(180, abs=3)
    assert (np.diff(raw.ticks) > 0).all()


def test_a_clock_that_stood_still_in_sleep_is_set_again_and_a_link_that_was_held_up_is_not() -> None:
    phone = Telephone()
    phone.send(20.0)
    phone.host_s += 30.0  # asleep: the page's own clock stands still
    phone.send(10.0)
    raw = phone.samples
    assert float(np.diff(raw.ticks).max()) / 1e6 == pytest.approx(30.0, abs=0.05)
    assert phone.reader.losses.restarts == 1
    held = Telephone(seed=1)
    held.send(20.0)
    held.host_s += 1.5
    held.own_s += 1.5
    held.first += 90
    held.send(0.25, hold_up_s=1.2)
    held.send(5.0)
    assert held.reader.losses.restarts == 0
    assert float(np.diff(held.samples.ticks).max()) / 1e6 == pytest.approx(1.5, abs=0.05)


def test_silence_and_few_readings_are_told_in_one_sentence() -> None:
    phone = Telephone(15.0)
    phone.send(8.0)
    standing = phone.reader.standing(phone.host_s + 0.1)
    assert standing.rate_hz == pytest.approx(16.0, abs=2.0)
    assert "battery saver" in standing.sentence
    assert phone.reader.silence(phone.host_s + 1.0) == []
    (news,) = phone.reader.silence(phone.host_s + 3.0)
    assert isinstance(news, LinkChange)
    assert "wake its screen" in news.reason
    assert phone.reader.silence(phone.host_s + 4.0) == [], "told once"
    phone.host_s += 5.0
    phone.send(0.25)
    assert [item.up for item in phone.items if isinstance(item, LinkChange)] == [True, True]
    assert math.isclose(replace(phone.reader.info).profile.sensor.tick_hz, 1e6)
