"""`stumblelog calibrate`: point by point, from what a gauge, a meter or a thermometer says."""

import argparse
import select
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.commands.common import add_data_dir, add_settings, open_store, settings_of
from logger.errors import CalibrationError, SettingsError

if TYPE_CHECKING:
    from logger.calibration import Fitted
    from logger.calibration_points import Point
    from logger.channel_settings import ChannelSettings
    from logger.check.settle import Reading
    from logger.check.watch import Watcher
    from logger.clock import Clock
    from logger.settings import Settings
    from logger.store.store import Store

HELP = "Calibrate a channel point by point against a gauge, a meter or a thermometer; old recordings follow."
EXAMPLE = "stumblelog calibrate coolant_temperature --point 0 --point 100"

GUIDE = "hardware/calibration.md"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("channel", metavar="CHANNEL", help="a channel of the settings, such as fuel_pressure")
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--point", type=float, action="append", default=[], metavar="VALUE",
        help="true value of the next steady reading, in the unit of the settings; repeat it; nothing is asked then",
    )  # fmt: skip
    what.add_argument("--curve", metavar="NAME", help="take a sensor curve by its name instead of points")
    what.add_argument("--undo", action="store_true", help="take the newest version back; the one before is in force")
    what.add_argument("--list", action="store_true", help="list the versions there are")
    parser.add_argument(
        "--gauge-error", type=float, default=0.0, metavar="VALUE", help="± of the gauge, in the same unit (default: 0)"
    )
    parser.add_argument("--wait", type=float, default=120.0, metavar="S", help="longest wait for a steady reading")
    parser.add_argument("--run-dir", type=Path, metavar="DIR", help="where the recorder keeps its live values")
    add_data_dir(parser)
    add_settings(parser)


