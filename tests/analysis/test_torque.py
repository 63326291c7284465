"""The law that joins car and crank, and torque that is not there."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.signs import torque
from logger.analysis.signs.motion import Law, Motion, learn, motion_of
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Recording, Trace
from tests.analysis.two_masses import EXCHANGE, FULL, RESISTANCE, SHUT, drive, view_of


def learnt(recording: Recording) -> tuple[Motion, Law]:
    motion = motion_of(view_of(recording))
    assert motion is not None
    law = learn([motion])
    assert law is not None
    return motion, law


def signs(recording: Recording) -> list[Sign]:
    motion, law = learnt(recording)
    return torque.signs(view_of(recording), motion, law)


def turned(recording: Recording, rotation: np.ndarray) -> Recording:  # type: ignore[type-arg]
    trace = recording.traces["acceleration"]
    mounted = {"acceleration": Trace(trace.time_ns, trace.value @ rotation.T)}
    return replace(recording, traces={**recording.traces, **mounted})


def test_the_drive_shafts_swing_teaches_the_exchange_between_car_and_crank() -> None:
    _, law = learnt(drive([(24.9, 25.2), (37.0, 37.3)]))
    assert law.c == pytest.approx(EXCHANGE, rel=0.35)


def test_levels_are_what_torque_less_resistance_pushes_the_car_with() -> None:
    _, law = learnt(drive())
    assert law.open_level == pytest.approx(EXCHANGE * (FULL - RESISTANCE), abs=0.05)
    assert law.coast_level == pytest.approx(EXCHANGE * (SHUT - RESISTANCE), abs=0.05)
    assert (np.diff(law.levels) >= 0.0).all()


def test_a_box_mounted_askew_finds_the_pushing_direction() -> None:
    quarter = np.array([[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    _, law = learnt(turned(drive(), quarter))
    assert law.axis == pytest.approx([0.0, 1.0, 0.0], abs=0.05)


def test_a_car_that_stands_on_a_bench_teaches_nothing() -> None:
    recording = drive()
    still = turned(recording, np.diag([0.0, 1.0, 1.0]))
    motion = motion_of(view_of(still))
    assert motion is not None
    assert learn([motion]) is None


def test_without_acceleration_there_is_no_motion() -> None:
    recording = drive()
    only = {"throttle_position": recording.traces["throttle_position"]}
    assert motion_of(view_of(replace(recording, traces=only))) is None


def test_a_healthy_drive_gives_no_sign() -> None:
    assert signs(drive()) == []


def test_torque_lost_at_full_throttle_is_found() -> None:
    found = signs(drive([(25.0, 25.5)]))
    assert found
    assert {sign.kind for sign in found} == {"weak_torque"}
    assert all(25.0 < sign.from_ns / NS_PER_S < sign.to_ns / NS_PER_S < 25.52 for sign in found)


def test_a_fault_that_takes_torque_away_all_day_leaves_a_law_to_learn() -> None:
    """Two seconds open at 0.5 g and two shut at -0.05 g in turn; two in five of the open moments lack some of it, as
    often little as all. Of 100 open moments the 25 lowest lack more than 15/40 of 0.5 g: 0.19 g, a spread of half of
    what lies between open and coasting."""
    n, steps = 4000, np.arange(4000)
    opened = steps % 200 < 100
    random = np.random.default_rng(9)
    lacks = np.where(steps % 5 < 2, 0.5 * random.random(n), 0.0)
    push = np.where(opened, 0.5 - lacks, -0.05) + 0.005 * random.standard_normal(n)
    still, load = np.zeros(n), opened.astype(float)
    acceleration = np.column_stack((push, still, still + 1.0))
    motion = Motion(
        steps * torque.STEP_NS, acceleration, still, opened, ~opened, opened | ~opened, load, still + 50.0
    )  # fmt: skip
    law = learn([motion])
    assert law is not None
    assert law.spread == pytest.approx(1.4826 * 0.19, rel=0.1)
    assert (law.open_level, law.coast_level) == pytest.approx((0.5, -0.05), abs=0.02)


def test_across_a_hole_in_the_acceleration_nothing_is_read() -> None:
    """From a shut throttle at 23.8 s to an open one at 24.9: a line drawn between is a push that came late."""
    recording = drive()
    trace = recording.traces["acceleration"]
    kept = (trace.time_ns < 23.8 * NS_PER_S) | (trace.time_ns > 24.9 * NS_PER_S)
    holed = {"acceleration": Trace(trace.time_ns[kept], trace.value[kept])}
    view = view_of(replace(recording, traces={**recording.traces, **holed}))
    motion = motion_of(view)
    assert motion is not None
    at_s = motion.time_ns / NS_PER_S
    assert not motion.running[(at_s > 23.81) & (at_s < 24.89)].any()
    assert motion.running[(at_s > 10.0) & (at_s < 23.79)].all()
    law = learn([motion])
    assert law is not None
    assert torque.signs(view, motion, law) == []


def jittered(recording: Recording) -> Recording:
    """With edges that wander by 2 % of an interval, as those of a distributor do."""
    tach = recording.pulses["tach_pulses"]
    wander = 0.02 * np.gradient(tach) * np.random.default_rng(3).standard_normal(tach.size)
    return replace(recording, pulses={"tach_pulses": tach + np.rint(wander).astype(np.int64)})


def over_a_crest(recording: Recording) -> Recording:
    """For 0.4 s something holds the car back as if nearly all torque were gone; the crank eases by 3 rev/s in 1.2 s."""
    trace, tach_s = recording.traces["acceleration"], recording.pulses["tach_pulses"] / NS_PER_S
    value, time_s = trace.value.copy(), trace.time_ns / NS_PER_S
    value[(time_s >= 24.9) & (time_s < 25.3), 0] -= 0.9 * EXCHANGE * (FULL - SHUT)
    eased, back = (np.clip((tach_s - at) / 1.2, 0.0, 1.0) for at in (24.5, 27.9))
    slower_rps = -3.0 * (eased**2 * (3.0 - 2.0 * eased) - back**2 * (3.0 - 2.0 * back))
    turned = np.arange(tach_s.size) + 2.0 * np.cumsum(slower_rps * np.gradient(tach_s))
    pulses = np.interp(np.arange(np.floor(turned[-1])), turned, tach_s)
    traces = {**recording.traces, "acceleration": Trace(trace.time_ns, value)}
    return replace(recording, traces=traces, pulses={"tach_pulses": np.rint(pulses * NS_PER_S).astype(np.int64)})


def test_a_loss_bends_the_cranks_speed_where_it_begins_or_ends_and_what_only_holds_the_car_back_does_not() -> None:
    (sign,) = signs(jittered(drive([(24.9, 25.3)])))
    assert sign.from_ns / NS_PER_S == pytest.approx(24.9, abs=0.1)
    assert signs(jittered(over_a_crest(drive()))) == []


def test_a_crank_whose_readings_flicker_is_one_loss_not_many_too_short_ones() -> None:
    """Edges that wander by 2 % throw the crank's acceleration out of what a lost torque leaves, for a step or two."""
    (sign,) = signs(jittered(drive([(24.5, 25.6)])))
    assert sign.to_ns - sign.from_ns > 0.9 * NS_PER_S


def test_in_first_gear_a_crank_gains_speed_like_one_whose_tyres_let_go_and_the_car_tells_them_apart() -> None:
    (sign,) = signs(drive([(24.5, 24.9)], car=2.5))
    assert sign.from_ns / NS_PER_S == pytest.approx(24.5, abs=0.05)
