"""The recorder's last word: live, stale, absent, or half a file."""

import asyncio
import json
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from web.live import Live, read_live, stream


def write(run_dir: Path, content: str, age_s: float) -> float:
    path = run_dir / "live.json"
    path.write_text(content, encoding="utf-8")
    os.utime(path, (1000.0 - age_s, 1000.0 - age_s))
    return 1000.0


@pytest.mark.parametrize(("age_s", "state"), [(0.1, "live"), (2.9, "live"), (3.1, "stale"), (900.0, "stale")])
def test_the_last_word_is_live_until_it_is_three_seconds_old(tmp_path: Path, age_s: float, state: str) -> None:
    now = write(tmp_path, json.dumps({"state": "recording"}), age_s)
    live = read_live(tmp_path, lambda: now)
    assert (live.state, live.values) == (state, {"state": "recording"})
    assert live.age_s == pytest.approx(age_s, abs=0.06)


@pytest.mark.parametrize(("age_s", "said"), [(4.0, "is 4 s old"), (119.0, "is 119 s old"), (7200.0, "is 120 min old")])
def test_an_old_word_is_as_old_as_people_count(tmp_path: Path, age_s: float, said: str) -> None:
    now = write(tmp_path, json.dumps({"state": "recording"}), age_s)
    assert said in read_live(tmp_path, lambda: now).reasons[0]


@pytest.mark.parametrize("content", ["", "{", "[1]", "null", '{"a": '])
def test_half_a_file_is_no_word_at_all(tmp_path: Path, content: str) -> None:
    now = write(tmp_path, content, 0.1)
    assert read_live(tmp_path, lambda: now).state == "absent"


def test_without_a_file_or_a_place_for_it_there_is_no_word(tmp_path: Path) -> None:
    assert read_live(tmp_path).state == "absent"
    assert read_live(None).state == "absent"


def test_a_clock_set_back_does_not_make_the_word_older_than_nothing(tmp_path: Path) -> None:
    write(tmp_path, "{}", -50.0)
    assert read_live(tmp_path, lambda: 1000.0).age_s == 0.0


GOOD = {"state": "recording", "free_mb": 9000.0, "sensors": [{"part": "adc 0x48", "state": "ok"}], "warnings": []}


def judged(tmp_path: Path, **change: object) -> Live:
    now = write(tmp_path, json.dumps(GOOD | change), 0.1)
    return read_live(tmp_path, lambda: now)


def test_a_recorder_with_every_sensor_is_ready(tmp_path: Path) -> None:
    live = judged(tmp_path)
    assert (live.ready, live.reasons) == (True, [])


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"state": "not_recording", "why": "the card is full"}, "Not recording: the card is full"),
        ({"sensors": [{"part": "adc 0x49", "state": "missing"}]}, "adc 0x49 does not answer."),
        ({"free_mb": 120.4}, "Only 120 MB left for recordings."),
        ({"warnings": ["the card is stalling"]}, "the card is stalling"),
    ],
)
def test_what_speaks_against_a_run_is_said(tmp_path: Path, change: dict[str, object], reason: str) -> None:
    live = judged(tmp_path, **change)
    assert (live.ready, live.reasons) == (False, [reason])


def test_a_warning_about_a_sensor_is_not_said_twice(tmp_path: Path) -> None:
    change = {"sensors": [{"part": "adc 0x49", "state": "missing"}], "warnings": ["adc 0x49: no answer on the bus"]}
    assert judged(tmp_path, **change).reasons == ["adc 0x49: no answer on the bus"]


@pytest.mark.parametrize(
    ("key", "rpm", "still"), [(1, 0, True), (1, 850.0, False), (0, 0, False), (None, 0, False), (1, None, False)]
)
def test_the_key_left_on_with_the_engine_still_is_noticed(
    tmp_path: Path, key: int | None, rpm: float | None, still: bool
) -> None:
    values = {} if key is None else {"key_sense": {"value": key, "unit": "", "age_s": 0.0}}
    assert judged(tmp_path, values=values, engine_rpm=rpm).key_on_still is still


def test_the_stream_says_each_new_word_once(tmp_path: Path) -> None:
    stopping, said, rounds = asyncio.Event(), [], iter(range(4))
    write(tmp_path, json.dumps(GOOD), 0.0)

    async def gone() -> bool:
        turn = next(rounds)
        if turn == 2:
            write(tmp_path, json.dumps(GOOD | {"engine_rpm": 900.0}), 0.0)
        if turn == 3:
            stopping.set()
        return False

    async def listen() -> None:
        async for message in stream(tmp_path, gone, stopping, step_s=0.0):
            said.append(message)

    with ThreadPoolExecutor(1) as thread:  # the browser tests of the same run keep an event loop going in this one
        thread.submit(lambda: asyncio.run(listen())).result()
    words = [json.loads(message.removeprefix(b"data: ")) for message in said[1:]]
    assert said[0] == b"retry: 1000\n\n"
    assert [word["values"].get("engine_rpm") for word in words] == [None, 900.0]