def run(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    if args.channel not in settings.channels:
        hint = "its axes are words: correct accelerometer.mounting in the settings; " * (args.channel == "acceleration")
        raise SettingsError(f"{args.channel}: {hint}channels to calibrate are {', '.join(settings.channels)}")
    with open_store(args) as store:
        if args.list:
            _list(store, args.channel)
            return 0
        if args.undo:
            return _undo(store, args.channel)
        if args.curve:
            return _take_curve(store, settings, args)
        return _guide(store, settings, args)


def _list(store: "Store", channel: str) -> None:
    in_force = max((entry.id for entry in store.calibrations(channel) if entry.removed_utc is None), default=None)
    for entry in store.calibrations(channel):
        state = "in force" if entry.id == in_force else "taken back" if entry.removed_utc else "replaced"
        print(f"{entry.id:>4}  {entry.entered_utc.astimezone():%Y-%m-%d %H:%M %Z}  {state:<10}  {entry.why}")
    if in_force is None:
        print(f"{channel}: the settings' own numbers are in force")


def _undo(store: "Store", channel: str) -> int:
    kept = [entry for entry in store.calibrations(channel) if entry.removed_utc is None]
    if not kept:
        raise CalibrationError(f"{channel}: nothing to take back; the settings' own numbers are in force")
    store.remove("calibrations", kept[-1].id)
    before = kept[-2].why if len(kept) > 1 else "the settings' own numbers"
    print(f"Taken back: {kept[-1].why}. In force now: {before}.")
    return 0


def _take_curve(store: "Store", settings: "Settings", args: argparse.Namespace) -> int:
    from logger.curves import load
    from logger.store.calibrated import WIRING_KEYS

    wiring = settings.to_dict()["channels"][args.channel]
    law_keys = {"coefficients", "beta", "r25_ohm", "points", "full_scale", "zero", "per_volt", "curve"}
    law_keys |= {"zero_fraction", "span_fraction"}
    kept = {key: value for key, value in wiring.items() if key not in law_keys and key not in WIRING_KEYS}
    store.calibrate(args.channel, {**kept, **load(args.curve).channel}, f"curve {args.curve}")
    print(f"{args.channel}: curve {args.curve} is in force, for old recordings too. {_undo_hint(args.channel)}")
    return 0


def _guide(store: "Store", settings: "Settings", args: argparse.Namespace) -> int:
    from dataclasses import replace

    from logger.check import SAFETY
    from logger.check.watch import Watcher
    from logger.clock import SystemClock
    from logger.sensors.hardware import open_hardware

    if args.run_dir is not None:
        settings = replace(settings, recorder=replace(settings.recorder, run_dir=str(args.run_dir)))
    print(f"{SAFETY}\nHow to get good points for each kind of sensor: {GUIDE}")
    clock = SystemClock()
    with Watcher(settings, store, clock, open_hardware) as watcher:
        take = _given_points if args.point else _asked_points
        points = take(watcher, clock, args)
        wiring = watcher.settings.channels[args.channel]
    return _finish(store, wiring, points, args)


def _given_points(watcher: "Watcher", clock: "Clock", args: argparse.Namespace) -> list["Point"]:
    from logger.check.settle import settled

    wiring = watcher.settings.channels[args.channel]
    points: list[Point] = []
    for true in args.point:
        taken = tuple(point.pin_v for point in points)
        print(f"Waiting for a steady reading at {true:g} {wiring.unit} ...", flush=True)
        points.append(
            _accept(args.channel, wiring, true, settled(watcher, clock, args.channel, args.wait, taken), points)
        )
    return points


def _asked_points(watcher: "Watcher", clock: "Clock", args: argparse.Namespace) -> list["Point"]:
    """Ask for one true value after the other, until an empty line."""
    from logger.calibration import NEEDED
    from logger.check.settle import settled

    wiring = watcher.settings.channels[args.channel]
    needed = NEEDED[wiring.convert]
    points: list[Point] = []
    while True:
        enough = "" if len(points) < needed else " (empty: enough)"
        print(f"Point {len(points) + 1}: bring the sensor there, let it settle, type the true {wiring.unit}{enough}")
        answer = _answer(watcher, args.channel).strip()
        if not answer:
            return points
        try:
            now = settled(watcher, clock, args.channel, args.wait, tell=lambda now: _say(now, wiring))
            points.append(_accept(args.channel, wiring, _number(answer), now, points))
        except CalibrationError as error:
            print(f"Not taken: {error}")


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        raise CalibrationError(f"{text!r} is no number") from error


def _answer(watcher: "Watcher", channel: str) -> str:
    """A line from the terminal, with the live value shown while it is waited for."""
    from logger.check.settle import GLANCE_S, reading

    wiring = watcher.settings.channels[channel]
    while sys.stdin.isatty() and not select.select([sys.stdin], [], [], 0.0)[0]:
        seen = watcher.look(GLANCE_S)
        _say(reading(seen.observation, seen.settings, channel, GLANCE_S), wiring)
    return sys.stdin.readline()


def _say(now: "Reading", wiring: "ChannelSettings") -> None:
    state = "steady" if now.steady else f"moving by {now.drift:+.3g}"
    text = f"  now {now.value:9.3f} {wiring.unit}, {now.point.pin_v:.4f} V at the input, {state:<24}"
    print(text, end="\r" if sys.stdout.isatty() else "\n", flush=True)


def _accept(channel: str, wiring: "ChannelSettings", true: float, now: "Reading", before: list["Point"]) -> "Point":
    from dataclasses import replace

    from logger.calibration_points import check_point

    point = replace(now.point, true=true)
    check_point(channel, wiring, point, before)
    print(
        f"  {true:g} {wiring.unit}: {now.point.pin_v:.4f} V ± {2000 * now.point.error_v:.2f} mV at the input; "
        f"read {now.value:.4g} {wiring.unit} so far"
    )
    return point


def _finish(store: "Store", wiring: "ChannelSettings", points: list["Point"], args: argparse.Namespace) -> int:
    from logger.calibration import fit

    fitted = fit(args.channel, wiring, points, args.gauge_error)
    for true, left in zip(sorted(point.true for point in points), fitted.residuals, strict=True):
        print(f"  at {true:g} {wiring.unit}: off by {left:+.3g}")
    _say_sure(fitted, wiring)
    if not args.point and not _agreed():
        print("Nothing changed.")
        return 0
    trues = ", ".join(f"{point.true:g}" for point in points)
    store.calibrate(args.channel, fitted.conversion, f"points {trues} {wiring.unit}, ± {fitted.plus_minus:.2g}")
    print(f"In force, for old recordings too. {_undo_hint(args.channel)}")
    print(f"For the live values put it into the settings, [channels.{args.channel}]:\n{_as_toml(wiring, fitted)}")
    return 0


def _agreed() -> bool:
    print("Put it into force, for old recordings too? [y/N]", flush=True)
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def _say_sure(fitted: "Fitted", wiring: "ChannelSettings") -> None:
    print(f"{fitted.said}; ± {fitted.plus_minus:.2g} {wiring.unit} (95 %)")
    if not fitted.spare:
        print("No point was left over to prove the law: the ± is noise and gauge alone. One more point would tell.")


def _undo_hint(channel: str) -> str:
    return f"Take it back with: stumblelog calibrate {channel} --undo"


def _as_toml(wiring: "ChannelSettings", fitted: "Fitted") -> str:
    changed = {key: value for key, value in fitted.conversion.items() if _differs(getattr(wiring, key), value)}
    return "\n".join(f"{key} = {value}" for key, value in changed.items()) or "(no change)"


def _differs(old: Any, new: Any) -> bool:
    return bool(_plain(old) != new)


def _plain(value: Any) -> Any:
    return [_plain(item) for item in value] if isinstance(value, tuple) else value
