"""Is it fixed: verdicts over matched exposure, in the order of the repairs."""

import time
from collections.abc import Sequence
from dataclasses import replace

import pytest

from logger.analysis.findings import RepairVerdict, Stumble
from logger.analysis.links import exposure
from logger.analysis.links.frames import frame
from logger.analysis.repair import repairs
from logger.analysis.repair.provoking import Run, matched_conditions
from logger.analysis.repair.repairs import Work
from logger.event import Cause, Event, Recording, Repair
from tests.analysis.invented import ENGINE, event, run, running, stumble

KNOCKS = [(6.0, 3.0), (14.0, 2.6), (23.0, 3.0), (31.0, 2.6), (44.0, 4.0), (52.0, 3.0)]
FEED = "renewed the coil feed wire"
WARM = (80.0, 95.0)


def knocked(name: str, cause: Cause = "ignition_primary") -> list[Stumble]:
    """Three bursts in a run of KNOCKS, each right after a knock."""
    return [stumble(name, at_s + 0.03, cause=cause) for at_s in (6.0, 23.0, 44.0)]


def runs(n_failed: int, n_clean: int, degc_after: tuple[float, float] = WARM) -> tuple[list[Recording], list[Stumble]]:
    """Runs r01, r02, ... of which the first n_failed failed."""
    recordings = [run(f"r{k + 1:02d}", KNOCKS, WARM if k < n_failed else degc_after) for k in range(n_failed + n_clean)]
    return recordings, [one for k in range(n_failed) for one in knocked(f"r{k + 1:02d}")]


def judge(of: Event, stumbles: Sequence[Stumble]) -> list[RepairVerdict]:
    return repairs.judge(of, stumbles, running(of))


def one_verdict(n_failed: int, n_clean: int, degc_after: tuple[float, float] = WARM) -> RepairVerdict:
    recordings, stumbles = runs(n_failed, n_clean, degc_after)
    (found,) = judge(event(recordings, [Repair(FEED, after_recording=f"r{n_failed:02d}")]), stumbles)
    return found


def test_enough_clean_running_over_the_same_knocks_is_fixed() -> None:
    """9 bursts in 18 knocks, then none in 42: (1 + 0.2 · 42 / 18)^-9 = 0.032, and 1 - 0.032 / 0.9 = 0.965."""
    found = one_verdict(3, 7)
    assert (found.what, found.verdict) == (FEED, "fixed")
    assert found.confidence_fixed == pytest.approx(0.965, abs=0.001)
    assert (found.rate_before_per_h, found.rate_after_per_h) == (180.0, 0.0)
    assert "Before, 3 of 3 runs failed; since, none of 7" in found.sentence


def test_one_clean_run_is_too_early_and_says_how_many_more() -> None:
    found = one_verdict(3, 1)
    assert found.verdict == "too_early"
    assert "clean runs like these" in found.needed
    assert "Strongest proof, where it is safe: put the old part back" in found.needed


def test_what_came_back_is_told_over_what_brings_it_out() -> None:
    """Linked with shock, and as warm throughout: knocks are what to speak of, not minutes as warm as that."""
    recordings, stumbles = runs(2, 2)
    stumbles += knocked("r03") + knocked("r04")
    (found,) = judge(event(recordings, [Repair(FEED, after_recording="r02")]), stumbles)
    assert "Bursts: 6 in 12 knocks above" in found.sentence


def test_the_runs_said_to_be_needed_are_those_that_make_it_fixed() -> None:
    recordings, stumbles = runs(3, 2)
    of = event(recordings, [Repair(FEED, after_recording="r03")])
    needed = int(judge(of, stumbles)[0].needed.split("about ")[1].split(" ")[0])
    assert one_verdict(3, 2 + needed).verdict == "fixed"
    assert one_verdict(3, 2 + needed - 1).verdict == "too_early"


def test_as_many_stumbles_as_before_are_not_fixed() -> None:
    recordings, stumbles = runs(2, 2)
    stumbles += knocked("r03") + knocked("r04")
    (found,) = judge(event(recordings, [Repair(FEED, after_recording="r02")]), stumbles)
    assert found.verdict == "not_fixed"
    assert found.needed == "It came back: look for the cause again."


