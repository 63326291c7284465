"""The event's story in order, in sentences: what happened, what it probably is, what brings it out, what to test
next, what was repaired and how sure that is. Text report, JSON and page are all made from it.

    story(event, findings) -> Story             `event`: its outline is enough; `findings`: as Store.findings gives them

Sentences are in SI and name instants in UTC: whoever shows them puts in the reader's units and time of day.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from logger.channels import CHANNELS
from logger.circumstances import CIRCUMSTANCES
from logger.event import NS_PER_S, Event, Recording, repair_places

CAUSES = {
    "supply_voltage": "supply voltage (battery, alternator, main feed, ground)",
    "ignition_primary": "ignition, primary side (the coil is not fed or not switched)",
    "ignition_secondary": "ignition, secondary side (coil lead, cap, rotor, plug leads, plugs)",
    "fuel_delivery": "fuel delivery",
    "mixture": "mixture (injectors not driven, air leak)",
    "undetermined": "undetermined",
}
DOING = {
    "starting": "just after the start",
    "idle": "at idle",
    "overrun": "with the throttle shut",
    "pulling": "while pulling",
    "steady": "at an even speed",
    "gear_change": "in a gear change",
    "clutch_in": "with the clutch in or out of gear",
}
"""What the engine was doing at a stumble, by the words of analysis/crank/doing.py that can stand there."""
VERDICTS = {"fixed": "fixed", "not_fixed": "not fixed", "too_early": "too early to say"}


@dataclass(frozen=True, slots=True)
class Story:
    """The chapters in their order, each a list of sentences; empty where there is nothing to say."""

    happened: list[str]
    probably: list[str]
    brings: list[str]
    tests: list[str]
    repaired: list[str]
    provoke: list[str]
    reached: list[str]
    pulls: list[str]
    not_judged: list[str]


TITLES = {
    "happened": "What happened",
    "probably": "What it probably is",
    "brings": "What brings it out",
    "tests": "What to test next, by hand",
    "repaired": "What was repaired, and how sure that is",
    "provoke": "How to bring it out again",
    "reached": "What this bench session has reached",
    "pulls": "Full-load pulls compared",
    "not_judged": "What could not be judged",
}


INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\dZ")
"""An instant as sentences name it where the reader's zone is not known."""


def instant(at: datetime) -> str:
    """An instant to the minute in UTC, as INSTANT finds it."""
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%MZ}"


def story(event: Event, findings: dict[str, Any], clock: Callable[[datetime], str] = instant) -> Story:
    """Tell it. clock: how an instant is written."""
    reached = (findings.get("coverage") or {}).get("sentence")
    links = findings.get("links") or {}
    pulls = findings.get("pulls") or {}
    return Story(
        happened=list(_happened(event, findings, clock)),
        probably=list(_probably(findings)),
        brings=[*brings(links), *at_work(findings["stumbles"]), *knock_levels(findings)]
        if findings["stumbles"]
        else [],
        tests=[f"{test['title']}, about {test['minutes']} min." for test in findings.get("next_tests", ())],
        repaired=[repair_words(repair) for repair in findings.get("repairs", ())] + list(_ahead(findings)),
        provoke=list(findings.get("provoke") or ()),
        reached=[reached] if reached else [],
        pulls=list(pulls.get("sentences", ())),
        not_judged=list(findings.get("not_judged", ())),
    )


