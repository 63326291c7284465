"""A run ends: recorder, worker and page between them show its stumbles within 3 s, on a page that nobody reloads.

The recorder samples the emulated chips, faster than real time up to a few seconds before the end of the run, then in
real time; the worker is a process of its own, as on the Pi.
"""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Page, expect

from logger.event import NS_PER_S
from logger.recorder.recorder import Recorder
from logger.sensors.hardware import Hardware
from logger.store.store import Store
from logger.virtualcar.clock import VirtualClock
from logger.virtualcar.demo import BOOT_NS, demo_settings
from logger.virtualcar.drive import Drive
from logger.virtualcar.rig import Rig
from logger.virtualcar.scenario import demo_event
from logger.work import BUSY_OVER_IDLE
from tests.browser.conftest import serve

pytestmark = pytest.mark.browser
REAL_FROM_S = 8.0
"""Before the end of the run: long enough for a worker to start and a page to open."""
PROMISED_S = 3.0
BUSY_LOAD = 1.5


class PacedClock(VirtualClock):
    """Virtual time up to an instant, from then on no faster than real time."""

    def __init__(self, start_ns: int, utc: datetime, real_from_ns: int) -> None:
        super().__init__(start_ns, utc)
        self.real = threading.Event()
        self._real_from_ns = real_from_ns
        self._began_s = 0.0

    def sleep_until_ns(self, time_ns: int) -> None:
        super().sleep_until_ns(time_ns)
        ahead_s = (self.monotonic_ns() - self._real_from_ns) / NS_PER_S
        if ahead_s < 0.0:
            return
        if not self.real.is_set():
            self._began_s = time.monotonic() - ahead_s
            self.real.set()
        time.sleep(max(0.0, self._began_s + ahead_s - time.monotonic()))


def end_of_run_s(drive: Drive, pulses_per_revolution: float, busy_rpm: float) -> float:
    """The last instant at which the engine turned faster than a person would call idling."""
    pulses = np.asarray(drive.pulses["tach_pulses"])
    rpm = 60.0 / pulses_per_revolution / np.diff(pulses)
    return float(pulses[1:][rpm > busy_rpm][-1])


@contextmanager
def worker(data_dir: Path) -> Iterator[None]:
    process = subprocess.Popen([sys.executable, "-m", "logger.cli", "work", "--data-dir", str(data_dir)])
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def test_the_stumbles_of_a_run_are_on_the_page_three_seconds_after_its_end(page: Page, tmp_path: Path) -> None:
    event = demo_event(1)
    drive = event.drives[1]
    wiring = demo_settings(event, drive, tmp_path / "data")
    end_s = end_of_run_s(drive, event.engine.pulses_per_revolution, BUSY_OVER_IDLE * (event.engine.idle_rpm or 900.0))
    clock = PacedClock(
        BOOT_NS, datetime(2026, 5, 9, 8, 2, tzinfo=UTC), BOOT_NS + round((end_s - REAL_FROM_S) * NS_PER_S)
    )
    ended_s: list[float] = []
    rig = Rig(drive, wiring, clock)
    clock.call_at(BOOT_NS + round(end_s * NS_PER_S), lambda: ended_s.append(time.monotonic()))
    hardware = Hardware(wiring, rig.bus, rig.pins, clock)
    recorder = Recorder(wiring, hardware, clock, origin="virtual", inline=True, durable=False, clock_is_set=True)
    rig.play()
    recording = threading.Thread(target=recorder.run, kwargs={"until_ns": rig.end_ns})
    with Store(tmp_path / "data") as store:
        recording.start()
        try:
            assert clock.real.wait(60.0), "the recorder did not get there"
            with worker(store.data_dir):
                site = serve(store, store.events()[0].event_id, tmp_path / "data" / "run")
                page.goto(next(site).event)
                assert not ended_s, "the page was opened too late to be seen changing"
                expect(page.locator(".sl-row-stumble")).to_have_count(0)
                page.locator(".sl-row-stumble").first.wait_for(timeout=20_000)
                took_s = time.monotonic() - ended_s[0]
                page.goto("about:blank")
                site.close()
        finally:
            recording.join()
    print(f"shown {took_s:.2f} s after the end of the run")
    load = os.getloadavg()[0] / (os.cpu_count() or 1)
    if took_s >= PROMISED_S and load > BUSY_LOAD:
        pytest.skip(f"shown after {took_s:.1f} s, but this machine is busy: {load:.1f} programs for each core")
    assert took_s < PROMISED_S
