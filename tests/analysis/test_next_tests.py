"""Which bench tests are proposed, in which order, and that each carries its values, sources and cautions."""

import re
from dataclasses import fields

import pytest

from logger.analysis.failure import next_tests
from logger.analysis.failure.procedures import Procedure, procedures, sub_causes
from logger.analysis.findings import NextTest, Stumble
from logger.event import CAUSES, Cause, Engine

INJECTED = Engine(cylinders=4, fuel_system="port_injection")
CARBURETTOR = Engine(cylinders=4, fuel_system="carburettor")


def stumble(cause: Cause, sub_cause: str | None = None, lost: int = 10) -> Stumble:
    return Stumble(
        recording="r01",
        onset_s=10.0,
        engine_onset_s=10.0,
        end_s=10.3,
        cause=cause,
        probability={cause: 1.0},
        first_to_move="tach_pulses",
        order=[],
        effect="cutout",
        lost_firings=lost,
        lowest_speed_ratio=0.9,
        sub_cause=sub_cause,
    )


def proposed(*stumbles: Stumble, other: tuple[Cause, ...] = (), engine: Engine = INJECTED, **links: bool) -> list[str]:
    found = next_tests.for_findings(stumbles, stumbles[0].cause if stumbles else None, other, engine, links)
    by_title = {procedure.title: procedure.key for procedure in procedures()}
    return [by_title[test.title] for test in found]


def test_nothing_found_means_nothing_to_test() -> None:
    assert proposed() == []


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_begins_with_something_done_in_five_to_ten_minutes(cause: Cause) -> None:
    tests = next_tests.for_findings([stumble(cause)], cause, [], INJECTED, {})
    assert 3 <= len(tests) <= next_tests.MOST
    assert tests[0].minutes <= 10


@pytest.mark.parametrize(("sub_cause", "cause"), sub_causes().items())
def test_every_sub_cause_brings_a_test_of_its_own_to_the_front(sub_cause: str, cause: Cause) -> None:
    first_three = proposed(stumble(cause, sub_cause))[:3]
    suspects = {procedure.key: procedure.suspects for procedure in procedures()}
    assert any(suspects[key] == (sub_cause,) or suspects[key][0] == sub_cause for key in first_three)


def test_a_lost_feed_is_followed_along_its_wire_before_the_pick_up_is_measured() -> None:
    keys = proposed(stumble("ignition_primary", "feed"))
    assert keys.index("feed_wiggle") < keys.index("trigger_pickup")
    assert keys.index("feed_drop") < keys.index("trigger_pickup")


def test_the_sub_cause_behind_more_lost_firings_goes_first() -> None:
    few, many = stumble("ignition_primary", "feed", 2), stumble("ignition_primary", "module", 40)
    keys = proposed(few, many)
    assert keys.index("module_ground") < keys.index("feed_drop")


def test_what_shakes_is_tapped_and_what_heats_is_warmed_first() -> None:
    cold = proposed(stumble("ignition_primary"))
    hot = proposed(stumble("ignition_primary"), linked_heat=True)
    assert hot.index("module_heat") < cold.index("module_heat")
    still = proposed(stumble("supply_voltage"))
    shaken = proposed(stumble("supply_voltage"), linked_shock=True)
    assert shaken.index("ground_wiggle") < still.index("ground_wiggle")


def test_a_second_cause_comes_behind_the_first() -> None:
    keys = proposed(stumble("ignition_secondary"), other=("fuel_delivery",))
    assert keys[:2] == ["coil_lead_ohm", "secondary_look"]
    assert "fuel_look" in keys


def test_the_fuel_system_decides_where_pressure_is_measured() -> None:
    assert "rail_pressure" in proposed(stumble("fuel_delivery"), engine=INJECTED)
    keys = proposed(stumble("fuel_delivery"), engine=CARBURETTOR)
    assert "carburettor_pressure" in keys
    assert "rail_pressure" not in keys


