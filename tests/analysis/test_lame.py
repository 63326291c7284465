"""A cylinder that misfires again and again, told by the wave of one cycle in pulses that each alone show nothing."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from logger.analysis import analyse
from logger.analysis.crank import cycle
from logger.analysis.signs import lame
from logger.analysis.signs.sign import Sign
from logger.event import NS_PER_S, Engine, Event
from tests.analysis import lame_car
from tests.analysis.lame_car import FOUR, Lost, cylinder, never, recording, view_of

SPANS = ((13.0, 16.5), (38.0, 41.0))
WASTED_SPARK = replace(FOUR, tach_pulses_per_revolution=1.0)
CRANK_PICKUP = replace(FOUR, tach_pulses_per_revolution=3.0, tach_source="crank")
FIVE = Engine(cylinders=5, idle_rpm=900.0, redline_rpm=6500.0)
TRIPLE = Engine(cylinders=3, strokes=2, idle_rpm=900.0, redline_rpm=6500.0)


def found(lost: Lost, engine: Engine = FOUR, **about: float | bool | tuple[int, int] | None) -> list[Sign]:
    return lame.signs([view_of(recording(lost, engine, **about), engine)])[0]  # type: ignore[arg-type]


@pytest.mark.parametrize("engine", [FOUR, WASTED_SPARK, CRANK_PICKUP, FIVE, TRIPLE])
def test_a_cylinder_that_is_lame_for_some_seconds_is_found_to_within_some_cycles(engine: Engine) -> None:
    view = view_of(recording(cylinder(1, engine.cylinders, *SPANS), engine), engine)
    signs = lame.signs([view])[0]
    assert [sign.kind for sign in signs] == ["lame_cylinder"] * 2
    for sign, (begin, end) in zip(sorted(signs, key=lambda sign: sign.from_ns), SPANS, strict=True):
        assert sign.from_ns / NS_PER_S == pytest.approx(begin, abs=0.4)
        assert sign.to_ns / NS_PER_S == pytest.approx(end, abs=0.4)
        pulses = np.diff(np.searchsorted(view.firings.time_ns, [begin * NS_PER_S, end * NS_PER_S]))[0]
        assert sign.lost == pytest.approx(0.9 * pulses / cycle.places(engine, view.firings), rel=0.15)


@pytest.mark.parametrize("which", range(4))
def test_it_is_found_whichever_cylinder_it_is(which: int) -> None:
    signs = found(cylinder(which, 4, *SPANS))
    assert len([sign for sign in signs if sign.strength > lame.CONVINCING]) == 2


def test_one_miss_is_below_the_jitter_of_its_edges() -> None:
    # Otherwise a detector of single steps would do. One firing takes d of speed, so its segment is longer by about d.
    lost = lame_car.WORK / 4 / (2.0 * np.pi * 57.0) ** 2
    jitter = 2e-5 * 57.0 * 2.0 + np.radians(0.12) / np.pi
    assert lost < 7.0 * jitter


def random_losses(share: float) -> Lost:
    random = np.random.default_rng(8)

    return lambda number, at_s: any(a <= at_s < b for a, b in SPANS) and random.random() < share


@pytest.mark.parametrize(
    ("lost", "about"),
    [
        (never, {"lobe_deg": 1.0}),
        (never, {"jitter_s": 1.5e-4}),
        (never, {"idles": True, "lobe_deg": 0.8}),
        (random_losses(0.25), {}),
        (random_losses(0.5), {}),
    ],
)
def test_uneven_lobes_a_noisy_wire_idling_and_losses_of_all_cylinders_are_none(
    lost: Lost, about: dict[str, float]
) -> None:
    assert found(lost, **about) == []


@pytest.mark.parametrize("more", [-1, 1, 2, 3])
def test_a_count_that_slips_over_lost_pulses_makes_no_cylinder_lame(more: int) -> None:
    # Twelve pulses are gone, and the wire is silent for some intervals less, or one more, than twelve take.
    edges = recording(never, lobe_deg=1.0).pulses["tach_pulses"]
    middle = edges.size // 2
    late = edges[middle + 12 :] - more * (edges[middle + 1] - edges[middle])
    slipped = replace(recording(never), pulses={"tach_pulses": np.concatenate((edges[:middle], late))})
    view = view_of(slipped)
    assert np.count_nonzero(~view.firings.seen) == 12 - more
    assert lame.signs([view]) == [[]]


def test_a_lame_cylinder_is_found_after_pulses_that_were_lost_as_before() -> None:
    signs = found(cylinder(1, 4, *SPANS), lobe_deg=1.0, skip=(2800, 2813))
    assert len(signs) == 2


@pytest.mark.parametrize(("gone", "known"), [(8, True), (9, False)])
def test_a_known_cylinder_is_known_again_as_long_as_pulses_can_be_counted_on(gone: int, known: bool) -> None:
    # Without lobes only the count over the lost pulses says which cylinder it is; these few cycles alone convict none.
    lost, about = cylinder(1, 4, (13.0, 20.0), (50.0, 50.2)), {"lobe_deg": 0.0, "jitter_s": 4e-5}
    first = int(np.searchsorted(recording(never, lobe_deg=0.0).pulses["tach_pulses"], 46 * NS_PER_S))
    signs = sorted(found(lost, skip=(first, first + gone), **about), key=lambda sign: sign.from_ns)
    assert signs[0].from_ns / NS_PER_S == pytest.approx(13.0, abs=0.5)
    assert [sign.from_ns / NS_PER_S for sign in signs[1:]] == ([pytest.approx(50.0, abs=0.1)] if known else [])


def test_once_found_lame_it_is_no_part_of_the_pattern_that_sound_pulls_are_held_against() -> None:
    # Two of five pulls lean the pattern their way, and the sound ones lean the other way as long as it holds them.
    spans = ((0.0, 8.0), (24.0, 32.0))
    signs = sorted(found(cylinder(1, 4, *spans)), key=lambda sign: sign.from_ns)
    for sign, span in zip(signs, spans, strict=True):
        assert (sign.from_ns / NS_PER_S, sign.to_ns / NS_PER_S) == pytest.approx(span, abs=0.4)


def test_a_cylinder_that_is_lame_all_day_is_found() -> None:
    signs = found(cylinder(2, 4, (0.0, 60.0)))
    span_s = sum(sign.to_ns - sign.from_ns for sign in signs) / NS_PER_S
    assert span_s > 25.0  # of 40 s pulling


def test_a_lobe_that_is_off_by_as_much_as_a_lame_cylinder_shows_is_none() -> None:
    # Its angle is the same at all loads and speeds; a lost firing costs nothing on overrun.
    edges = recording(never, lobe_deg=0.0).pulses["tach_pulses"].copy()
    interval = np.median(np.diff(edges))
    edges[1::4] += round(0.02 * interval)
    off = replace(recording(never, lobe_deg=0.0), pulses={"tach_pulses": edges})
    assert lame.signs([view_of(off)]) == [[]]


def test_what_the_rest_of_the_day_taught_shows_a_cylinder_that_is_lame_all_of_a_part() -> None:
    part = view_of(recording(cylinder(2, 4, (0.0, 60.0)), until_s=8.0))  # of one pull nothing sets it off
    sound = view_of(recording(never))
    taught = lame.learn([sound])
    (sign,) = lame.signs([part], taught)[0]
    assert (sign.to_ns - sign.from_ns) / NS_PER_S > 7.0
    assert lame.signs([part]) == lame.signs([sound], taught) == [[]]


def test_an_idling_cylinder_that_drops_out_is_found() -> None:
    signs = found(cylinder(3, 4, (20.0, 22.0)), idles=True)
    assert len(signs) == 1
    assert signs[0].from_ns / NS_PER_S == pytest.approx(20.0, abs=0.4)


@pytest.mark.parametrize("engine", [replace(FOUR, tach_pulses_per_revolution=0.5), Engine(cylinders=1)])
def test_one_pulse_a_cycle_and_one_cylinder_tell_nothing(engine: Engine) -> None:
    lost = cylinder(0, 4, *SPANS) if engine.cylinders > 1 else never
    assert found(lost, engine) == []


def test_no_recordings_no_signs() -> None:
    assert lame.signs([]) == []


def test_a_rise_begins_at_its_lowest_and_ends_at_its_top() -> None:
    gain = np.array([-1.0, -1.0, 2.0, 3.0, -1.0, 2.0, -4.0, -4.0, 1.0, 6.0])
    assert lame.rises(gain, 4.0) == [(2, 6), (8, 10)]
    assert lame.rises(gain, 20.0) == []


def test_what_the_fit_leaves_of_jitter_and_of_a_wave() -> None:
    random = np.random.default_rng(4)
    interval_ns = 8_000_000
    for count in (3, 4, 8):
        k = np.arange(40_000)
        wave = 0.01 * np.cos(2.0 * np.pi * k / count)
        of_jitter, of_wave = cycle.kept(count)
        for off, size, share in (
            (wave, np.sqrt(0.5) * 0.01, of_wave),
            (0.01 * random.standard_normal(k.size), 0.01, of_jitter),
        ):
            firings = view_of(recording(never)).firings
            edges = np.rint((k + off) * interval_ns).astype(np.int64)
            train = replace(
                firings,
                time_ns=edges,
                seen=np.ones(k.size, bool),
                stretch=np.zeros(k.size, np.int32),
                speed_rps=np.full(k.size, 60.0),
            )
            uneven, valid = cycle.unevenness(train, count)
            assert np.std(uneven[valid]) == pytest.approx(share * size, rel=0.03)


def test_its_stumbles_are_called_one_cylinders() -> None:
    event = Event("practice", FOUR, (recording(cylinder(1, 4, *SPANS)),))
    stumbles = analyse(event).stumbles
    assert len(stumbles) == 2
    for stumble, (begin, _) in zip(stumbles, SPANS, strict=True):
        assert stumble.onset_s == pytest.approx(begin, abs=0.4)
        assert (stumble.cause, stumble.sub_cause) == ("ignition_secondary", "one_cylinder")
        assert stumble.effect == "single_misses"
        assert stumble.first_to_move == "tach_pulses"
        assert any("one cylinder" in sentence for sentence in stumble.evidence_for)


def test_pieces_of_a_day_find_what_the_whole_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stretch across the edge of two pieces comes as two signs that touch."""
    view = view_of(recording(cylinder(1, 4, *SPANS)))
    whole = sorted((sign.from_ns, sign.to_ns) for sign in lame.signs([view])[0])
    assert len(whole) == 2
    monkeypatch.setattr(cycle, "PIECE", 1024)
    pieces = sorted((sign.from_ns, sign.to_ns) for sign in lame.signs([view])[0])
    for from_ns, to_ns in whole:
        inside = [piece for piece in pieces if from_ns - 2e8 < piece[0] and piece[1] < to_ns + 2e8]
        assert inside[0][0] == pytest.approx(from_ns, abs=2e8)
        assert inside[-1][1] == pytest.approx(to_ns, abs=2e8)
        assert all(after[0] - before[1] < 5e8 for before, after in pairwise(inside))


def test_the_longer_the_day_the_more_it_takes_to_convince() -> None:
    view = view_of(recording(never))
    hours = [lame.convincing([view] * n) for n in (1, 20, 200)]
    assert hours[0] == lame.CONVINCING
    assert hours[2] - hours[1] == pytest.approx(np.log(10.0), abs=1e-3)
