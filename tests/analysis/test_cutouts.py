"""Torque that vanishes at a stroke and comes back at a stroke."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank import roughness
from logger.analysis.signs import cutouts
from logger.analysis.signs.motion import LOAD_CENTRES, Law, Motion, learn, motion_of
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Engine, Recording
from tests.analysis.two_masses import ENGINE, drive, view_of


def found(lost: tuple[float, float] | None = None, braked: tuple[float, float] | None = None) -> list[Sign]:
    view = view_of(drive([lost] if lost else [], [braked] if braked else []))
    motion = motion_of(view)
    assert motion is not None
    law = learn([motion])
    assert law is not None
    return cutouts.signs(view, motion, law)


def test_lifts_are_no_cut_outs() -> None:
    assert found() == []


@pytest.mark.parametrize("seconds", [0.15, 0.3, 0.6])
def test_a_loss_behind_an_open_throttle_is_found_to_a_few_firings(seconds: float) -> None:
    (sign,) = found(lost=(24.9, 24.9 + seconds))
    assert sign.from_ns / NS_PER_S == pytest.approx(24.9, abs=0.03)
    assert sign.to_ns / NS_PER_S == pytest.approx(24.9 + seconds, abs=0.06)
    assert sign.lost == pytest.approx(seconds * 2 * 50, rel=0.4)


def test_a_loss_that_the_drivers_lift_cuts_short_is_found() -> None:
    (sign,) = found(lost=(25.2, 26.4))  # the throttle shuts at 26.0
    assert sign.from_ns / NS_PER_S == pytest.approx(25.2, abs=0.03)


def test_brakes_behind_an_open_throttle_are_no_cut_out() -> None:
    assert found(braked=(24.9, 25.4)) == []


def test_a_loss_among_missing_pulses_is_left_to_others() -> None:
    recording = drive([(24.9, 25.2)])
    tach = recording.pulses["tach_pulses"]
    inside = (tach > 24.95 * NS_PER_S) & (tach < 25.15 * NS_PER_S)
    recording.pulses["tach_pulses"] = tach[~inside]  # type: ignore[index]
    view = view_of(recording)
    motion = motion_of(view)
    assert motion is not None
    law = learn([motion])
    assert law is not None
    assert cutouts.signs(view, motion, law) == []


def test_the_cranks_corners_stand_where_the_torque_changed() -> None:
    view = view_of(drive([(24.9, 25.2)]))
    fall, rise = roughness.corners(view.firings)
    time_s = view.firings.time_ns / NS_PER_S
    begins, ends = (np.flatnonzero(np.abs(time_s - at) < 0.1) for at in (24.9, 25.2))
    assert time_s[begins[np.argmax(fall[begins])]] == pytest.approx(24.9, abs=0.03)
    assert time_s[ends[np.argmax(rise[ends])]] == pytest.approx(25.2, abs=0.03)


def found_in(recording: Recording, engine: Engine = ENGINE) -> list[Sign]:
    view = view_of(recording, engine)
    motion = motion_of(view)
    assert motion is not None
    law = learn([motion])
    assert law is not None
    return cutouts.signs(view, motion, law)


@pytest.mark.parametrize(("after", "n_signs"), [(0.65, 0), (0.8, 1), (1.0, 1), (1.6, 0)])
def test_a_crank_that_comes_back_at_another_speed_changed_gear_or_had_its_torque(after: float, n_signs: int) -> None:
    view = view_of(drive([(24.9, 25.2)]))
    motion = motion_of(view)
    assert motion is not None
    law = learn([motion])
    assert law is not None
    speed = np.where(motion.time_ns > 25.1 * NS_PER_S, after * motion.speed, motion.speed)
    assert len(cutouts.signs(view, replace(motion, speed=speed), law)) == n_signs


def test_fewer_than_eight_firings_are_too_few_to_draw_corners_from() -> None:
    """0.15 s at 50 turns a second: 15 firings of a four-cylinder engine, 4 of a single."""
    recording = drive([(24.9, 25.05)])
    assert [sign.lost for sign in found_in(recording)] == [pytest.approx(15.0, rel=0.4)]
    assert found_in(recording, replace(ENGINE, cylinders=1)) == []


@pytest.mark.parametrize("early_s", [0.0, 0.06, 0.1])
def test_a_throttle_let_off_just_as_the_push_ends_explains_it(early_s: float) -> None:
    recording = drive([(24.9, 25.3)])
    throttle = recording.traces["throttle_position"]
    let_off = (throttle.time_ns > (24.9 - early_s) * NS_PER_S) & (throttle.time_ns < 25.3 * NS_PER_S)
    lifted = {"throttle_position": replace(throttle, value=np.where(let_off, 60.0, throttle.value))}
    assert len(found_in(recording)) == 1
    assert found_in(replace(recording, traces=recording.traces | lifted)) == []


def test_a_throttle_eased_through_a_bend_at_part_load_explains_it() -> None:
    """A tenth less throttle would not end the push, but it goes and comes with it."""
    recording = drive([(24.9, 25.3)])
    throttle = recording.traces["throttle_position"]
    inside = (throttle.time_ns > 24.9 * NS_PER_S) & (throttle.time_ns < 25.3 * NS_PER_S)
    eased = {"throttle_position": replace(throttle, value=np.where(inside, 89.0, throttle.value))}
    only_then = {
        "throttle_position": replace(
            throttle,
            value=np.where(throttle.time_ns > 24.9 * NS_PER_S, np.minimum(throttle.value, 89.0), throttle.value),
        )
    }
    assert found_in(replace(recording, traces=recording.traces | eased)) == []
    assert len(found_in(replace(recording, traces=recording.traces | only_then))) == 1


@pytest.mark.parametrize(("load_before", "n_found"), [(1.0, 1), (0.2, 0)])
def test_of_a_push_that_never_was_a_lift_cuts_nothing_short(load_before: float, n_found: int) -> None:
    """0.4 s behind an open throttle, ended by a lift; before that the engine pulled hardly at all, or as hard."""
    n, gone, lifted = 3000, slice(2000, 2020), slice(2020, 2060)
    random = np.random.default_rng(4)
    load = np.ones(n)
    load[1975:2000] = load_before
    load[lifted] = 0.0
    law = Law(np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]), 0.002, 0.4, -0.1, 0.03, 0.5 * LOAD_CENTRES - 0.1)
    along, crank = np.interp(load, LOAD_CENTRES, law.levels), np.full(n, 5.0)
    along[gone], crank[gone] = -0.1, -30.0
    along, crank = along - law.c * crank + 0.01 * random.standard_normal(n), crank + random.standard_normal(n)
    along[gone] -= 0.05
    acceleration = np.column_stack((along, np.zeros(n), np.ones(n)))
    time_ns = np.arange(n, dtype=np.int64) * 20_000_000
    running = np.ones(n, bool)
    ride = Motion(time_ns, acceleration, crank, load > 0.5, load < 0.05, running, load, np.full(n, 50.0))
    found = [span for span in cutouts._spans(ride, law, 3) if 1990 < span.first < 2010]
    assert [span.returns for span in found] == [False] * n_found
