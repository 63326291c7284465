"""The logbook's tables, as they came to be: each step is made once in every logbook, in this order."""

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

migrations = Migrations("logbook")


@migrations()
def create_the_logbook(database: Database) -> None:
    """The first layout; `JSON` columns hold one JSON value, `_utc` columns ISO 8601 text, times nanoseconds."""
    database.executescript(
        """
        CREATE TABLE events (
            id TEXT PRIMARY KEY, name TEXT NOT NULL, kind TEXT NOT NULL, engine JSON NOT NULL, started_utc TEXT,
            group_key TEXT, import_fingerprint TEXT UNIQUE, created_utc TEXT NOT NULL);
        CREATE TABLE recordings (
            file TEXT PRIMARY KEY, event_id TEXT REFERENCES events, name TEXT NOT NULL, position INTEGER NOT NULL,
            uuid TEXT NOT NULL, state TEXT NOT NULL, reason TEXT NOT NULL, duration_ns INTEGER NOT NULL,
            stamp TEXT NOT NULL, boot_id TEXT NOT NULL, power_up INTEGER NOT NULL, monotonic_ns INTEGER NOT NULL,
            system_utc TEXT, clock_is_set INTEGER NOT NULL, started_utc TEXT, offset_ns INTEGER,
            UNIQUE (event_id, name));
        CREATE TABLE repairs (
            id INTEGER PRIMARY KEY, event_id TEXT NOT NULL REFERENCES events, what TEXT NOT NULL, offset_ns INTEGER,
            after_recording TEXT, suspect TEXT, entered_utc TEXT NOT NULL, removed_utc TEXT);
        CREATE TABLE notes (
            id INTEGER PRIMARY KEY, event_id TEXT NOT NULL REFERENCES events, text TEXT NOT NULL, recording TEXT,
            at_ns INTEGER, entered_utc TEXT NOT NULL, removed_utc TEXT);
        CREATE TABLE calibrations (
            id INTEGER PRIMARY KEY, channel TEXT NOT NULL, conversion JSON NOT NULL, why TEXT NOT NULL,
            entered_utc TEXT NOT NULL, removed_utc TEXT);
        CREATE TABLE clock_fixes (
            id INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, monotonic_ns INTEGER NOT NULL, utc TEXT NOT NULL,
            source TEXT NOT NULL, plus_minus_s REAL, entered_utc TEXT NOT NULL, removed_utc TEXT);
        CREATE TABLE run_corrections (
            id INTEGER PRIMARY KEY, event_id TEXT NOT NULL REFERENCES events, recording TEXT NOT NULL,
            action TEXT NOT NULL, from_ns INTEGER NOT NULL, to_ns INTEGER, entered_utc TEXT NOT NULL, removed_utc TEXT);
        CREATE TABLE findings (
            event_id TEXT PRIMARY KEY REFERENCES events, findings JSON NOT NULL, analysis_version TEXT NOT NULL,
            input_fingerprint TEXT NOT NULL, computed_utc TEXT NOT NULL);
        """
    )


@migrations()
def create_circumstances(database: Database) -> None:
    """Fuel, road, weather and vehicle of an event (logger/circumstances.py); of each name the newest row stands.

    `value` is JSON in a TEXT column: a column of type JSON would turn "97.4" into a number (numeric affinity).
    """
    database.executescript(
        """
        CREATE TABLE circumstances (
            id INTEGER PRIMARY KEY, event_id TEXT NOT NULL REFERENCES events, name TEXT NOT NULL, value TEXT NOT NULL,
            entered_utc TEXT NOT NULL, removed_utc TEXT);
        """
    )


@migrations()
def let_findings_hold_the_season(database: Database) -> None:
    """`season`: JSON of what only the other events of the car can tell (logger/season.py), laid over the findings."""
    database.execute("ALTER TABLE findings ADD COLUMN season TEXT")


@migrations()
def let_a_list_of_events_do_without_the_findings(database: Database) -> None:
    """`n_stumbles` and `main_cause` of the findings. The index holds all that a list of events asks for: read from the
    table, they lie behind a hundred kilobytes of findings."""
    database.executescript(
        """
        ALTER TABLE findings ADD COLUMN n_stumbles INTEGER;
        ALTER TABLE findings ADD COLUMN main_cause TEXT;
        UPDATE findings SET n_stumbles = json_array_length(findings, '$.stumbles'),
            main_cause = json_extract(findings, '$.main_cause');
        CREATE INDEX findings_in_short ON findings (event_id, n_stumbles, main_cause);
        """
    )


@migrations()
def create_commissioning(database: Database) -> None:
    """Events in which coil feed and pump feed were interrupted on purpose (logger/store/commissioning.py)."""
    database.executescript(
        """
        CREATE TABLE commissioning (
            event_id TEXT PRIMARY KEY REFERENCES events, asked_utc TEXT NOT NULL, result TEXT);
        """
    )


@migrations()
def create_changes(database: Database) -> None:
    """Settings changed on the page (logger/store/changes.py); `value` and `was` are JSON in TEXT columns, as above."""
    database.executescript(
        """
        CREATE TABLE changes (
            id INTEGER PRIMARY KEY, event_id TEXT REFERENCES events, section TEXT NOT NULL, key TEXT NOT NULL,
            value TEXT NOT NULL, was TEXT, entered_utc TEXT NOT NULL, removed_utc TEXT);
        """
    )


@migrations()
def remember_what_came(database: Database) -> None:
    """`last_arrival`: JSON of what people had entered where an event was fetched from, when it last came."""
    database.execute("ALTER TABLE events ADD COLUMN last_arrival TEXT")


@migrations()
def keep_what_an_event_taught(database: Database) -> None:
    """`normal`: JSON of the car's usual levels in that event (analysis/channels/normal.py), also within the findings,
    which are a hundred times as long."""
    database.execute("ALTER TABLE findings ADD COLUMN normal TEXT")
