"""Lost combustion behind a rail short of pressure, told without a throttle: car and crank push, coast, push again."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.channels.bands import PressureBand
from logger.analysis.crank.states import View
from logger.analysis.failure import stumbles
from logger.analysis.signs import starved
from logger.analysis.signs.motion import learn, motion_of
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Trace
from tests.analysis.array_car import nanoseconds
from tests.analysis.small_car import drawn, seen, turned
from tests.analysis.two_masses import drive, view_of

UNTIL_S = 44.0
PUSH_G, COAST_G, BRAKE_G = 0.25, -0.12, -0.6
# The fifth pull, from 32 to 36 s, is the one in question.
STARVED = ((32.0, 2500.0), (33.0, 3000.0), (34.6, 2700.0), (36.0, 3400.0))
SOUND = ((32.0, 2500.0), (36.0, 4500.0))


def _points(pull: tuple[tuple[float, float], ...]) -> list[tuple[float, float]]:
    """Crank speeds of pulls and coasting, four seconds each; `pull` stands in for the one from 32 to 36 s."""
    points = []
    for at in range(0, int(UNTIL_S), 8):
        points += [(float(at), 2500.0), (at + 4.0, 4500.0)]
    points = [point for point in points if not 32.0 <= point[0] <= 36.0]
    return sorted([*points, *pull])


def _view(pull: tuple[tuple[float, float], ...], *, brakes: tuple[float, float] | None = None, throttle: bool = False):
    points = _points(pull)
    time = np.arange(0.0, UNTIL_S, 0.01)
    at, rpm = np.array(points).T
    x = np.where(np.gradient(np.interp(time, at, rpm)) > 0.0, PUSH_G, COAST_G)
    if brakes is not None:
        x[(time > brakes[0]) & (time < brakes[1])] = BRAKE_G
    acceleration = np.column_stack((x, np.zeros(x.size), np.ones(x.size)))
    acceleration += np.random.default_rng(3).normal(0.0, 0.03, acceleration.shape)
    traces = {"acceleration": Trace(nanoseconds(time), acceleration)}
    if throttle:
        traces["throttle_position"] = drawn(UNTIL_S, (0.0, 90.0), (UNTIL_S, 90.0))
    return seen(turned(*points), UNTIL_S, traces)


def _found(view: View, low: Sign) -> list[Sign]:
    return starved.signs(view, [low], starved.learn([view]))


def _low(from_s: float, to_s: float, strength: float = 0.6) -> Sign:
    return Sign("low_pressure", "fuel_pressure", round(from_s * NS_PER_S), round(to_s * NS_PER_S), 0.0, strength)


def test_a_push_that_ends_and_comes_back_with_the_rail_was_starved() -> None:
    (sign,) = _found(_view(STARVED), _low(32.8, 34.7))
    assert sign.kind == "weak_torque"
    assert sign.from_ns / NS_PER_S == pytest.approx(33.0, abs=0.15)
    assert sign.to_ns / NS_PER_S == pytest.approx(34.6, abs=0.15)
    assert sign.lost == pytest.approx(1.6 * 2850.0 / 30.0, rel=0.15)


@pytest.mark.parametrize(
    ("why", "pull", "low"),
    [
        ("the engine pulled on", SOUND, _low(32.8, 34.7)),
        ("the rail was hardly short", STARVED, _low(32.8, 34.7, 0.2)),
        ("the rail was short at another time", STARVED, _low(25.0, 27.0)),
        ("a change of gear", ((32.0, 2500.0), (33.0, 4000.0), (33.4, 2900.0), (36.0, 3900.0)), _low(32.5, 34.0)),
        ("a lift that outlasts the pressure", ((32.0, 2500.0), (33.0, 4000.0), (36.0, 2500.0)), _low(32.8, 33.8)),
    ],
)
def test_nothing_is_made_of_a_rail_that_was_low_where_something_else_explains_the_coasting(
    why: str, pull: tuple[tuple[float, float], ...], low: Sign
) -> None:
    assert _found(_view(pull), low) == [], why


def test_a_driver_who_gives_up_and_brakes_as_the_pressure_returns_had_been_starved() -> None:
    pull = ((32.0, 2500.0), (33.0, 3000.0), (36.0, 2400.0))
    view = _view(pull, brakes=(34.6, 36.5))
    assert len(_found(view, _low(32.8, 34.7))) == 1
    assert _found(view, _low(32.8, 35.9)) == []


def test_a_throttle_that_is_recorded_tells_better() -> None:
    assert _found(_view(STARVED, throttle=True), _low(32.8, 34.7)) == []


@pytest.mark.parametrize(
    ("lost", "strength", "believed"), [((), 1.2, False), (((24.6, 25.4),), 1.2, True), ((), 1.6, True)]
)
def test_an_engine_that_pulls_as_its_load_promises_was_hardly_starved(
    lost: tuple[tuple[float, float], ...], strength: float, believed: bool
) -> None:
    """The throttle is open from 24 to 26 s; a rail just low enough for a stumble made none if nothing was missing."""
    motion = motion_of(view_of(drive(lost)))
    assert motion is not None
    law = learn([motion])
    assert law is not None
    assert (starved.eased(_low(24.3, 25.8, strength), motion, law).strength >= 1.0) is believed


@pytest.mark.parametrize(("starved_pulls", "believed"), [(1, False), (7, True)])
def test_how_hard_the_engine_pulls_when_fed_is_not_learned_from_pulls_that_were_starved(
    starved_pulls: int, believed: bool
) -> None:
    """The rail falls to 115 of 300 kPa on one pull, or on each: then nothing shows what a sound one would be like."""
    recording = drive()
    points = [(0.0, 300.0)]
    for pull in range(starved_pulls):
        at = 6.0 * (6 - pull)
        points += [(at + 0.1, 300.0), (at + 0.14, 115.0), (at + 2.0, 115.0), (at + 2.04, 300.0)]
    traces = {**recording.traces, "fuel_pressure": drawn(42.0, *sorted(points))}
    view, band = view_of(replace(recording, traces=traces)), PressureBand(210.0, 230.0, 300.0, 1.0)
    ride = motion_of(view)
    seen_so = stumbles.look(view, ride, [], stumbles.learn([view], [ride], band))
    low = [sign for sign in seen_so.signs if sign.kind == "low_pressure"]
    assert len(low) == starved_pulls
    assert all((sign.strength >= 1.0) is believed for sign in low)
