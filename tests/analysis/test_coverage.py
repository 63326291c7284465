"""What a bench session has reached of the conditions in which the car stumbled."""

from logger.analysis.links import exposure
from logger.analysis.links.coverage import coverage, plan
from logger.analysis.links.exposure import Exposure
from tests.analysis.invented import ENGINE, run, stumble

KNOCKS = [(6.0, 3.0), (14.0, 3.0), (23.0, 3.0), (31.0, 3.0), (44.0, 3.0), (52.0, 3.0)]


def at_the_event() -> list[Exposure]:
    """Three bursts at about 90 °C, each right after a knock of 3 g."""
    stumbles = [stumble("r01", at_s + 0.03) for at_s in (6.0, 23.0, 44.0)]
    return [exposure.of(run("r01", KNOCKS, (89.0, 93.0)), ENGINE, [(0.0, 60.0)], stumbles)]


def session(knocks: list[tuple[float, float]], degc: tuple[float, float]) -> list[Exposure]:
    return [exposure.of(run("b01", knocks, degc), ENGINE, [(0.0, 60.0)])]


def test_a_session_as_hot_and_as_shaken_reaches_everything() -> None:
    found = coverage(at_the_event(), session(KNOCKS, (92.0, 96.0)))
    assert (found.heat, found.shock, found.speed, found.all) == (1.0, 1.0, 1.0, 1.0)


def test_a_clean_dyno_day_that_never_shook_the_car_clears_nothing_that_shock_brings_out() -> None:
    found = coverage(at_the_event(), session([], (92.0, 96.0)), linked_heat=False, linked_shock=True)
    assert (found.heat, found.shock, found.all) == (None, 0.0, 0.0)
    assert "clears nothing that shock brings out" in found.sentence


def test_a_cold_session_reaches_no_heat_and_none_of_what_needs_both() -> None:
    found = coverage(at_the_event(), session(KNOCKS, (40.0, 60.0)), linked_heat=True, linked_shock=True)
    assert (found.heat, found.shock, found.all) == (0.0, 0.0, 0.0)


def test_gentler_knocks_do_not_reach_harder_ones() -> None:
    gentle = [(at_s, 1.5) for at_s, _ in KNOCKS]
    assert coverage(at_the_event(), session(gentle, (92.0, 96.0))).shock == 0.0


def test_the_logbooks_trimmed_histograms_count_the_same() -> None:
    logged = [Exposure.from_dict(one.to_dict()) for one in session(KNOCKS, (92.0, 96.0))]
    event = [Exposure.from_dict(one.to_dict()) for one in at_the_event()]
    assert coverage(event, logged) == coverage(at_the_event(), session(KNOCKS, (92.0, 96.0)))


def test_without_stumbles_there_is_nothing_to_cover_and_nothing_to_provoke() -> None:
    found = coverage(session([], (92.0, 96.0)), session([], (92.0, 96.0)))
    assert (found.heat, found.shock, found.all) == (None, None, 0.0)
    assert plan([]) == []


def test_the_plan_names_temperature_knocks_and_speed() -> None:
    steps = plan(at_the_event())
    assert steps[0].startswith("Warm it up until the coolant shows 91 °C")
    assert steps[1].startswith("Shake it: 9 knocks of ")
    assert steps[2].startswith("On the spot, tap the coil's feed wire, plug and relay")
    assert steps[3].startswith("Hold about 4250 rev/min")


def test_the_plan_says_where_to_tap_by_what_failed_most_often() -> None:
    stumbles = [stumble("r01", at_s + 0.03, cause="fuel_delivery") for at_s in (6.0, 23.0)] + [stumble("r01", 44.03)]
    steps = plan([exposure.of(run("r01", KNOCKS, (89.0, 93.0)), ENGINE, [(0.0, 60.0)], stumbles)])
    assert "tap the pump's plug, relay and ground with a rubber mallet" in steps[2]
    assert "no petrol joint open" in steps[2]


def test_what_must_not_be_tapped_is_told_apart_from_what_it_is_tapped_with() -> None:
    stumbles = [stumble("r01", at_s + 0.03, cause="ignition_secondary") for at_s in (6.0, 23.0, 44.0)]
    steps = plan([exposure.of(run("r01", KNOCKS, (89.0, 93.0)), ENGINE, [(0.0, 60.0)], stumbles)])
    assert "tap coil, cap and their brackets (never a lead) with a rubber mallet" in steps[2]


def test_the_plan_leaves_out_what_does_not_matter() -> None:
    steps = plan(at_the_event(), linked_heat=False, linked_shock=False)
    assert len(steps) == 1


def test_few_knocks_before_bursts_are_no_reason_to_shake_the_car_and_many_bursts_not_to_shake_it_all_day() -> None:
    away = [stumble("r01", at_s) for at_s in (10.0, 18.0, 27.0)]
    hit = [stumble("r01", at_s + 0.03) for at_s, _ in KNOCKS]
    one_of_four = [exposure.of(run("r01", KNOCKS), ENGINE, [(0.0, 60.0)], [*away, hit[4]])]
    many = [exposure.of(run("r01", KNOCKS), ENGINE, [(0.0, 60.0)], hit)] * 10
    assert not any("Shake it" in step for step in plan(one_of_four))
    assert any(step.startswith("Shake it: 40 knocks") for step in plan(many, linked_shock=True))
