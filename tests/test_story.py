"""The event's story: the day in order, with the repairs between the runs."""

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from logger.analysis.crank.states import State
from logger.analysis.findings import FailedStart, Findings, OffNormal, RepairVerdict
from logger.analysis.repair.provoking import Matched
from logger.event import Event, Repair
from logger.story import DOING, bursts, percent, repair_words, story
from tests.analysis.invented import ENGINE, run, stumble

NOTHING = Findings([], [], [], [], None, [], None, None)
NOT_STUMBLED_IN = (State.OFF, State.CRANKING, State.STALLED, State.SWITCHED_OFF)
STARTED = datetime(2026, 5, 9, 8, 0, tzinfo=UTC)


def day(*repairs: Repair, **more: object) -> Event:
    recordings = (run("r01", offset_s=0.0), run("r02", offset_s=1800.0))
    event = Event("Larch Hollow", ENGINE, recordings, started_utc=STARTED, repairs=repairs)
    return replace(event, **more)  # type: ignore[arg-type]


def test_runs_and_repairs_are_told_in_the_order_in_which_they_happened() -> None:
    found = replace(NOTHING, stumbles=[stumble("r01", 10.0)], main_cause="ignition_primary")
    done = (Repair("new coil", after_recording="r02"), Repair("new lead", offset_ns=900 * 10**9))
    assert story(day(*done), found.as_json()).happened == [
        "r01 (2026-05-09T08:00Z): 1 stumble, a cut-out of 0.30 s, 12 firings lost, at 10.0 s.",
        "Then: new lead.",
        "r02 (2026-05-09T08:30Z): no stumble.",
        "Then: new coil.",
    ]


def test_work_while_the_logger_ran_and_work_at_no_known_time_are_told_too() -> None:
    ran_on = story(day(Repair("new lead", offset_ns=1830 * 10**9)), NOTHING.as_json()).happened
    assert ran_on[-1] == "During r02, at 30 s: new lead."
    clockless = day(Repair("new lead", offset_ns=0), started_utc=None)
    recordings = tuple(replace(recording, offset_ns=None) for recording in clockless.recordings)
    nobody = story(replace(clockless, recordings=recordings), NOTHING.as_json()).happened
    assert nobody[-1] == "At a time that nobody knows: new lead."


def test_what_was_entered_of_road_and_weather_comes_first() -> None:
    told = story(day(circumstances={"road": "wet", "air_pressure_kpa": 97.4}), NOTHING.as_json()).happened
    assert told[0] == "Entered: road wet, air pressure 97.4 kPa."


def test_a_failed_start_is_told_where_it_happened() -> None:
    found = replace(NOTHING, failed_starts=[FailedStart("r02", 3.0, 8.0, False, None, None)])
    assert story(day(), found.as_json()).happened[1] == (
        "r02 (2026-05-09T08:30Z): no stumble. At 3.0 s it was cranked or left with the key on, and did not run."
    )


def test_several_stumbles_are_told_by_bursts_and_the_worst() -> None:
    found = [replace(stumble("r01", at), burst=n, lost_firings=lost) for at, n, lost in
             [(10.0, 1, 5), (11.0, 1, 40), (50.0, 2, 1)]]  # fmt: skip
    told = story(day(), replace(NOTHING, stumbles=found, main_cause="ignition_primary").as_json()).happened[0]
    assert told.endswith("3 stumbles in 2 bursts, the worst a cut-out of 0.30 s, 40 firings lost, at 11.0 s.")
    assert [len(burst) for burst in bursts([{"burst": one.burst} for one in found])] == [2, 1]


def test_what_the_engine_was_doing_is_told_with_the_worst_and_counted_over_all() -> None:
    did = [(10.0, "pulling"), (20.0, "gear_change"), (30.0, "pulling"), (40.0, "")]
    found = [replace(stumble("r01", at), doing=doing) for at, doing in did]
    told = story(day(), replace(NOTHING, stumbles=found, main_cause="ignition_primary").as_json())
    assert "a cut-out of 0.30 s while pulling, 12 firings lost" in told.happened[0]
    assert told.brings == ["Of 4 stumbles 2 came while pulling, 1 in a gear change."]