def test_clean_running_on_a_smooth_road_clears_nothing_that_shock_brings_out() -> None:
    recordings, stumbles = runs(3, 0)
    recordings += [run(f"s{k}", (), WARM) for k in range(8)]
    (found,) = judge(event(recordings, [Repair(FEED, after_recording="r03")]), stumbles)
    assert found.verdict == "too_early"
    assert found.confidence_fixed == 0.0
    assert "knocks above" in found.sentence


def test_clean_cold_running_clears_nothing_that_heat_brings_out() -> None:
    hot = [run(f"r{k}", (), (92.0, 98.0)) for k in range(3)]
    cold = [run(f"c{k}", (), (45.0, 70.0)) for k in range(8)]
    stumbles = [stumble(f"r{k}", at_s) for k in range(3) for at_s in (10.0, 25.0, 40.0)]
    of = event([run("r-", (), (45.0, 80.0)), *hot, *cold], [Repair(FEED, after_recording="r2")])
    (found,) = judge(of, stumbles)
    assert found.verdict == "too_early"
    assert "minutes with the coolant above" in found.needed


def test_thirty_cut_outs_in_a_row_prove_as_little_as_one() -> None:
    recordings, _ = runs(1, 6)
    stumbles = [stumble("r01", 6.03 + 0.8 * k) for k in range(30)]
    (found,) = judge(event(recordings, [Repair(FEED, after_recording="r01")]), stumbles)
    assert found.verdict == "too_early"


def test_nothing_stumbled_so_there_is_nothing_to_judge() -> None:
    recordings, _ = runs(0, 4)
    (found,) = judge(event(recordings, [Repair(FEED, after_recording="r02")]), [])
    assert (found.verdict, found.rate_before_per_h, found.rate_after_per_h) == ("too_early", 0.0, 0.0)
    assert found.sentence.startswith("Nothing to compare with: no stumble was recorded")


def test_a_repair_before_the_first_recording_has_nothing_to_compare_with() -> None:
    recordings = [run("r01", KNOCKS, offset_s=600.0), run("r02", KNOCKS, offset_s=1200.0)]
    (found,) = judge(event(recordings, [Repair(FEED, offset_ns=0)]), knocked("r01"))
    assert (found.verdict, found.rate_before_per_h, found.confidence_fixed) == ("too_early", None, None)
    assert found.sentence.startswith("Nothing was recorded before this work")


def test_a_repair_after_the_last_recording_waits_for_the_next_run() -> None:
    found = one_verdict(3, 0)
    assert (found.verdict, found.rate_after_per_h, found.confidence_fixed) == ("too_early", None, 0.0)
    assert "none has been driven since" in found.sentence


def test_an_engine_that_never_ran_is_no_exposure() -> None:
    recordings, _ = runs(0, 2)
    of = event(recordings, [Repair(FEED, after_recording="r01")])
    (found,) = repairs.judge(of, [], [[], []])
    assert (found.verdict, found.rate_before_per_h, found.rate_after_per_h) == ("too_early", None, None)


def test_two_repairs_in_one_minute_are_one_and_say_so() -> None:
    recordings, stumbles = runs(3, 7)
    both = [Repair(FEED, after_recording="r03"), Repair("new coil", after_recording="r03")]
    found = judge(event(recordings, both), stumbles)
    assert [one.what for one in found] == [FEED, "new coil"]
    assert [one.verdict for one in found] == ["fixed", "fixed"]
    assert "so one repair: which of them did it cannot be told, unless the old parts are put back" in found[0].sentence


def test_two_repairs_a_minute_apart_by_the_clock_are_one_as_well() -> None:
    recordings = [run(f"r{k}", KNOCKS, WARM, offset_s=600.0 * k) for k in range(10)]
    stumbles = [one for k in range(3) for one in knocked(f"r{k}")]
    both = [Repair(FEED, offset_ns=1_500 * 10**9), Repair("new coil", offset_ns=1_530 * 10**9)]
    found = judge(event(recordings, both), stumbles)
    assert found[0].confidence_fixed == found[1].confidence_fixed


def test_the_wrong_part_is_not_fixed_and_the_right_one_after_it_is() -> None:
    recordings, stumbles = runs(4, 7)
    done = [Repair("new coil", after_recording="r02"), Repair(FEED, after_recording="r04")]
    assert [one.verdict for one in judge(event(recordings, done), stumbles)] == ["not_fixed", "fixed"]


