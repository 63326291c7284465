"""Counting lost firings in the exhaust."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank import pulses, states
from logger.analysis.crank.states import View
from logger.analysis.signs.lag import lag_s, undo_lag
from logger.analysis.signs.lean import signs
from logger.analysis.signs.probe import LOAD_CENTRES, Probe, burned_on, learn
from logger.event import NS_PER_S, Engine, FloatArray, Recording, Trace
from tests.analysis.small_car import seen, turned

STEP_S, TAU_S = 0.02, 0.125


def lagged(step: FloatArray) -> FloatArray:
    """A first-order lag of TAU_S, exact for steps held over each sample."""
    out = np.empty(step.size)
    value = step[0]
    for k, target in enumerate(step):
        value += (target - value) * (1 - np.exp(-STEP_S / TAU_S))
        out[k] = value
    return out


def sampled(value: FloatArray) -> Trace:
    return Trace(np.rint(np.arange(value.size) * STEP_S * NS_PER_S).astype(np.int64), value)


def test_undoing_the_lag_gives_back_the_step() -> None:
    step = np.where((np.arange(200) > 80) & (np.arange(200) < 120), 18.0, 13.0)
    undone = undo_lag(sampled(lagged(step)), STEP_S, TAU_S)
    assert undone[90:115] == pytest.approx(np.full(25, 18.0), abs=0.1)
    assert undone[:75] == pytest.approx(np.full(75, 13.0), abs=1e-9)


def test_across_a_hole_no_slope_is_taken() -> None:
    """A wire open from full load to coasting, 2 s later: 20 where 13 was is no gust of air at either end."""
    whole = sampled(np.where(np.arange(300) < 200, 13.0, 20.0))
    kept = (np.arange(300) < 150) | (np.arange(300) >= 250)
    holed = Trace(whole.time_ns[kept], whole.value[kept])
    assert undo_lag(holed, STEP_S, TAU_S) == pytest.approx(holed.value, abs=1e-9)


def test_the_lag_is_read_off_the_way_readings_decay() -> None:
    cuts = np.where((np.arange(4000) // 60) % 2 == 0, 20.0, 13.0)
    assert lag_s([(lagged(cuts) - 13.0, STEP_S)]) == pytest.approx(TAU_S, rel=0.1)


def test_a_mixture_that_takes_its_time_is_not_the_probes_lag() -> None:
    """After every third cut the exhaust itself clears over a third of a second."""
    cuts = np.where((np.arange(6000) // 60) % 2 == 0, 20.0, 13.0)
    slow = np.arange(6000) // 120 % 3 == 1
    for k in range(1, cuts.size):
        if slow[k] and cuts[k] < cuts[k - 1]:
            cuts[k] = cuts[k - 1] - (cuts[k - 1] - 13.0) * STEP_S / 0.33
    assert lag_s([(lagged(cuts) - 13.0, STEP_S)]) == pytest.approx(TAU_S, rel=0.25)


def test_a_plateau_of_noise_at_10_hz_is_no_fall() -> None:
    cuts = np.where((np.arange(12000) // 300) % 2 == 0, 20.0, 13.0)
    reading = lagged(cuts)[::5] + 0.05 * np.random.default_rng(3).standard_normal(2400)
    assert lag_s([(reading - 13.0, 5 * STEP_S)]) == pytest.approx(TAU_S, rel=0.25)


def test_without_decays_the_usual_lag_is_taken() -> None:
    assert lag_s([(np.zeros(500), STEP_S)]) == TAU_S


CUTTING = Engine(
    cylinders=4, tach_pulses_per_revolution=2.0, fuel_system="port_injection", idle_rpm=900.0, redline_rpm=6500.0
)


def driven(
    dead_s: float,
    misses: tuple[tuple[float, float], ...] = (),
    *,
    lost: float = 1.0 / 3.0,
    shut_s: float = 2.0,
    every_lift_cuts: bool = True,
) -> View:
    """A minute at 3,000 rev/min, 3 s open and 2 s shut in turn; a share of firings lost in misses.

    Fuel is cut when shut, every time or every other time. The probe reads dead_s late.
    """
    time = np.arange(0.0, 60.0, STEP_S)
    shut = time % (3.0 + shut_s) > 3.0
    cut = shut if every_lift_cuts else shut & (time // (3.0 + shut_s) % 2 == 1)
    ratio = np.where(cut, 20.0, 13.0)
    for begin, end in misses:
        ratio[(time >= begin) & (time < end)] = 13.0 / (1.0 - lost)
    late = np.interp(time - dead_s, time, ratio)
    reading = lagged(late) + 0.03 * np.random.default_rng(5).standard_normal(time.size)
    stamps = np.rint(time * NS_PER_S).astype(np.int64)
    tach = np.rint(np.arange(0.0, 60.0, 0.01) * NS_PER_S).astype(np.int64)
    traces = {
        "throttle_position": Trace(stamps, np.where(shut, 1.0, 80.0)),
        "air_fuel_ratio": Trace(stamps, reading),
    }
    recording = Recording("r01", 60 * NS_PER_S, traces, {"tach_pulses": tach})
    firings = pulses.clean(tach, CUTTING)
    scale = states.LoadScale("throttle_position", 1.0, 80.0, 0)
    return states.view(recording, CUTTING, firings, traces, scale, np.empty((0, 2), np.int64))


@pytest.mark.parametrize("dead_s", [0.06, 0.18, 0.3])
def test_the_dead_time_is_read_off_the_ends_of_overrun(dead_s: float) -> None:
    probe = learn([driven(dead_s)])
    assert probe is not None
    assert probe.dead_ns / NS_PER_S == pytest.approx(dead_s, abs=0.03)


@pytest.mark.parametrize("dead_s", [0.1, 0.3])
def test_a_probe_at_10_hz_tells_its_dead_time_too(dead_s: float) -> None:
    """Six samples follow each opening; where the reading fell lies between two of them, a tenth of a second apart."""
    often = driven(dead_s)
    probe = often.traces["air_fuel_ratio"]
    # Drivers do not lift in step with a sampler.
    rare = [Trace(probe.time_ns[k::5], probe.value[k::5]) for k in range(5)]
    learnt = learn([replace(often, traces={**often.traces, "air_fuel_ratio": trace}) for trace in rare])
    assert learnt is not None
    assert learnt.dead_ns / NS_PER_S == pytest.approx(dead_s, abs=0.06)


def test_lost_firings_are_counted_and_dated_at_the_crank() -> None:
    view = driven(0.1, ((31.0, 31.6),))
    (sign,) = signs(view, learn([view]))
    assert sign.from_ns / NS_PER_S == pytest.approx(31.0, abs=0.1)
    assert sign.lost == pytest.approx(0.6 * 100 / 3, rel=0.25)


@pytest.mark.parametrize("every", [1, 2])
def test_a_probe_that_is_sampled_less_often_dates_them_as_well(every: int) -> None:
    often = driven(0.1, ((31.0, 31.6),))
    probe = often.traces["air_fuel_ratio"]
    rare = Trace(probe.time_ns[::every], probe.value[::every])
    view = replace(often, traces={**often.traces, "air_fuel_ratio": rare})
    (sign,) = signs(view, learn([view]))
    assert sign.from_ns / NS_PER_S == pytest.approx(31.0, abs=0.1)
    assert sign.to_ns / NS_PER_S == pytest.approx(31.6, abs=0.12)


def test_misses_right_after_an_overrun_are_seen() -> None:
    view = driven(0.1, ((30.1, 30.4),))
    assert len(signs(view, learn([view]))) == 1


@pytest.mark.parametrize("fed", [True, False])
def test_behind_a_shut_throttle_air_is_lost_firings_where_the_injector_shows_that_fuel_came(fed: bool) -> None:
    view = driven(0.1, ((33.8, 34.3),), every_lift_cuts=False)
    time_s = view.firings.time_ns / NS_PER_S
    cut = (time_s % 5.0 > 3.0) & (time_s // 5.0 % 2 == 1)
    pulses = {**view.recording.pulses, "injector_pulses": view.firings.time_ns[~cut][::2]}
    known = replace(view, recording=replace(view.recording, pulses=pulses)) if fed else view
    found = [sign.from_ns / NS_PER_S for sign in signs(known, learn([known]))]
    assert found == (pytest.approx([33.8], abs=0.1) if fed else [])


@pytest.mark.parametrize(("each_s", "found"), [(0.03, 0), (0.1, 2)])
def test_what_lies_on_two_sides_of_a_shut_throttle_is_counted_apart(each_s: float, found: int) -> None:
    """One firing lost right before a gear change and one right after it are its edges; three are three."""
    misses = ((32.64 - each_s, 32.64), (33.06, 33.06 + each_s))  # shut from 32.7 to 33.0 s
    view = driven(0.18, misses, shut_s=0.3)
    probe = learn([view])
    assert probe is not None
    probe = replace(probe, doubt_ns=0)  # its dead time is known
    assert len([sign for sign in signs(view, probe) if 32.0 < sign.from_ns / 1e9 < 34.0]) == found


def test_a_foot_that_trembles_parts_nothing() -> None:
    """Misses for a second, behind a throttle that shuts for a moment every three tenths of one."""
    view = driven(0.18, ((31.2, 32.2),), shut_s=2.0)
    throttle = view.traces["throttle_position"]
    at = throttle.time_ns / 1e9
    trembles = (at > 31.2) & (at < 32.2) & (at % 0.3 < 0.015)
    shaken = replace(throttle, value=np.where(trembles, 1.0, throttle.value))
    load = np.interp(view.firings.time_ns, shaken.time_ns, (shaken.value - 1.0) / 79.0).astype(np.float32)
    found = signs(replace(view, load=load, traces={**view.traces, "throttle_position": shaken}), learn([view]))
    assert len([sign for sign in found if 31.0 < sign.from_ns / 1e9 < 32.4]) == 1


def test_overrun_alone_is_not_lean() -> None:
    view = driven(0.1)
    assert signs(view, learn([view])) == []


@pytest.mark.parametrize("dead_s", [0.12, 0.18, 0.24])
@pytest.mark.parametrize(("channel", "shut_s"), [("air_fuel_ratio", 0.33), ("throttle_position", 2.0)])
def test_nor_is_it_where_probe_or_throttle_are_sampled_at_10_hz(dead_s: float, channel: str, shut_s: float) -> None:
    """The edges of a fuel cut lie up to a tenth of a second from where such a channel seems to have them."""
    often = driven(dead_s, shut_s=shut_s)
    for k in range(5):
        rare = Trace(often.traces[channel].time_ns[k::5], often.traces[channel].value[k::5])
        traces = {**often.traces, channel: rare}
        view = seen(often.recording.pulses["tach_pulses"], 60.0, traces, CUTTING)
        assert signs(view, learn([view])) == []


def first_seconds(view: View, until_s: float) -> View:
    until_ns = round(until_s * NS_PER_S)
    traces = {
        name: Trace(one.time_ns[one.time_ns < until_ns], one.value[one.time_ns < until_ns])
        for name, one in view.traces.items()
    }
    tach = view.recording.pulses["tach_pulses"]
    return seen(tach[tach < until_ns], until_s, traces, CUTTING)


@pytest.mark.parametrize("dead_s", [0.08, 0.28])
def test_nor_is_it_where_too_few_overruns_tell_how_late_the_probe_reads(dead_s: float) -> None:
    """Three of them, and a probe a tenth of a second quicker or slower than is guessed."""
    view = first_seconds(driven(dead_s), 19.0)
    assert signs(view, learn([view])) == []


def test_what_is_lost_away_from_them_is_counted_there_too() -> None:
    """A fifth of the firings from three tenths of a second after the throttle opened."""
    view = first_seconds(driven(0.28, ((11.0, 11.5),), lost=0.2), 19.0)
    (sign,) = signs(view, learn([view]))
    assert sign.from_ns / NS_PER_S == pytest.approx(11.1, abs=0.1)


@pytest.mark.parametrize("n_samples", [0, 1])
def test_a_throttle_of_which_hardly_a_sample_is_believed_tells_nothing(n_samples: int) -> None:
    view = driven(0.1, ((31.0, 31.6),))
    throttle = view.traces["throttle_position"]
    few = Trace(throttle.time_ns[:n_samples], throttle.value[:n_samples])
    load = np.full(view.load.size, np.nan, np.float32)
    assert signs(replace(view, load=load, traces={**view.traces, "throttle_position": few}), learn([view])) == []


def test_without_a_probe_nothing_is_learnt() -> None:
    view = driven(0.1)
    bare = replace(view, traces={name: t for name, t in view.traces.items() if name != "air_fuel_ratio"})
    assert learn([bare]) is None
    assert signs(bare, None) == []


@pytest.mark.parametrize(("misses", "burned"), [((), True), (((31.0, 31.6),), False)])
def test_torque_that_seemed_gone_while_the_probe_saw_no_air_was_there(
    misses: tuple[tuple[float, float], ...], burned: bool
) -> None:
    view = driven(0.1, misses)
    assert bool(burned_on(view, learn([view]), 31 * NS_PER_S, 31_600_000_000)) is burned


def test_a_moment_of_a_tenth_of_a_second_is_too_short_for_a_probe_to_clear() -> None:
    view = driven(0.1)
    assert not burned_on(view, learn([view]), 31 * NS_PER_S, 31_100_000_000)


def test_a_mixture_that_shifts_evenly_for_seconds_is_no_stumble_and_spikes_of_the_same_mean_are() -> None:
    """Four firings in a hundred: through two seconds, or four in ten for two samples in every twenty."""
    evenly = ((30.5, 32.5),)
    spikes = tuple((at, at + 2 * STEP_S - 0.001) for at in np.arange(30.5, 32.4, 20 * STEP_S))
    shifted, missed = driven(0.1, evenly, lost=0.04), driven(0.1, spikes, lost=0.4)
    assert signs(shifted, learn([shifted])) == []
    (sign,) = signs(missed, learn([missed]))
    assert sign.lost == pytest.approx(0.04 * 2.0 * 100.0, rel=0.5)


@pytest.mark.parametrize(
    ("weaker", "within_s", "lasts_s", "flickers", "missed"),
    [
        (1.4, 0.3, 1.6, False, False),
        (1.4, 0.3, 1.6, True, True),
        (1.4, 0.02, 0.7, False, False),  # as steeply as it comes and goes, meanwhile it is even
        (3.0, 0.3, 1.6, False, False),  # a tenth leaner than stoichiometric
        (3.6, 0.3, 1.6, False, True),  # where torque is lost, even or not
    ],
)
def test_a_mixture_that_goes_weak_but_burns_is_no_stumble_and_misses_of_the_same_mean_are(
    weaker: float, within_s: float, lasts_s: float, flickers: bool, missed: bool
) -> None:
    """From 13 to that much more and back; as one mixture, or as one in five."""
    view = driven(0.1)
    probe = learn([view])
    trace = view.traces["air_fuel_ratio"]
    time = trace.time_ns / NS_PER_S - 0.1
    ends_s = 30.6 + lasts_s
    weak = np.interp(time, [30.6, 30.6 + within_s, ends_s - within_s, ends_s], [0.0, weaker, weaker, 0.0])
    if flickers:
        weak *= np.where(np.arange(time.size) % 5 == 0, 5.0, 0.0)
    traces = {**view.traces, "air_fuel_ratio": replace(trace, value=trace.value + lagged(weak))}
    assert bool(signs(replace(view, traces=traces), probe)) is missed


def without_load(
    ratio_coasting: float,
    misses: tuple[tuple[float, float], ...] = (),
    *,
    ratio_idling: float = 13.0,
    lost: float = 1.0 / 3.0,
    fed: bool = False,
) -> View:
    """70 s without throttle or rail: 3 s from 2,400 up to 3,600 rev/min and 2 s back in turn, and 10 s of idle."""
    time = np.arange(0.0, 70.0, STEP_S)
    coasting = (time % 5.0 > 3.0) & (time < 60.0)
    ratio = np.where(coasting, ratio_coasting, np.where(time > 60.5, ratio_idling, 13.0))
    for begin, end in misses:
        ratio[(time >= begin) & (time < end)] = 13.0 / (1.0 - lost)
    late = np.interp(time - 0.18, time, ratio)
    reading = lagged(late) + 0.03 * np.random.default_rng(5).standard_normal(time.size)
    points = [(5.0 * k + at, rpm) for k in range(12) for at, rpm in ((0.0, 2400.0), (3.0, 3600.0))]
    tach = turned(*points, (60.0, 2400.0), (60.5, 900.0), (70.0, 900.0), engine=CUTTING)
    probe = Trace(np.rint(time * NS_PER_S).astype(np.int64), reading)
    view = seen(tach, 70.0, {"air_fuel_ratio": probe}, CUTTING)
    if not fed:
        return view
    cut = coasting[np.searchsorted(time, tach / NS_PER_S) - 1]
    pulses = {"tach_pulses": tach, "injector_pulses": tach[~cut][::2]}
    return replace(view, recording=replace(view.recording, pulses=pulses))


def test_without_a_load_channel_an_engine_that_never_cuts_its_fuel_is_judged_by_its_probe() -> None:
    view = without_load(13.0, ((31.0, 31.6),))
    probe = learn([view])
    assert probe is not None
    assert not probe.cuts_fuel
    (sign,) = signs(view, probe)
    assert sign.from_ns / NS_PER_S == pytest.approx(31.0, abs=0.15)


def test_one_that_cuts_its_fuel_is_judged_where_too_little_is_missing_for_a_cut() -> None:
    """A fifth of the firings, lost now and then."""
    view = without_load(20.0, tuple((at, at + 0.06) for at in np.arange(31.0, 32.2, 0.1)), lost=0.3)
    (sign,) = signs(view, learn([view]))
    assert sign.from_ns / NS_PER_S == pytest.approx(31.0, abs=0.15)
    assert sign.to_ns / NS_PER_S == pytest.approx(32.2, abs=0.15)


@pytest.mark.parametrize(("lost", "lasts_s"), [(0.36, 0.7), (0.36, 0.2), (0.2, 0.3)])
def test_but_not_where_it_may_have_been_a_cut(lost: float, lasts_s: float) -> None:
    """What reads as plain air, for long or short; or the little that a short lift leaves in the reading."""
    view = without_load(20.0, ((31.0, 31.0 + lasts_s),), lost=lost)
    assert signs(view, learn([view])) == []


def test_nor_where_a_foot_lifts_three_times_in_a_second() -> None:
    """Each for so short that the exhaust mixes it with what burned: no stretch that is lean throughout."""
    view = without_load(20.0, ((31.0, 31.1), (31.4, 31.5), (31.8, 31.9)), lost=0.25)
    assert signs(view, learn([view])) == []


def test_the_injectors_own_wire_tells_that_it_was_none() -> None:
    view = without_load(20.0, ((31.0, 31.3),), fed=True)
    (sign,) = signs(view, learn([view]))
    assert sign.from_ns / NS_PER_S == pytest.approx(31.0, abs=0.15)


def test_nor_where_the_mixture_changes_with_the_load_that_nobody_sees() -> None:
    """Idling at 14.7, pulling at 13: cruising reads leaner with every firing lit."""
    assert learn([without_load(20.0, ratio_idling=14.7)]) is None


@pytest.mark.parametrize("early_s", [0.0, 0.3])
def test_the_air_after_an_idle_that_is_switched_off_is_no_misfire(early_s: float) -> None:
    """The probe may read earlier than was learnt, so the air that comes as the engine stops must stay out of reach."""
    time = np.arange(0.0, 60.0, STEP_S)
    driving = time < 40.0
    ratio = np.where(driving & (time % 5.0 > 3.0), 20.0, 13.0)
    ratio[~driving] = 13.6  # an idle a little weaker than the pull
    ratio[time >= 50.0] = 22.0
    dead_s = np.where(driving, 0.3, 0.3 - early_s)
    reading = lagged(np.interp(time - dead_s, time, ratio))
    time_ns = np.rint(time * NS_PER_S).astype(np.int64)
    throttle = np.where(driving & (time % 5.0 <= 3.0), 80.0, 0.0)
    traces = {"air_fuel_ratio": Trace(time_ns, reading), "throttle_position": Trace(time_ns, throttle)}
    tach = turned((0.0, 3000.0), (40.0, 3000.0), (40.8, 900.0), (50.0, 900.0), (50.4, 60.0), engine=CUTTING)
    view = seen(tach, 60.0, traces, CUTTING)
    assert signs(view, learn([view])) == []


@pytest.mark.parametrize("early_s", [0.0, 0.1])
def test_the_air_of_a_carburettor_engine_switched_off_at_speed_is_no_misfire(early_s: float) -> None:
    """It never cuts its fuel, so a shut throttle excuses nothing; the probe may read air early_s before it is due."""
    engine = replace(CUTTING, fuel_system="carburettor")
    time = np.arange(0.0, 40.0, STEP_S)
    reading = lagged(np.interp(time - 0.18 + early_s, time, np.where(time < 35.0, 13.0, 21.0)))
    traces = {"air_fuel_ratio": Trace(np.rint(time * NS_PER_S).astype(np.int64), reading)}
    view = seen(turned((0.0, 3000.0), (35.0, 3000.0), engine=engine), 40.0, traces, engine)
    assert signs(view, learn([view])) == []


@pytest.mark.parametrize(("channel", "leanest"), [("throttle_position", 13.2), ("fuel_pressure", 13.8)])
def test_a_rail_shows_a_full_manifold_behind_a_throttle_that_may_be_far_from_open(channel: str, leanest: float) -> None:
    """At nine tenths of the load the mixture may be that of six tenths; by the throttle only that of 0.84."""
    probe = Probe(180_000_000, TAU_S, 15.0 - 2.0 * LOAD_CENTRES, cuts_fuel=True)
    view = driven(0.1)
    view = replace(view, load_channel=channel, load=np.full(view.load.size, 0.9, np.float32))
    assert probe.base(view, view.firings.time_ns[100:110]) == pytest.approx(np.full(10, leanest), abs=0.15)


def on_idle_jets(throttle: bool, misses: tuple[tuple[float, float], ...] = ()) -> View:
    """A carburettor, rich behind an open throttle and leaner than burns well behind one shut for 0.8 s, in turn."""
    view = driven(0.1, misses, shut_s=0.8)
    engine = replace(CUTTING, fuel_system="carburettor")
    air = view.traces["air_fuel_ratio"]
    shut = view.traces["throttle_position"].value < 50.0
    ratio = np.where(shut, 16.6, 12.6)
    for begin, end in misses:
        ratio[(air.time_ns >= begin * NS_PER_S) & (air.time_ns < end * NS_PER_S)] *= 1.5
    late = np.interp(air.time_ns - 180_000_000, air.time_ns, ratio)
    reading = lagged(late) + 0.03 * np.random.default_rng(5).standard_normal(late.size)
    traces = {**view.traces, "air_fuel_ratio": Trace(air.time_ns, reading)}
    return replace(view, engine=engine, traces=traces, load_channel="throttle_position" if throttle else None)


def test_a_carburettors_idle_jets_are_leaner_by_themselves() -> None:
    assert signs(on_idle_jets(True), learn([on_idle_jets(True)])) == []
    assert signs(on_idle_jets(False), learn([on_idle_jets(False)])) != []  # nobody knows that the throttle was shut
    missing = on_idle_jets(True, ((28.5, 29.2),))
    (sign,) = signs(missing, learn([missing]))
    assert sign.from_ns / NS_PER_S == pytest.approx(28.5, abs=0.15)


def test_a_recording_without_the_throttle_neither_teaches_the_mixture_nor_is_told_it_by_load() -> None:
    """Its throttle's sensor came off: what the crank gains is no load."""
    known = driven(0.18)
    traces = {"air_fuel_ratio": known.traces["air_fuel_ratio"]}
    bare = replace(known, traces=traces, load_channel=None, load=np.full_like(known.load, 0.9))
    alone, first, last = learn([known]), learn([bare, known]), learn([known, bare])
    assert alone is not None
    for probe in (first, last):
        assert probe is not None
        assert (probe.dead_ns, probe.cuts_fuel) == (alone.dead_ns, alone.cuts_fuel)
        assert probe.levels == pytest.approx(alone.levels)
    by_load = replace(alone, levels=np.linspace(14.7, 12.5, LOAD_CENTRES.size))
    at_ns = np.array([20, 30]) * NS_PER_S
    assert by_load.base(bare, at_ns).tolist() == [14.7, 14.7]
    assert by_load.base(known, at_ns).max() < 13.5
