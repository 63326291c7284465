"""Places in the engine's cycle, kept over pulses that were lost, and what of the pattern is the lobes'."""

from dataclasses import replace

import numpy as np
import pytest

from logger.analysis.crank import cycle, standing
from logger.analysis.crank.states import State, View
from logger.event import BoolArray, IntArray
from tests.analysis.lame_car import FOUR, Lost, cylinder, never, recording, view_of


def without(edges: IntArray, first: int, gone: int, sooner: int) -> IntArray:
    """The edges without `gone` of them from `first` on, the rest sooner by that many intervals."""
    late = edges[first + gone :] - sooner * (edges[first + 1] - edges[first])
    return np.concatenate((edges[:first], late))


def pulling(view: View) -> BoolArray:
    return np.asarray(view.state == State.PULLING)


@pytest.mark.parametrize("sooner", [0, 1, 2, 3])
def test_lobes_tell_by_how_many_places_the_count_slipped(sooner: int) -> None:
    sound = recording(never, lobe_deg=1.0)
    edges = sound.pulses["tach_pulses"]
    view = view_of(replace(sound, pulses={"tach_pulses": without(edges, 3000, 12, sooner)}))
    (folded,), _ = cycle.fold([view.firings], [pulling(view)], 4)
    assert set(folded.group.tolist()) == {0}
    after = int(np.searchsorted(view.firings.time_ns, edges[3012] - sooner * (edges[3001] - edges[3000])))
    # Pulse 3012 has the place that it had before any was lost, whatever number it has now.
    assert (folded.place[after] - folded.place[0]) % 4 == 3012 % 4


def test_where_edges_were_taken_out_the_count_may_have_slipped_too() -> None:
    """A pulse that was taken for the echo of the one before it leaves no gap, but an edge too many."""
    sound = view_of(recording(never, lobe_deg=1.0))
    whole, after = sound.firings.time_ns, 3001
    moved = np.concatenate((whole[:after], whole[after + 1 :] - (whole[after + 1] - whole[after])))
    rest = {name: getattr(sound.firings, name)[:-1] for name in ("seen", "stretch", "speed_rps")}
    slipped = replace(sound.firings, time_ns=moved, extra_ns=moved[after : after + 1] - 1_000_000, **rest)
    (folded,), _ = cycle.fold([slipped], [pulling(sound)[:-1]], 4)
    assert (int(folded.place[after]) - int(folded.place[0])) % 4 == (after + 1) % 4


def test_without_lobes_pulses_after_a_long_silence_are_a_group_of_their_own() -> None:
    sound = recording(never, lobe_deg=0.0)
    gone = without(sound.pulses["tach_pulses"], 3000, 40, 0)
    view = view_of(replace(sound, pulses={"tach_pulses": gone}))
    (folded,), _ = cycle.fold([view.firings], [pulling(view)], 4)
    assert folded.group[100] != folded.group[-100]


@pytest.mark.parametrize(("gone", "counted"), [(8, True), (9, False)])
def test_without_lobes_pulses_are_counted_on_over_up_to_eight_lost_ones(gone: int, counted: bool) -> None:
    sound = recording(never, lobe_deg=0.0)
    edges = sound.pulses["tach_pulses"]
    view = view_of(replace(sound, pulses={"tach_pulses": without(edges, 5001, gone, 0)}))
    assert np.count_nonzero(~view.firings.seen) == gone
    (folded,), _ = cycle.fold([view.firings], [pulling(view)], 4)
    assert (folded.group[100] == folded.group[-100]) == counted
    if counted:
        assert folded.place.tolist() == ((np.arange(edges.size) + folded.place[0]) % 4).tolist()


def test_a_recording_of_the_same_car_gets_the_same_places() -> None:
    first = recording(never, lobe_deg=1.0)
    later = replace(first, pulses={"tach_pulses": first.pulses["tach_pulses"][3:]})
    views = [view_of(first), view_of(later)]
    folded, _ = cycle.fold([view.firings for view in views], [pulling(view) for view in views], 4)
    assert folded[0].group[0] == folded[1].group[0]
    assert folded[1].place[0] == folded[0].place[3]


def test_pulses_of_a_cycle() -> None:
    firings = view_of(recording(never)).firings
    assert cycle.places(FOUR, firings) == 4
    assert cycle.places(replace(FOUR, strokes=2), firings) == 2
    assert cycle.places(FOUR, replace(firings, pulses_per_revolution=0.75)) == 0


def test_a_day_worked_on_piece_by_piece_is_no_less_smooth(monkeypatch: pytest.MonkeyPatch) -> None:
    firings = view_of(recording(never, lobe_deg=0.6)).firings
    whole, valid = cycle.unevenness(firings, 4)
    monkeypatch.setattr(cycle, "PIECE", 1000)
    pieces, valid_too = cycle.unevenness(firings, 4)
    assert np.array_equal(valid, valid_too)
    assert pieces[valid] == pytest.approx(whole[valid], abs=1e-6)


def beyond(lost: Lost) -> tuple[float, float]:
    """Amplitude of the mean wave of one cycle that is left while pulling, and that due, in intervals."""
    view = view_of(recording(lost, lobe_deg=0.6))
    folded, _ = cycle.fold([view.firings], [pulling(view)], 4)
    due = standing.due(view, 4)
    table = standing.patterns([view], folded, [due], 4, [np.ones(view.state.size, bool)], {})
    rest, known = standing.beyond(view, folded[0], table, 4, slice(None))
    use = known & pulling(view)
    wave = rest[use] * np.exp(-2j * np.pi * folded[0].place[use] / 4)
    return 2.0 * abs(complex(wave.mean())), float(due[use].mean())


def test_what_is_left_of_a_cylinder_lame_all_day_is_what_the_law_says() -> None:
    # The fit takes some of it, and a loss spread over a firing's angle, a quarter of the cycle, shows sinc(1/4) of it.
    left, due = beyond(cylinder(1, 4, (0.0, 60.0), share=1.0))
    assert left == pytest.approx(cycle.kept(4)[1] * np.sinc(0.25) * due, rel=0.15)


def test_of_lobes_nothing_is_left() -> None:
    left, due = beyond(never)
    assert left < 0.05 * due