@pytest.mark.parametrize("procedure", procedures(), ids=lambda procedure: procedure.key)
def test_each_procedure_is_complete(procedure: Procedure) -> None:
    for field in fields(procedure):
        assert getattr(procedure, field.name) not in ("", ()) or field.name in ("suspects", "cautions")
    for limit in procedure.limits:
        assert limit.source
    assert set(procedure.suspects) <= {sub for sub, cause in sub_causes().items() if cause == procedure.cause}


@pytest.mark.parametrize("procedure", procedures(), ids=lambda procedure: procedure.key)
def test_what_can_hurt_says_so(procedure: Procedure) -> None:
    said = " ".join(procedure.cautions)
    does = " ".join(procedure.steps)
    if re.search(r"[Ee]ngine (idling|at \d)|[Cc]rank", does):
        assert "Fan, belts" in said or "Never pull a coil lead" in said
    if "coil" in procedure.key and "idling" in does:
        assert "Never pull a coil lead" in said
    if procedure.cause == "fuel_delivery":
        assert "Petrol under pressure" in said
    if re.search(r"gap tester|stray sparks", does + procedure.title):
        assert "No spark test near open petrol" in said


def test_a_coil_fed_by_hand_is_said_to_overheat() -> None:
    (bypass,) = [procedure for procedure in procedures() if procedure.key == "feed_bypass"]
    assert "A coil left fed with the engine off overheats" in " ".join(bypass.cautions)


def test_no_step_or_value_is_written_twice() -> None:
    steps = [step for procedure in procedures() for step in procedure.steps]
    assert len(steps) == len(set(steps))
    keys = [procedure.key for procedure in procedures()]
    assert len(keys) == len(set(keys))


def test_values_of_several_sources_name_their_own() -> None:
    (test,) = [
        t for t in next_tests.for_findings([], "supply_voltage", [], INJECTED, {}) if t.title.startswith("Charg")
    ]
    assert isinstance(test, NextTest)
    assert "at most 0.3 V from output to plus at 30 A: a car maker's service manual" in test.source
    assert "at most 0.2 V from body to minus: common practice, no source" in test.source


@pytest.mark.parametrize("cause", CAUSES)
def test_a_card_fits_its_page_and_begins_with_the_key_out(cause: Cause) -> None:
    card = next_tests.test_card(cause)
    text = card.as_text()
    assert max(map(len, text.splitlines())) <= next_tests.CARD_COLUMNS
    assert re.search(r"[Kk]ey out", card.first[0] + card.first[1])
    assert "The event's rules and scrutineers come first" in " ".join(text.replace("\n  ", " ").split())
    assert text.index("CAUTION") < text.index("FIRST, ENGINE OFF, KEY OUT") < text.index("THEN MEASURE")


@pytest.mark.parametrize("cause", CAUSES)
def test_a_card_first_looks_smells_and_tugs_at_every_plug_relay_and_ground(cause: Cause) -> None:
    first = next_tests.test_card(cause).first
    assert first[0].startswith("Engine off, key out")
    assert not [word for word in ("smell", "tug", "plug", "relay", "ground") if word not in " ".join(first).lower()]


def test_a_card_for_a_word_that_is_no_cause_is_refused() -> None:
    with pytest.raises(KeyError):
        next_tests.test_card("gremlins")  # type: ignore[arg-type]


def test_no_procedure_runs_the_engine_indoors_or_takes_an_ohmmeter_to_a_hall_sensor() -> None:
    told = {procedure.key: " ".join([procedure.title, *procedure.steps]) for procedure in procedures()}
    assert not any("garage" in words for words in told.values())
    assert "may harm it" in told["trigger_pickup"]
    running = [key for key, words in told.items() if "ngine idling" in words or "engine at" in words]
    cautioned = {one.key for one in procedures() if any("exhaust gas kills" in caution for caution in one.cautions)}
    assert set(running) <= cautioned