def test_a_repair_that_may_have_halved_the_rate_keeps_the_runs_before_it_from_the_next_ones_comparison() -> None:
    """3 bursts a run, then 1 in a run: as few come by chance in one of four (binomial, 1 of 10 in a quarter of it)."""
    recordings, stumbles = runs(3, 4)
    stumbles.append(stumble("r04", 6.03))
    done = [Repair("new coil", after_recording="r03"), Repair(FEED, after_recording="r04")]
    second = judge(event(recordings, done), stumbles)[1]
    assert "Before, 1 of 1 runs failed" in second.sentence


def test_verdicts_come_in_the_order_in_which_repairs_were_entered() -> None:
    recordings, stumbles = runs(4, 7)
    done = [Repair(FEED, after_recording="r04"), Repair("new coil", after_recording="r02")]
    assert [(one.what, one.verdict) for one in judge(event(recordings, done), stumbles)] == [
        (FEED, "fixed"),
        ("new coil", "not_fixed"),
    ]


def test_work_on_a_car_that_had_stopped_stumbling_is_not_credited() -> None:
    recordings, stumbles = runs(3, 12)
    done = [Repair(FEED, after_recording="r03"), Repair("new coil", after_recording="r10")]
    first, second = judge(event(recordings, done), stumbles)
    assert (first.verdict, second.verdict) == ("fixed", "too_early")
    assert "the stumbling had stopped before this work" in second.sentence


def test_without_a_clock_a_repair_by_the_clock_asks_after_which_recording_it_was() -> None:
    recordings, stumbles = runs(3, 6)
    (found,) = judge(event(recordings, [Repair(FEED, offset_ns=10**12)]), stumbles)
    assert found.verdict == "too_early"
    assert found.needed == "Enter after which recording it was done."


def test_a_clock_that_turned_up_after_the_repair_places_it_only_where_that_is_certain() -> None:
    recordings = [run("r01", KNOCKS), run("r02", KNOCKS, offset_s=600.0), run("r03", KNOCKS, offset_s=1200.0)]
    stumbles = knocked("r01") + knocked("r02")
    between = judge(event(recordings, [Repair(FEED, offset_ns=900 * 10**9)]), stumbles)[0]
    unknown = judge(event(recordings, [Repair(FEED, offset_ns=300 * 10**9)]), stumbles)[0]
    assert between.rate_before_per_h == 180.0
    assert unknown.confidence_fixed is None


def test_work_while_the_logger_ran_on_cuts_the_recording_there() -> None:
    recordings = [run("r01", KNOCKS, offset_s=0.0)]
    stumbles = [stumble("r01", 6.03), stumble("r01", 14.03)]
    (found,) = judge(event(recordings, [Repair(FEED, offset_ns=30 * 10**9)]), stumbles)
    assert (found.rate_before_per_h, found.rate_after_per_h) == (240.0, 0.0)


def test_stumbles_of_another_cause_do_not_speak_against_a_repair() -> None:
    recordings, stumbles = runs(3, 7)
    stumbles += [stumble("r06", 38.0, cause="fuel_delivery"), stumble("r08", 38.0, cause="fuel_delivery")]
    (found,) = judge(event(recordings, [Repair(FEED, after_recording="r03")]), stumbles)
    assert found.verdict == "fixed"
    assert "another cause since are not counted here: fuel_delivery" in found.sentence


def test_stumbles_of_undetermined_cause_do_speak_against_it() -> None:
    recordings, stumbles = runs(3, 7)
    stumbles += [stumble(name, 38.0, cause="undetermined") for name in ("r06", "r07", "r08")]
    (found,) = judge(event(recordings, [Repair(FEED, after_recording="r03")]), stumbles)
    assert found.verdict != "fixed"


def test_how_long_proof_takes_is_said_before_the_work() -> None:
    """9 bursts in 18 knocks: ((0.9 · 0.05)^(-1/9) - 1) / 0.2 = 2.057 times 18 knocks are 37 more, 7 runs of 6."""
    cells = [frame(run(f"r{k}", KNOCKS, WARM), ENGINE, [(0.0, 60.0)], knocked(f"r{k}")) for k in range(3)]
    said = repairs.proof_ahead([Run(exposure.summarise(one), one) for one in cells])
    assert said is not None
    assert said.startswith("37 more knocks above 2.0 g without a stumble, about 7 clean runs like these.")
    assert repairs.proof_ahead([]) is None


