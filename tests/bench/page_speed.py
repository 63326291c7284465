"""How long the page takes over an event of eight hours: `python -m tests.bench.page_speed [HOURS]`.

Prints, for each kind of request, the median and the 95th percentile of server and loopback together, in ms, beside
the limit that the page promises on a two-core machine: 50 ms for any request, 10 ms for a window of traces.

For the table of targets: a window of six channels and 2,000 points each, a different one each time, with the recording
out of the page cache. limit: an empty answer of the same application. plain: the same values as a JSON object of lists.
"""

import http.client
import json
import platform
import socket
import statistics
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path

import numpy as np
from fastapi.responses import Response

from logger.event import NS_PER_S, Recording, Trace
from logger.store.compaction import write_recording
from logger.store.description import RecordingMeta, stored_channel
from logger.store.store import Store
from tests.bench.measure import Row, evict
from tests.web.example import ENGINE, findings, stumble
from web.app import create_app
from web.server import Server

RATES = {
    "battery_voltage": 100,
    "ignition_feed_voltage": 100,
    "sensor_supply_voltage": 100,
    "fuel_pressure": 100,
    "throttle_position": 100,
    "coolant_temperature": 5,
}
CHANNELS = "engine_speed,tach_pulses,battery_voltage,ignition_feed_voltage,fuel_pressure,shock_level"
SAMPLED = "battery_voltage,ignition_feed_voltage,sensor_supply_voltage,fuel_pressure,throttle_position"
WINDOW_CHANNELS = f"{SAMPLED},engine_speed"
WINDOW_S = 20.0
"""2,000 samples of a channel at 100 Hz, and 3,000 pulses."""
REPEATS = 60
N_STUMBLES = 40


