"""Small events for the store's tests, every number of which can be checked by hand."""

from datetime import UTC, datetime

import numpy as np

from logger.event import NS_PER_S, Engine, Event, Recording, Repair, Trace


def seconds(*times: float) -> np.ndarray:
    """Times in seconds as int64 nanoseconds."""
    return np.rint(np.array(times, dtype=float) * NS_PER_S).astype(np.int64)


def small_recording(name: str, offset_s: float | None = 0.0) -> Recording:
    """Two seconds with one channel of each kind; one value is missing."""
    return Recording(
        name=name,
        duration_ns=2 * NS_PER_S,
        offset_ns=None if offset_s is None else round(offset_s * NS_PER_S),
        traces={
            "battery_voltage": Trace(seconds(0.0, 0.5, 1.0, 2.0), np.array([12.503, np.nan, 13.9, 13.875])),
            "acceleration": Trace(seconds(0.0, 0.0025), np.array([[0.25, -0.5, 1.0], [np.nan, 0.125, 0.875]])),
            "key_sense": Trace(seconds(0.0), np.array([1.0])),
        },
        pulses={"tach_pulses": seconds(0.731204, 0.742517, 1.25), "driver_marks": seconds(1.5)},
    )


def small_event() -> Event:
    """Two recordings of an invented four-cylinder car with a repair between them."""
    return Event(
        name='Larch Hollow hill climb, "round 2"',
        kind="competition",
        started_utc=datetime(2026, 5, 9, 8, 2, 11, tzinfo=UTC),
        engine=Engine(4, 4, 2.0, "coil_negative", "port_injection", 900.0, 6500.0),
        recordings=(small_recording("r01"), small_recording("r02", 897.7)),
        repairs=(Repair("renewed the coil feed wire", after_recording="r01", suspect="ignition_primary"),),
    )


def assert_same_event(got: Event, expected: Event) -> None:
    """Equal to the last bit, absent values included."""
    assert (got.name, got.kind, got.started_utc, got.engine, got.repairs) == (
        expected.name,
        expected.kind,
        expected.started_utc,
        expected.engine,
        expected.repairs,
    )
    assert [r.name for r in got.recordings] == [r.name for r in expected.recordings]
    for one, other in zip(got.recordings, expected.recordings, strict=True):
        assert one.offset_ns == other.offset_ns
        assert set(one.traces) == set(other.traces)
        assert set(one.pulses) == set(other.pulses)
        for name, trace in other.traces.items():
            np.testing.assert_array_equal(one.traces[name].time_ns, trace.time_ns, err_msg=name)
            np.testing.assert_array_equal(one.traces[name].value, trace.value, err_msg=name)
        for name, time_ns in other.pulses.items():
            np.testing.assert_array_equal(one.pulses[name], time_ns, err_msg=name)