def test_what_was_off_all_day_is_told_before_that_no_stumble_was_found() -> None:
    off = OffNormal(
        "battery_voltage", "full fast warm", 12.0, 14.1, 2, "supply_voltage", "Battery voltage was at 12 V."
    )
    found = replace(NOTHING, off_normal=[off], summary="No stumble was found.")
    assert story(day(), found.as_json()).probably == ["Battery voltage was at 12 V.", "No stumble was found."]


def test_every_state_that_can_be_told_has_its_words() -> None:
    assert DOING.keys() == {one.name.lower() for one in State if one not in NOT_STUMBLED_IN}


def test_findings_of_before_bursts_were_numbered_make_each_stumble_one() -> None:
    assert len(bursts([{"onset_s": 1.0}, {"onset_s": 2.0}])) == 2


def test_what_the_bursts_have_in_common_before_they_begin_is_told_after_the_links() -> None:
    precursors = [
        {"channel": "engine_speed", "from_s": -2.56, "is_higher": True, "n": 10},
        {"channel": "fuel_pressure", "from_s": -0.4, "is_higher": False, "n": 10},
    ]
    links = {"sentence": "Neither heat nor shock stands out.", "precursors": precursors}
    assert story(day(), replace(NOTHING, stumbles=[stumble("r01", 10.0)], links=links).as_json()).brings == [
        "Neither heat nor shock stands out.",
        "Laid over each other, the bursts have in common, against other driving: "
        "engine speed higher from 2.6 s before, fuel pressure lower from 0.4 s before.",
    ]


def test_while_a_repair_waits_for_its_proof_nothing_is_said_of_another() -> None:
    waiting = RepairVerdict("new coil", "too_early", 10.0, 0.0, 0.5, "Half way.", "3 more runs.")
    for verdict, n in (("too_early", 1), ("not_fixed", 2), ("fixed", 1)):
        found = replace(NOTHING, repairs=[replace(waiting, verdict=verdict)], proof_ahead="9 runs.")
        assert len(story(day(), found.as_json()).repaired) == n


@pytest.mark.parametrize(
    ("verdict", "needed", "said"),
    [
        ("too_early", "3 more runs.", "new coil: too early to say. Why. Still needed: 3 more runs."),
        ("fixed", "Nothing more; keep recording.", "new coil: fixed. Why. Nothing more; keep recording."),
        ("not_fixed", "It came back: look again.", "new coil: not fixed. Why. It came back: look again."),
    ],
)
def test_a_verdict_in_sentences(verdict: str, needed: str, said: str) -> None:
    repair = {"what": "new coil", "verdict": verdict, "sentence": "Why.", "needed": needed}
    assert repair_words(repair) == said


@pytest.mark.parametrize(("share", "said"), [(1.0, "over 99 %"), (0.994, "99 %"), (0.5, "50 %"), (0.001, "under 1 %")])
def test_nothing_measured_is_quite_sure(share: float, said: str) -> None:
    assert percent(share) == said


def test_where_several_levels_of_knocks_are_named_it_is_said_once_which_is_which() -> None:
    proof = f"37 more {Matched('knocks', from_g=3.1).unit} without a stumble."
    provoke = ["Shake it: 18 knocks of 4.4 g or more at the logger, such as a slow drive over a board gives."]
    links = {"sentence": "Linked with shock. 8 of 8 stumbles came within 0.3 s after a knock above 3.9 g."}
    found = replace(NOTHING, stumbles=[stumble("r01", 10.0)], links=links, proof_ahead=proof, provoke=provoke)
    assert story(day(), found.as_json()).brings[-1] == (
        "Which knock is which, measured at the logger: the weakest that a stumble followed had 3.9 g; "
        "towards the proof of a repair count those above 3.1 g, a little weaker to be safe; "
        "to bring the stumbles out it takes 4.4 g, the middle of those that did."
    )
    alone = replace(found, proof_ahead=None, provoke=[])
    assert "Which knock" not in " ".join(story(day(), alone.as_json()).brings)