def test_two_repairs_in_one_minute_are_one_even_while_the_logger_runs_on() -> None:
    recordings = [run("r01", KNOCKS, offset_s=0.0)]
    done = [Repair(FEED, offset_ns=25 * 10**9), Repair("new coil", offset_ns=40 * 10**9)]
    found = judge(event(recordings, done), [stumble("r01", 6.03), stumble("r01", 14.03)])
    assert [one.rate_before_per_h for one in found] == [288.0, 288.0]  # two bursts in 25 s
    assert all("Done together (renewed the coil feed wire and new coil)" in one.sentence for one in found)


def test_no_repairs_no_verdicts() -> None:
    recordings, stumbles = runs(2, 1)
    assert judge(event(recordings), stumbles) == []


def season(linked_shock: bool | None = True) -> tuple[list[Run], list[Work]]:
    """Forty recordings as the logbook keeps them: twelve that failed, then clean ones, with four repairs."""
    kept = []
    for failed in (True, False):
        cells = frame(run("r01", KNOCKS, WARM), ENGINE, [(0.0, 60.0)], knocked("r01") if failed else [])
        kept.append(exposure.summarise(cells).to_dict())
    documents = [kept[0]] * 12 + [kept[1]] * 28
    work = [Work("new coil", 3), Work("new ignition module", 7), Work(FEED, 12), Work("new plugs", 30)]
    logged = [exposure.Exposure.from_dict(document) for document in documents]
    return [Run(one, linked_shock=linked_shock) for one in logged], work


def test_a_season_is_judged_from_the_logbook_alone() -> None:
    logged, work = season()
    found = repairs.judge_runs(logged, work)
    assert [one.verdict for one in found] == ["not_fixed", "not_fixed", "fixed", "too_early"]


def test_a_season_leaves_bursts_of_another_cause_out_as_well() -> None:
    logged, _ = season()
    cells = frame(run("r01", KNOCKS, WARM), ENGINE, [(0.0, 60.0)], [stumble("r01", 38.0, cause="fuel_delivery")])
    other = Run(exposure.Exposure.from_dict(exposure.summarise(cells).to_dict()), linked_shock=False)
    (found,) = repairs.judge_runs([*logged[:12], other, *logged[12:]], [Work(FEED, 12)])
    assert found.verdict == "fixed"
    assert "another cause since are not counted here: fuel_delivery" in found.sentence


@pytest.mark.parametrize(
    ("told", "asked"),
    [((True, None), "knocks"), ((True, False), "driving"), ((False, False), "driving"), ((None, None), "driving")],
)
def test_events_that_contradict_each_other_leave_every_condition_possible(
    told: tuple[bool | None, bool | None], asked: str
) -> None:
    logged, _ = season()
    failed = [replace(run, linked_shock=linked) for run, linked in zip(logged, told, strict=False)]
    assert matched_conditions(failed)[0].kind == asked


def test_a_season_of_forty_recordings_is_judged_in_200_ms() -> None:
    logged, work = season()
    took = []
    for _ in range(3):
        begin = time.perf_counter()
        repairs.judge_runs(logged, work)
        took.append(time.perf_counter() - begin)
    assert min(took) < 0.2


@pytest.mark.parametrize("linked_shock", [True, False, None])
def test_what_cannot_be_told_is_asked_for_as_well(linked_shock: bool | None) -> None:
    logged, _ = season(linked_shock)
    smooth = exposure.summarise(frame(run("s", (), WARM), ENGINE, [(0.0, 60.0)]))
    found = repairs.judge_runs(logged[:12] + [Run(smooth)] * 20, [Work(FEED, 12)])
    assert found[0].verdict == ("fixed" if linked_shock is False else "too_early")


def test_what_is_linked_is_asked_for_first() -> None:
    """Before any clean run every condition leaves the same doubt: the one that brings it out is the one to name."""
    logged, _ = season(None)
    hot = [replace(run, linked_heat=True) for run in logged[:12]]
    assert [one.kind for one in matched_conditions(hot)] == ["hot", "knocks"]
    assert "minutes with the coolant above" in (repairs.proof_ahead(hot) or "")
