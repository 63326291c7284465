"""The benchmarks' command: it names every figure the project is held to, and gives figures as data."""

import json
import re
from pathlib import Path

import pytest

from tests.bench import __main__ as command
from tests.bench.measure import Row, exponent, markdown


def test_the_command_lists_every_row(capsys: pytest.CaptureFixture[str]) -> None:
    assert command.main(["--list"]) == 0
    listed = {line.split()[0] for line in capsys.readouterr().out.splitlines()}
    assert listed == {
        "disk", "closed", "written", "storing", "recorder", "whole", "window", "overview", "analysis", "incremental",
        "page", "view", "start", "import", "memory", "scaling", "events",
    }  # fmt: skip


def test_every_row_is_measured_by_some_benchmark_and_no_other_is() -> None:
    assert {row for bench in command.BENCHES for row in bench.rows} == set(command.ROWS)


def test_a_quick_run_gives_its_figures_as_json(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert command.main(["--quick", "--only", "import", "storing", "--json", "figures.json"]) == 0
    figures = json.loads((tmp_path / "figures.json").read_text())
    assert (figures["quick"], set(figures["machine"])) == (True, {"cpu", "cores", "python"})
    assert [row["key"] for row in figures["rows"]] == ["storing", "import", "import", "import"]
    for row in figures["rows"]:
        assert row["ours"] > 0.0
        assert row["verdict"] in ("met", "missed", "")
    assert [path.name for path in tmp_path.iterdir()] == ["figures.json"]
    assert "CPU of storing" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("row", "verdict", "target"),
    [
        (Row("time", "s", 2.0, plain=80.0, limit=1.0, target=1.5), "missed", "≤ 1.5 × limit"),
        (Row("time", "s", 2.0, plain=80.0, limit=1.0, target=1 / 40, against="plain"), "met", "≤ 0.025 × plain"),
        (Row("time", "s", 2.0, limit=1.0, target=3.0, against="figure"), "met", "≤ 3 s"),
        (Row("rate", "MB/s", 30.0, target=40.0, against="figure", at_least=True), "missed", "≥ 40 MB/s"),
        (Row("time", "s", 2.0, plain=80.0), "", ""),
    ],
)
def test_a_row_is_held_to_its_target(row: Row, verdict: str, target: str) -> None:
    assert (row.verdict, row.target_text) == (verdict, target)


def test_a_cost_that_grows_with_the_square_has_the_exponent_two() -> None:
    assert exponent([1.0, 10.0, 100.0], [3.0, 300.0, 30_000.0]) == pytest.approx(2.0)


def test_the_table_takes_the_place_of_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "DEVELOPERS.md"
    path.write_text(f"# House\n\ntext\n\n{command.SECTION}\n\nold figures\n\n## Threats\n\nnone\n")
    command.write_table(path, [Row("time", "s", 2.0)])
    command.write_table(path, [Row("time", "s", 3.0)])
    text = path.read_text()
    assert text.startswith("# House\n\ntext\n\n")
    assert text.endswith("\n## Threats\n\nnone\n")
    assert "| time, s | 3 |" in text
    assert not re.search("old figures|time, s . 2", text)


def test_the_table_goes_to_the_end_where_there_was_none(tmp_path: Path) -> None:
    path = tmp_path / "DEVELOPERS.md"
    path.write_text("# House\n")
    command.write_table(path, [Row("time", "s", 2.0)])
    assert path.read_text().endswith(markdown([Row("time", "s", 2.0)]))
