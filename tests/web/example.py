"""A small made-up event for the page's tests.

A six-cylinder car at an invented hill-climb: in the second and third run the coil's feed opens for 120 ms on a knock.
Everything is a plain function of time, so that a test can say what a trace must show.
"""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from logger.analysis.findings import Findings, Moved, NextTest, RepairVerdict, SensorFault, Stumble
from logger.event import NS_PER_S, Engine, Event, Recording, Repair, Trace
from logger.store.capture_out import write_folder
from logger.store.store import Store

ENGINE = Engine(6, 4, 3.0, "coil_negative", "port_injection", 850.0, 6500.0)
STARTED = datetime(2026, 5, 9, 8, 2, 11, tzinfo=UTC)
ONSETS = {"r01": (), "r02": (20.0, 41.5), "r03": (33.25,)}
OPEN_S = 0.12
DURATION_S = 60.0


def seconds(values: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.rint(values * NS_PER_S).astype(np.int64)


def tach(onsets: tuple[float, ...]) -> NDArray[np.int64]:
    """Pulses at a speed that climbs from 2,000 to 5,000 1/min over the run, none while the feed is open."""
    time = np.arange(0.0, DURATION_S, 1e-4)
    rpm = 2000.0 + 50.0 * time
    turned = np.cumsum(rpm / 60.0 * 3.0 * 1e-4)
    pulses = np.interp(np.arange(1.0, turned[-1]), turned, time)
    for onset in onsets:
        pulses = pulses[(pulses < onset) | (pulses > onset + OPEN_S)]
    return seconds(pulses)


def recording(number: int, duration_s: float = DURATION_S) -> Recording:
    name = f"r{number:02d}"
    onsets = ONSETS.get(name, ())
    fast = np.arange(0.0, duration_s, 0.01)
    slow = np.arange(0.0, duration_s, 0.2)
    battery = 13.9 + 0.05 * np.sin(fast * 7.0)
    feed = battery - 0.2
    shock = np.arange(0.0, duration_s, 0.0025)
    z = 1.0 + 0.2 * np.sin(shock * 80.0)
    for onset in onsets:
        feed[(fast >= onset) & (fast < onset + OPEN_S)] = 0.4
        z += 4.0 * np.exp(-(((shock - onset + 0.03) / 0.01) ** 2))
    level = np.stack([0.1 * np.sin(shock * 60.0), 0.1 * np.cos(shock * 55.0), z], axis=1)
    traces = {
        "battery_voltage": Trace(seconds(fast), battery),
        "ignition_feed_voltage": Trace(seconds(fast), feed),
        "fuel_pressure": Trace(seconds(fast), 300.0 + 20.0 * np.sin(fast * 0.6)),
        "coolant_temperature": Trace(seconds(slow), 60.0 + 10.0 * number + slow * 0.2),
        "acceleration": Trace(seconds(shock), level),
    }
    marks = seconds(np.array(onsets) + 1.6)
    return Recording(
        name,
        round(duration_s * NS_PER_S),
        traces,
        {"tach_pulses": tach(onsets), "driver_marks": marks},
        (number - 1) * 1800 * NS_PER_S,
    )


def event() -> Event:
    return Event(
        "Larkfold Hill, spring meeting",
        ENGINE,
        tuple(recording(number) for number in (1, 2, 3)),
        started_utc=STARTED,
        repairs=(Repair("renewed the coil", after_recording="r02", suspect="ignition_primary"),),
    )


def stumble(name: str, onset: float) -> Stumble:
    return Stumble(
        recording=name,
        onset_s=onset,
        engine_onset_s=onset + 0.007,
        end_s=onset + OPEN_S + 0.2,
        cause="ignition_primary",
        probability={"ignition_primary": 0.93, "supply_voltage": 0.04, "undetermined": 0.03},
        first_to_move="ignition_feed_voltage",
        order=[
            Moved("ignition_feed_voltage", onset, 0.005),
            Moved("tach_pulses", onset + 0.007, 0.004),
            Moved("fuel_pressure", onset + 0.09, 0.02, "rises because nothing is injected"),
        ],
        effect="cutout",
        lost_firings=18,
        lowest_speed_ratio=0.93,
        sub_cause="feed",
        sentence="The coil lost its feed 30 ms after a knock and the engine missed 18 firings.",
        evidence_for=["The coil's feed fell to 0.4 V while the battery held 13.9 V."],
        evidence_against=["Fuel pressure stayed in its band until after the pulses had gone."],
        rivals=["A worn ignition switch would look the same."],
        doing="pulling" if name == "r02" else "",
    )


def findings() -> Findings:
    return Findings(
        stumbles=[stumble(name, onset) for name, onsets in ONSETS.items() for onset in onsets],
        sensor_faults=[SensorFault("r02", "fuel_pressure", 50.0, 50.6, "intermittent", "wire opens for 0.6 s")],
        failed_starts=[],
        gaps=[],
        main_cause="ignition_primary",
        other_causes=[],
        linked_heat=None,
        linked_shock=True,
        repairs=[
            RepairVerdict(
                "renewed the coil", "not_fixed", 120.0, 60.0, 0.2, "It came back in r03.", "the cause is elsewhere"
            )
        ],
        next_tests=[
            NextTest(
                "Tug and tap the coil feed wire",
                ["Ignition on, engine off, meter on the coil's supply terminal.", "Move the wire along its length."],
                "The reading never leaves battery voltage by more than 0.5 V.",
                "common practice, no source",
                "A coil left fed with the engine off overheats: at most 30 s.",
                5,
            )
        ],
        summary="The coil loses its feed on knocks: 3 stumbles in 2 of 3 recordings.",
        not_judged=["Heat: the runs were too alike to tell."],
    )


def fill(store: Store, folder: Path, *, analysed: bool = True) -> str:
    """Put the event into a store the way a user would, by a capture folder; returns its id."""
    write_folder(event(), folder)
    event_id = store.import_folder(folder)
    if analysed:
        analyse(store, event_id)
    return event_id


def analyse(store: Store, event_id: str) -> None:
    """Enter the findings, as a worker would."""
    store.save_findings(event_id, findings().as_json(), store.input_fingerprint(event_id))
