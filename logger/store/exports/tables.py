"""The tables of an event file: one definition from which SQLite, Parquet, the readme and FORMATS.md are made."""

from logger.channels import Kind
from logger.circumstances import CIRCUMSTANCES
from logger.event import CAUSES
from logger.store.exports.columns import Column, Table

VERSION = 1


def _t(name: str, meaning: str) -> Column:
    return Column(name, "text", meaning)


def _n(name: str, meaning: str, unit: str = "") -> Column:
    return Column(name, "number", meaning, unit)


def _i(name: str, meaning: str, unit: str = "") -> Column:
    return Column(name, "whole", meaning, unit)


def _utc(name: str, meaning: str) -> Column:
    return Column(name, "moment", meaning, "UTC")


def _json(name: str, meaning: str) -> Column:
    return Column(name, "json", meaning)


def _flag(name: str, meaning: str) -> Column:
    return Column(name, "flag", meaning)


_RECORDING = _t("recording", "name of the recording, as in table recordings")
_BEFORE = (
    _i("repairs_before", "repairs that had been done by then"),
    _t("repair_state", "the newest of them; 'before any repair' where there was none"),
)

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table("event", "the event and its engine", (
            _t("event_id", "id of the event in the store that it comes from"),
            _t("name", "name of the event"),
            _t("kind", "competition, bench or road"),
            _utc("started_utc", "wall clock from which offsets count; NULL where it was never known"),
            _i("cylinders", "cylinders of the engine"),
            _i("strokes", "4 or 2"),
            _n("tach_pulses_per_revolution", "pulses on the tach wire for each turn of the crank"),
            _t("tach_source", "what drives the tach wire"),
            _t("fuel_system", "how fuel gets in"),
            _n("idle_rpm", "idle speed", "rpm"),
            _n("redline_rpm", "highest speed it is run at", "rpm"),
            _t("main_cause", "the cause behind most lost firings; NULL where nothing was found"),
            _flag("linked_heat", "whether stumbles come with heat; NULL: cannot be told"),
            _flag("linked_shock", "whether stumbles come with shock; NULL: cannot be told"),
            _t("summary", "the findings in a sentence or two"),
            _t("analysis_version", "version of the analysis that made the findings, with a digest of its program text"),
            _utc("analysed_utc", "when they were made"),
            _json("findings", "everything that was found, as `analyse --json` prints it"),
            _utc("exported_utc", "when this file was written"),
            _t("program", "what wrote this file"),
        )),
        Table("recordings", "one power-up of the logger", (
            _RECORDING,
            _i("position", "its place in the event, from 1"),
            _t("uuid", "identifies the recording wherever it is copied to"),
            _utc("started_utc", "wall clock at time 0 of the recording"),
            _i("offset_ns", "time 0 of the recording after the event's start", "ns"),
            _n("offset_s", "the same", "s"),
            _i("duration_ns", "time of the last sample", "ns"),
            _n("duration_s", "the same", "s"),
            _i("power_up", "counts the logger's power-ups; orders recordings without a clock"),
            _t("boot_id", "identifies the boot of the logger whose monotonic time this is"),
            _t("origin", "recorder, import or virtual"),
            _t("how_closed", "closed, imported, recovered or salvaged; NULL: it was still growing"),
            _t("unreadable", "why there is nothing of it in this file; NULL: there is"),
            _json("description", "what the recording says of itself, its settings with the calibrations in force"),
            _json("health", "the recorder's own health as it was noted"),
        )),
        Table("channels", "one channel of a recording", (
            _RECORDING,
            _t("channel", "name of the channel"),
            _t("kind", "sampled, vector, state, pulses or marks"),
            _t("unit", "SI unit of its values; empty: none"),
            _t("label", "what it is called on the page"),
            _t("meaning", "what is measured, and where"),
            _t("stored_as", "counts (of the chip), values or times"),
            _i("n_samples", "rows of this recording in the channel's table"),
        )),
        Table("calibrations", "how one channel's counts became values", (
            _RECORDING,
            _t("channel", "name of the channel"),
            _t("convert", "divider, ratiometric, ntc, linear or table; mounting for the accelerometer"),
            _t("unit", "unit in which the numbers of `in_force` are given"),
            _json("in_force", "the channel's settings by which this file's values were made"),
            _json("as_recorded", "its settings when it was recorded"),
            _utc("entered_utc", "when the calibration in force was entered; NULL: it is the recording's own"),
            _t("why", "why it was calibrated anew"),
        )),
        Table("gaps", "a stretch in which a channel was not recorded", (
            _RECORDING,
            _t("channel", "name of the channel; 'all' for every one"),
            _i("from_ns", "begin", "ns"),
            _i("to_ns", "end", "ns"),
            _n("from_s", "begin", "s"),
            _n("to_s", "end", "s"),
            _t("why", "the reason"),
        )),
        Table("runs", "a stretch in which the engine ran", (
            _i("run", "number in the event, from 1"),
            _RECORDING,
            _n("from_s", "begin, from the recording's start", "s"),
            _n("to_s", "end", "s"),
            _utc("from_utc", "begin by the wall clock"),
            _n("running_s", "how long it ran", "s"),
            _i("stumbles", "stumbles that began in it"),
            _i("lost_firings", "firings lost in them"),
            *_BEFORE,
        )),
        Table("stumbles", "a moment the engine stumbled", (
            _i("stumble", "number in the event, from 1"),
            _RECORDING,
            _n("onset_s", "when the first signal left normal", "s"),
            _utc("onset_utc", "the same by the wall clock"),
            _n("engine_onset_s", "the first firing that was not normal", "s"),
            _n("end_s", "when it ran normally again", "s"),
            _i("burst", "number of the burst it belongs to"),
            _t("cause", f"what failed first: {', '.join(CAUSES)}"),
            _t("sub_cause", "narrower, where the signals allow it"),
            *(_n(f"p_{cause}", f"probability of {cause}") for cause in CAUSES),
            _t("first_to_move", "channel that left normal first"),
            _t("order_of_failure", "channels in the order in which they left normal; stumble_order has the times"),
            _t("effect", "hesitation, cutout, stall or single_misses"),
            _t("doing", "what the engine was doing before: pulling, steady, idle, overrun, gear_change, clutch_in ..."),
            _i("lost_firings", "firings lost"),
            _n("lowest_speed_ratio", "lowest crank speed over the speed before"),
            _n("coolant_degc", "coolant temperature at the onset", "degC"),
            *_BEFORE,
            _t("sentence", "what happened, in words"),
            _json("evidence_for", "what speaks for the cause"),
            _json("evidence_against", "what speaks against it"),
            _json("rivals", "what else it could be"),
        )),
        Table("stumble_order", "one channel leaving normal in a stumble", (
            _i("stumble", "number of the stumble"),
            _i("rank", "1: the first to leave"),
            _t("channel", "name of the channel"),
            _n("at_s", "when it left, from the recording's start", "s"),
            _n("plus_minus_s", "give or take", "s"),
            _t("note", "a remark"),
        )),
        Table("sensor_faults", "a sensor or its wire failing while the engine ran on", (
            _RECORDING,
            _t("channel", "name of the channel"),
            _n("from_s", "begin", "s"),
            _n("to_s", "end", "s"),
            _t("kind", "open, short, stuck, intermittent, extra_pulses or dropped_pulses"),
            _t("note", "a remark"),
        )),
        Table("repairs", "work done on the car", (
            _t("what", "what was done"),
            _t("suspect", "the cause it was meant for"),
            _t("after_recording", "the recording after which it was done"),
            _i("offset_ns", "when, after the event's start", "ns"),
            _utc("done_utc", "the same by the wall clock"),
            _utc("entered_utc", "when it was entered"),
            _t("verdict", "fixed, not_fixed or too_early"),
            _n("rate_before_per_h", "bursts of stumbles for each running hour before", "1/h"),
            _n("rate_after_per_h", "and after", "1/h"),
            _n("confidence_fixed", "confidence that it is fixed"),
            _t("sentence", "the verdict in words"),
            _t("needed", "what is needed to be sure"),
        )),
        Table("notes", "a note on the event or on a moment", (
            _t("text", "the note"),
            Column("recording", "text", "the recording it is about; NULL: the event"),
            _i("at_ns", "the moment in it", "ns"),
            _n("at_s", "the same", "s"),
            _utc("entered_utc", "when it was entered"),
        )),
        Table("circumstances", "fuel, road, weather or vehicle, as entered for the event", (
            _t("name", f"one of {', '.join(CIRCUMSTANCES)}"),
            _json("value", "a word, or a number"),
            _t("unit", "unit of the number"),
            _utc("entered_utc", "when it was entered"),
        )),
        Table("run_corrections", "where a person corrected the split into runs", (
            _RECORDING,
            _t("action", "run, practice, split or join"),
            _i("from_ns", "begin", "ns"),
            _i("to_ns", "end", "ns"),
            _utc("entered_utc", "when it was entered"),
        )),
        Table("conditions", "one minute of a recording, and what the engine went through in it", (
            _RECORDING,
            _i("minute", "from 0"),
            _n("from_s", "begin, from the recording's start", "s"),
            _utc("from_utc", "the same by the wall clock"),
            _n("running_s", "how long the engine ran in it; NULL: not analysed", "s"),
            _n("coolant_low_degc", "lowest coolant temperature", "degC"),
            _n("coolant_high_degc", "highest coolant temperature", "degC"),
            _n("battery_low_v", "lowest battery voltage", "V"),
            _n("fuel_pressure_low_kpa", "lowest fuel pressure", "kPa"),
            _n("peak_g", "largest acceleration along one axis, gravity included", "g"),
            _i("stumbles", "stumbles that began in it; NULL: not analysed"),
            _i("lost_firings", "firings lost in them"),
            *_BEFORE,
        )),
        Table("links", "whether stumbles come with a condition", (
            _t("name", "heat, shock or another condition that was compared"),
            _flag("linked", "the verdict; NULL: cannot be told yet"),
            _i("n", "stumbles or bursts compared"),
            _n("seen", "of them in the condition"),
            _n("expected", "so many would be by chance"),
            _n("p", "probability of so many by chance"),
            _n("p_adjusted", "the same, corrected for the conditions looked at"),
            _n("effect", "ratio of the rates with and without the condition; NULL: without limit"),
            _n("effect_low", "lower end of its 95 % interval"),
            _n("effect_high", "upper end; NULL: without limit"),
            _t("sentence", "the comparison in words"),
        )),
    )
}  # fmt: skip


def sample_columns(kind: Kind) -> tuple[Column, ...]:
    """Columns of the samples of a channel of this kind, in order."""
    time = (
        _RECORDING,
        _i("time_ns", "time since the recording's start, exact", "ns"),
        _n("time_s", "the same", "s"),
        _utc("time_utc", "the same by the wall clock; NULL where that was never known"),
    )
    if kind in ("pulses", "marks"):
        return time
    if kind == "vector":
        raw = tuple(_i(f"raw_{axis}", f"counts of the chip's {axis} axis; NULL: stored as values") for axis in "xyz")
        words = {"x": "forward", "y": "left", "z": "up"}
        return (*time, *raw, *(_n(f"{axis}_g", f"acceleration {words[axis]} in the car", "g") for axis in "xyz"))
    return (*time, _i("raw", "counts of the chip; NULL: stored as values"), _n("value", "value in the channel's unit"))


def raw_names(kind: Kind) -> list[str]:
    """Names of the columns that hold counts."""
    return [column.name for column in sample_columns(kind) if column.name.startswith("raw")]


def value_names(kind: Kind) -> list[str]:
    """Names of the columns that hold SI values."""
    return [column.name for column in sample_columns(kind) if column.name == "value" or column.name.endswith("_g")]
