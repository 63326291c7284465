"""FORMATS.md, the reference of every file there is, written from the code that reads and writes them.

python -m logger.store.exports.reference        writes FORMATS.md anew; a test fails while it is out of date
"""

import inspect
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from types import ModuleType

from logger.channels import CHANNELS
from logger.store import bundle, capture, logbook, schema
from logger.store.exports import csv_folder, mdf_files, parquet_folder, sqlite_file
from logger.store.exports.columns import Column
from logger.store.exports.forms import FORMS
from logger.store.exports.tables import TABLES, VERSION, sample_columns
from logger.store.logbook import Logbook

PATH = Path(__file__).parents[1] / "FORMATS.md"

_HEAD = """# The files of stumblelog

Written by `python -m logger.store.exports.reference` from the code itself; do not edit. Event files are of version
{version}.

Times are nanoseconds (`_ns`) or seconds (`_s`) since the start of their recording, moments (`_utc`) ISO 8601 in UTC.
Values are SI: V, kPa (gauge), degC, g, %. What a sensor could not give is NULL (an empty field in CSV), never 0 and
never a repeated value; a gap is absent rows. Raw counts are what the chip gave; values are made from them with the
calibration in force.

## Forms of export

{forms}
"""

STUMBLES_PER_HOT_MINUTE = """SELECT repair_state, sum(running_s) / 60 AS hot_minutes, sum(stumbles) AS stumbles,
       sum(stumbles) / (sum(running_s) / 60) AS per_hot_minute
FROM read_parquet('season/*/*/table=conditions/*.parquet', hive_partitioning = true)
WHERE coolant_high_degc >= 85 AND running_s > 0
GROUP BY repair_state ORDER BY repair_state
"""
"""The worked query: over all events and cars of a season."""

_SEASON = """### A season, asked with DuckDB

All events and cars of a folder at once; `car`, `event`, `table` and `channel` are columns:

```sql
{query}```

Dask and Spark take the same layout; give them one table at a time, since each has columns of its own:

```python
dask.dataframe.read_parquet("season/car=*/event=*/table=stumbles/part.parquet")
spark.read.option("basePath", "season").parquet("season/car=*/event=*/table=samples/channel=battery_voltage")
```

Dask is run so in the tests; Spark is not, its call follows its documents on partition discovery.
"""


def text() -> str:
    """The whole page."""
    return re.sub(r"\n{3,}", "\n\n", "\n".join(_sections())).strip() + "\n"


def _sections() -> Iterator[str]:
    forms = [
        f"`{name}`: {about.meaning}{'' if about.comes_back else ' (import does not read it)'}"
        for name, about in FORMS.items()
    ]
    yield _HEAD.format(version=VERSION, forms="\n".join(f"- {line}" for line in forms))
    yield "## Channels\n\nNames, units and usual rates are the same in every form.\n"
    yield _table(
        ("channel", "unit", "usual rate", "columns in CSV", "meaning"),
        (
            (
                f"`{channel.name}`",
                channel.unit,
                f"{channel.usual_rate_hz:g} Hz" if channel.usual_rate_hz else "on change or per pulse",
                "`" + ",".join(capture.columns_of(channel)) + "`",
                channel.meaning,
            )
            for channel in CHANNELS.values()
        ),
    )
    yield "## Samples\n\nColumns of a channel's samples in SQLite, and in Parquet where nothing else is said.\n"
    for title, kind in (("sampled and state", "sampled"), ("acceleration", "vector"), ("pulses and marks", "pulses")):
        yield f"### {title}\n"
        yield _columns(sample_columns(kind))  # type: ignore[arg-type]
    yield "## Small tables\n\nThe same in SQLite, Parquet and a bundle's `logbook.json`.\n"
    for table in TABLES.values():
        yield f"### {table.name}\n\nOne row: {table.meaning}.\n"
        yield _columns(table.columns)
    yield "## SQLite\n\n" + _about(sqlite_file)
    yield (
        f"`application_id` is {sqlite_file.APPLICATION_ID:#x}, `user_version` {VERSION}. `{sqlite_file.UNIX_NS.name}` "
        f"is {sqlite_file.UNIX_NS.meaning}; `time_s` and `time_utc` are worked out when they are read. There is no "
        "index; for a long day make one: `CREATE INDEX near ON battery_voltage (recording, time_ns)`.\n"
    )
    shown = [CHANNELS[name] for name in ("battery_voltage", "acceleration")]
    yield _code([sqlite_file.create_samples(channel) for channel in shown], "sql")
    yield "The wall clock is added by, for example, if recording r01 began at 08:02:11 UTC on 2026-05-09:\n"
    yield _code(sqlite_file.add_clock(shown[0], {"r01": 1_778_313_731_000_000_000}), "sql")
    yield "## Parquet\n\n" + _about(parquet_folder)
    yield (
        "Counts are int16, times int64 and timestamp[ns, UTC]. Each file's schema holds, as JSON under the key "
        "`stumblelog`, format, version, channel, unit, the recording, its begin and the calibration in force; each "
        "field its meaning and unit.\n"
    )
    yield _SEASON.format(query=STUMBLES_PER_HOT_MINUTE)
    yield "## Bundle\n\n" + _about(bundle)
    yield "## MDF\n\n" + _about(mdf_files)
    yield "## Capture folder\n\n" + _about(capture) + "\n" + _about(csv_folder)
    yield (
        f'`capture.toml` begins with `format = "{capture.FORMAT}"` and `version = {capture.VERSION}`; beside it lies a '
        "folder of CSV files, named by channel, for each recording. Of these only `tach_pulses.csv` must be there.\n"
    )
    yield "## Recording\n\n" + _about(schema)
    yield _code([schema._META, *schema.GROWING, *schema.CLOSED], "sql")
    yield "## Logbook\n\n" + _about(logbook)
    yield _code(_logbook_tables(), "sql")


def _about(module: ModuleType) -> str:
    """What a module says of the file it reads and writes; where that holds a drawing, as it stands there."""
    first, _, rest = inspect.cleandoc(module.__doc__ or "").partition("\n\n")
    drawn = re.sub(r"::$", ":", re.sub(r"^::\n+", "", rest), flags=re.MULTILINE)
    return f"{first}\n\n" + (f"```text\n{drawn}\n```\n" if "::\n" in rest else f"{rest}\n")


def _columns(columns: Iterable[Column]) -> str:
    return _table(
        ("column", "kind", "unit", "meaning"),
        ((f"`{column.name}`", column.kind, column.unit, column.meaning) for column in columns),
    )


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    head = list(head)
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines) + "\n"


def _code(statements: Iterable[str], language: str) -> str:
    return f"```{language}\n" + "\n".join(f"{' '.join(statement.split())};" for statement in statements) + "\n```\n"


def _logbook_tables() -> list[str]:
    """The statements that a new logbook is made of, as SQLite keeps them."""
    with TemporaryDirectory() as folder, Logbook(Path(folder) / "logbook.sqlite") as fresh:
        rows = fresh.rows("SELECT sql FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE '\\_%' ESCAPE '\\'")
    return [row["sql"] for row in rows if row["sql"]]


if __name__ == "__main__":
    PATH.write_text(text(), encoding="utf-8")
