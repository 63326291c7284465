"""A few hundred hostile requests over a real socket; tests/bench/hostile_requests.py sends ten thousand."""

from pathlib import Path

from tests.bench.hostile import Attacker
from tests.bench.hostile_requests import attack, locked_page, send, written

N = 600


def test_hostile_requests_are_not_let_in_write_nothing_and_break_nothing(tmp_path: Path) -> None:
    with locked_page(tmp_path) as target:
        before = written(target)
        tallies = attack(target, N, seed=6)
        assert written(target) == before
        known = send(target.port, Attacker(target, 6).head("GET", "/api/events", f"sl_session={target.session}"))
    assert sum(tally.sent for tally in tallies.values()) == N
    for kind, tally in tallies.items():
        assert (tally.let_in, tally.broke) == (0, 0), f"{kind}: {tally.examples}"
    assert b"Larkfold" in known, "the owner is let in all the while"


def test_the_same_requests_are_let_in_where_nobody_is_asked(tmp_path: Path) -> None:
    """The tally can tell: without a pass-phrase, most of what needs no other trick gets through."""
    with locked_page(tmp_path, asks=False) as target:
        tallies = attack(target, N // 4, seed=6)
    assert tallies["no cookie"].let_in > tallies["no cookie"].sent / 2
    assert tallies["beyond the link"].let_in > tallies["beyond the link"].sent / 2
    assert tallies["foreign origin"].let_in == tallies["wrong host"].let_in == 0