def long_recording(hours: float) -> Recording:
    """Noise of the usual size on every channel, 150 pulses a second, acceleration at 400 Hz."""
    rng = np.random.default_rng(8)
    duration_s = hours * 3600.0
    traces = {}
    for name, rate in RATES.items():
        n = int(duration_s * rate)
        time_ns = np.arange(n, dtype=np.int64) * (NS_PER_S // rate)
        traces[name] = Trace(time_ns, np.round(13.0 + rng.normal(0, 0.05, n), 3))
    n = int(duration_s * 400)
    level = np.round(rng.normal(0, 0.15, (n, 3)) / 0.0039) * 0.0039
    traces["acceleration"] = Trace(np.arange(n, dtype=np.int64) * 2_500_000, level)
    interval = np.round(rng.normal(6_667_000, 30_000, int(duration_s * 150))).astype(np.int64) // 1000 * 1000
    pulses = np.cumsum(interval)
    pulses = pulses[pulses < duration_s * NS_PER_S]
    return Recording("r01", round(duration_s * NS_PER_S), traces, {"tach_pulses": pulses})


def fill(store: Store, hours: float) -> str:
    """One recording of so many hours with forty stumbles; returns the event's id."""
    recording = long_recording(hours)
    channels = tuple(stored_channel(name) for name in [*recording.traces, *recording.pulses])
    engine = {"cylinders": ENGINE.cylinders, "tach_pulses_per_revolution": ENGINE.tach_pulses_per_revolution}
    meta = RecordingMeta(
        uuid=str(uuid.uuid4()),
        channels=channels,
        power_up=1,
        started_utc="2026-05-09T08:00:00+00:00",
        clock_is_set=True,
        settings={"engine": engine, "event": {"name": "Eight hours"}},
        origin="virtual",
    )
    write_recording(store.data_dir / "recordings" / "20260509T080000Z.sqlite", meta, recording)
    event_id = store.events()[0].event_id
    onsets = np.linspace(60.0, hours * 3600.0 - 60.0, N_STUMBLES)
    found = findings().as_json() | {"repairs": [], "sensor_faults": []}
    name = store.recordings(event_id)[0].name
    found["stumbles"] = [asdict(stumble(name, round(float(at), 3))) for at in onsets]
    store.save_findings(event_id, found, store.input_fingerprint(event_id))
    return event_id


def requests(event_id: str, hours: float) -> dict[str, list[str]]:
    """Paths by kind; windows are spread over the day so that no block is asked for twice in a row."""
    name, seconds = "r01", hours * 3600.0
    base = f"/api/events/{event_id}/recordings/{name}"
    starts = np.linspace(100.0, seconds - 2000.0, REPEATS)

    def windows(span: float) -> list[str]:
        return [f"{base}/window?from_s={at:.3f}&to_s={at + span:.3f}&points=2000&channels={CHANNELS}" for at in starts]

    return {
        "list of events": ["/events"] * REPEATS,
        "event": [f"/events/{event_id}"] * REPEATS,
        "revision": [f"/api/events/{event_id}/revision"] * REPEATS,
        "moment": [f"/events/{event_id}/{name}/at/{at:.3f}" for at in starts],
        "window 2 s": windows(2.0),
        "window 10 s": windows(10.0),
        "window 60 s": windows(60.0),
        "window 119 s": windows(119.0),
        "window 30 min": windows(1800.0),
        "window 8 h": [f"{base}/window?from_s=0&to_s={seconds:.0f}&points=2000&channels={CHANNELS}"] * REPEATS,
        "superposed": [f"/events/{event_id}/superposed"] * 10,
        "superposed values": [f"/api/events/{event_id}/superposed/values"] * 10,
    }


@contextmanager
def serving(store: Store) -> Iterator[tuple[str, int]]:
    """The page on a free port of this machine, with an empty and a plain answer beside its own; address and port."""
    app = create_app(store)

    @app.get("/bench/empty")
    def empty() -> Response:
        return Response(b"")

    @app.get("/bench/plain")
    def plain(event_id: str, from_s: float, to_s: float) -> Response:
        t0, t1 = round(from_s * NS_PER_S), round(to_s * NS_PER_S)
        with store.reader(event_id, "r01") as reader:
            traces = reader.reads(SAMPLED.split(","), t0, t1)
            pulses = reader.pulses("tach_pulses", t0, t1).tolist()
        lists = {name: {"t": trace.time_ns.tolist(), "v": trace.value.tolist()} for name, trace in traces.items()}
        lists["tach_pulses"] = {"t": pulses, "v": []}
        return Response(json.dumps(lists), media_type="application/json")

    app.router.routes[:0] = [app.router.routes.pop(), app.router.routes.pop()]  # before the pages, which take any name
    listening = socket.create_server(("127.0.0.1", 0))
    server = Server(app)
    thread = threading.Thread(target=server.run, args=([listening],))
    thread.start()
    try:
        while not server.started:
            thread.join(0.05)
        host, port = listening.getsockname()
        yield host, port
    finally:
        server.should_exit = True
        thread.join()


def answers_ms(address: tuple[str, int], paths: list[str], cold: Sequence[Path] = ()) -> tuple[list[float], int]:
    """Milliseconds of each request, and the size of the last answer; `cold`: out of the page cache before each."""
    connection = http.client.HTTPConnection(*address)
    took, size = [], 0
    for path in paths:
        evict(cold)
        began = time.perf_counter()
        connection.request("GET", path, headers={"Accept": "text/html"})
        answer = connection.getresponse()
        size = len(answer.read())
        took.append(1000 * (time.perf_counter() - began))
        if answer.status != 200:
            raise SystemExit(f"{path}: {answer.status}")
    connection.close()
    return took, size


def measure(folder: Path, quick: bool) -> list[Row]:
    """A window's answer beside an empty one."""
    hours, n = (0.2, 10) if quick else (8.0, 200)
    with Store(folder) as store:
        event_id = fill(store, hours)
        starts = np.linspace(30.0, hours * 3600.0 - 60.0, n)
        spans = [f"from_s={at:.3f}&to_s={at + WINDOW_S:.3f}" for at in starts]
        asked = f"points=2000&channels={WINDOW_CHANNELS}"
        ours = [f"/api/events/{event_id}/recordings/r01/window?{span}&{asked}" for span in spans]
        plain = [f"/bench/plain?event_id={event_id}&{span}" for span in spans]
        cold = [folder / "recordings"]
        with serving(store) as address:
            answers_ms(address, [*ours[:3], *plain[:3], "/bench/empty"])
            took, _ = answers_ms(address, ours, cold)
            warm, _ = answers_ms(address, ours)
            plain_took, _ = answers_ms(address, plain, cold)
            empty, _ = answers_ms(address, ["/bench/empty"] * n, cold)
    p95, plain_p95, empty_p95 = (statistics.quantiles(each, n=20)[-1] for each in (took, plain_took, empty))
    p50, plain_p50, empty_p50 = (statistics.median(each) for each in (took, plain_took, empty))
    return [
        Row("window of 6 × 2,000 points from the disk, p50", "ms", p50, plain_p50, empty_p50, 1.5, key="page"),
        Row("  p95", "ms", p95, plain_p95, empty_p95, 10.0, "figure", "page"),
        Row("  p50 with the recording in the page cache", "ms", statistics.median(warm), None, empty_p50, key="page"),
    ]


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 8.0
    with tempfile.TemporaryDirectory(dir=".") as folder, Store(Path(folder)) as store:
        event_id = fill(store, hours)
        with serving(store) as address:
            print(f"{hours:g} h, {platform.machine()}, Python {platform.python_version()}")
            for kind, paths in requests(event_id, hours).items():
                took, size = answers_ms(address, paths)
                p95 = statistics.quantiles(took, n=20)[-1]
                print(f"{kind:18} p50 {statistics.median(took):7.1f} ms   p95 {p95:7.1f} ms   {size / 1000:8.1f} kB")


if __name__ == "__main__":
    main()