def bursts(stumbles: Sequence[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """The stumbles by the burst they belong to, in order."""
    found: list[list[dict[str, Any]]] = []
    for stumble in stumbles:
        if found and stumble.get("burst") and stumble["burst"] == found[-1][-1]["burst"]:
            found[-1].append(stumble)
        else:
            found.append([stumble])
    return found


def repair_words(repair: dict[str, Any]) -> str:
    """A verdict in sentences."""
    words = f"{repair['what']}: {VERDICTS.get(repair['verdict'], repair['verdict'])}."
    if not repair.get("sentence"):
        before, after = repair["rate_before_per_h"], repair["rate_after_per_h"]
        if before is not None and after is not None:
            words += f" Bursts per running hour: {before:.1f} before, {after:.1f} after."
        if repair["confidence_fixed"] is not None:
            words += f" Confidence that it is fixed: {percent(repair['confidence_fixed'])}."
    still = "Still needed: " if repair["verdict"] == "too_early" and repair.get("needed") else ""
    return " ".join(part for part in (words, repair.get("sentence", ""), still + repair.get("needed", "")) if part)


def percent(probability: float) -> str:
    """In whole per cent; nothing that was measured is 100 or 0 % sure."""
    if probability >= 0.995:
        return "over 99 %"
    return "under 1 %" if probability < 0.005 else f"{100 * probability:.0f} %"


def _happened(event: Event, findings: dict[str, Any], clock: Callable[[datetime], str]) -> Iterator[str]:
    """The day in order: the recordings, and the repairs between them."""
    if event.circumstances:
        entered = (CIRCUMSTANCES[name].told(value) for name, value in event.circumstances.items())
        yield f"Entered: {', '.join(entered)}."
    places = list(zip(repair_places(event), event.repairs, strict=True))
    for number, recording in enumerate(event.recordings):
        yield from (f"Then: {repair.what}." for place, repair in places if place == (number, 0.0))
        yield _recording(event, recording, findings, clock)
        for place, repair in places:
            if place is not None and place[0] == number and place[1] > 0:
                yield f"During {recording.name}, at {place[1]:.0f} s: {repair.what}."
    last = len(event.recordings)
    yield from (f"Then: {repair.what}." for place, repair in places if place is not None and place[0] == last)
    yield from (f"At a time that nobody knows: {repair.what}." for place, repair in places if place is None)


def _recording(event: Event, recording: Recording, findings: dict[str, Any], clock: Callable[[datetime], str]) -> str:
    name = recording.name
    ran_s = sum(run["to_s"] - run["from_s"] for run in findings.get("runs", ()) if run["recording"] == name)
    about = [clock(at)] if (at := _utc_at(event, recording.offset_ns)) else []
    known = next((run for run in (findings.get("links") or {}).get("runs", ()) if run["recording"] == name), None)
    if ran_s > 0:
        about.append(f"engine running for {length(ran_s)}")
        if known is not None and known["coolant_degc"] is not None:
            about.append(f"coolant at {known['coolant_degc']:.0f} °C on average")
    elif findings.get("runs"):
        about.append("the engine did not run")
    said = [_stumbles([s for s in findings["stumbles"] if s["recording"] == name])]
    said += [
        f"At {start['from_s']:.1f} s it was cranked or left with the key on, and did not run."
        for start in findings.get("failed_starts", ())
        if start["recording"] == name
    ]
    faulty = {f["channel"]: None for f in findings["sensor_faults"] if f["recording"] == name}
    if faulty:
        said.append(f"Sensor or its wire at fault: {', '.join(map(label, faulty))}.")
    head = f"{name} ({', '.join(about)}):" if about else f"{name}:"
    return " ".join([head, *said])


def _stumbles(found: list[dict[str, Any]]) -> str:
    if not found:
        return "no stumble."
    n_bursts = len(bursts(found))
    times = "1 stumble" if len(found) == 1 else f"{len(found)} stumbles"
    if 1 < n_bursts < len(found):
        times += f" in {n_bursts} bursts"
    elif n_bursts == 1 < len(found):
        times += " in one burst"
    worst = max(found, key=lambda stumble: stumble["lost_firings"])
    lead = "a" if len(found) == 1 else "the worst a"
    return f"{times}, {lead} {effect_words(worst)}, at {worst['onset_s']:.1f} s."


def effect_words(stumble: dict[str, Any]) -> str:
    """What one stumble was like: how long, and how many firings it cost."""
    lost = "1 firing" if stumble["lost_firings"] == 1 else f"{stumble['lost_firings']} firings"
    effect = stumble["effect"].replace("_", " ").replace("cutout", "cut-out")
    doing = f" {DOING[stumble['doing']]}" if stumble.get("doing") in DOING else ""
    return f"{effect} of {stumble['end_s'] - stumble['onset_s']:.2f} s{doing}, {lost} lost"


def _probably(findings: dict[str, Any]) -> Iterator[str]:
    """The cause, how sure, and what speaks for and against it at the stumble that cost most."""
    cause = findings["main_cause"]
    yield from off_normal(findings)
    if cause is None:
        yield findings.get("summary") or "No stumble was found."
        return
    own = [stumble for stumble in findings["stumbles"] if stumble["cause"] == cause]
    given = [stumble["probability"][cause] for stumble in own if cause in stumble["probability"]]
    sure = f", {percent(sum(given) / len(given))} sure" if given else ""
    yield f"{_capital(CAUSES.get(cause, cause))}{sure}."
    if findings.get("summary"):
        yield findings["summary"]
    if own:
        worst = max(own, key=lambda stumble: stumble["lost_firings"])
        for key, lead in (("evidence_for", "For it"), ("evidence_against", "Against it"), ("rivals", "Not ruled out")):
            if worst.get(key):
                yield f"{lead}: {'; '.join(text.rstrip('.') for text in worst[key])}."
    if findings.get("other_causes"):
        yield f"Also seen: {'; '.join(CAUSES[other] for other in findings['other_causes'])}."


def off_normal(findings: Mapping[str, Any]) -> list[str]:
    """What was off all day against the car's earlier events."""
    return [one["sentence"] for one in findings.get("off_normal", ())]


def brings(links: dict[str, Any]) -> Iterator[str]:
    """What brings it out, from the findings' links: heat and shock, and what the bursts have in common before zero."""
    if links.get("sentence"):
        yield links["sentence"]
    if found := links.get("precursors"):
        sides = {True: "higher", False: "lower"}
        told = [
            f"{_lower(label(one['channel']))} {sides[one['is_higher']]} from {-one['from_s']:.1f} s before"
            for one in found
        ]
        yield f"Laid over each other, the bursts have in common, against other driving: {', '.join(told)}."


def at_work(stumbles: Sequence[dict[str, Any]]) -> Iterator[str]:
    """What the engine was doing as it stumbled, most often first, where several stumbles are told."""
    times = Counter(DOING[one["doing"]] for one in stumbles if one.get("doing") in DOING).most_common()
    if len(stumbles) > 1 and times:
        (most, n_most), *others = times
        told = [f"{n_most} came {most}", *(f"{n} {doing}" for doing, n in others)]
        yield f"Of {len(stumbles)} stumbles {', '.join(told)}."


_KNOCK = re.compile(r"knocks? (?:above|of) (\d+(?:\.\d+)?) g")


def knock_levels(findings: dict[str, Any]) -> Iterator[str]:
    """Where several levels of knocks are named side by side, once which is which."""
    needed = [findings.get("proof_ahead") or "", *(repair.get("needed", "") for repair in findings.get("repairs", ()))]
    named = {
        "the weakest that a stumble followed had {} g": [(findings.get("links") or {}).get("sentence", "")],
        "towards the proof of a repair count those above {} g, a little weaker to be safe": needed,
        "to bring the stumbles out it takes {} g, the middle of those that did": findings.get("provoke") or (),
    }
    found = {said: _KNOCK.search(" ".join(sentences)) for said, sentences in named.items()}
    told = [said.format(level[1]) for said, level in found.items() if level is not None]
    if len(told) > 1:
        yield f"Which knock is which, measured at the logger: {'; '.join(told)}."


def _ahead(findings: dict[str, Any]) -> Iterator[str]:
    if ahead := proof_ahead(findings):
        yield f"To prove a repair made now: {ahead}"


def proof_ahead(findings: Mapping[str, Any]) -> str | None:
    """What a repair made now would need; None while one waits for its own proof, and once the last one has fixed it."""
    verdicts = [repair["verdict"] for repair in findings.get("repairs", ())]
    return None if "too_early" in verdicts or verdicts[-1:] == ["fixed"] else findings.get("proof_ahead")


def length(seconds: float) -> str:
    """A stretch of time for people."""
    return f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"


def label(channel: str) -> str:
    """A channel's name for people."""
    known = CHANNELS.get(channel)
    return known.label if known else _capital(channel.replace("_", " "))


def _utc_at(event: Event, offset_ns: int | None) -> datetime | None:
    if event.started_utc is None or offset_ns is None:
        return None
    return event.started_utc + timedelta(seconds=offset_ns / NS_PER_S)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
