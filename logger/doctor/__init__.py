"""What is wrong with this machine and its wiring, in words. Each finding is a line of the same kind as a check's."""

from collections.abc import Callable
from pathlib import Path

from logger.check.line import CheckLine
from logger.check.observation import Observation, of_batches
from logger.check.watch import HardwareLike, live_of, watch_live
from logger.clock import Clock
from logger.doctor import functions, pi, wiring
from logger.doctor.host import Host
from logger.errors import SensorError
from logger.event import NS_PER_S
from logger.sensors.budget import BUS_HZ
from logger.settings import Settings

LOOK_S = 2.0

OpenBus = Callable[[Settings], wiring.BusLike]
OpenHardware = Callable[[Settings, Clock], HardwareLike]


def machine_lines(settings: Settings, host: Host) -> list[CheckLine]:
    """What any machine can do, and on a Pi what the recorder needs of it."""
    lines: list[CheckLine | None] = [
        _machine(host),
        *functions.lines(host.is_pi),
    ]
    if host.is_pi:
        lines += [*pi.permissions(host, settings), pi.members(), pi.power(host), pi.temperature(host)]
        lines += [
            *pi.card(host, Path(settings.recorder.data_dir)),
            pi.clock(host),
            *pi.services(host),
            pi.start_up(host, Path(settings.recorder.data_dir)),
            pi.network(host),
        ]
    return [line for line in lines if line is not None]


def _machine(host: Host) -> CheckLine:
    expected = "a Raspberry Pi to record with"
    if host.is_pi:
        return CheckLine("machine", "Machine", host.model, expected)
    todo = "To record, a Pi is needed; to read, analyse and show recordings, any machine will do."
    return CheckLine("machine", "Machine", host.model or "no Raspberry Pi", expected, "not_judged", todo)


def wiring_lines(
    settings: Settings, clock: Clock, host: Host, open_bus: OpenBus, open_hardware: OpenHardware
) -> list[CheckLine]:
    """Chips, pins, inputs and bus: asked of the recorder where it runs, else tried for two seconds."""
    live = live_of(Path(settings.recorder.run_dir), clock)
    if live is not None:
        observation = watch_live(settings, settings, clock, live, LOOK_S)
        return [wiring.speaks(live), *_of_use(observation, settings), wiring.budget(settings, host)]
    try:
        observation = _try_out(settings, clock, open_hardware)
    except SensorError as error:
        return [wiring.no_pins(error), wiring.budget(settings, host)]
    bus = open_bus(settings)
    chips = wiring.bus(bus, settings)
    absent = [line.subject for line in chips if line.verdict == "stop"]
    # What no chip answers for has been said already.
    used = [line for line in _of_use(observation, settings) if not any(name in line.label for name in absent)]
    answering = [int(line.subject, 16) for line in chips if line.subject.startswith("0x") and line.verdict == "ok"]
    hertz = wiring.bus_hz(host) or BUS_HZ
    took = wiring.measured_transfer_s(bus, answering[0], clock, hertz) if answering else None
    return [*chips, *used, wiring.budget(settings, host, took)]


def _of_use(observation: Observation, settings: Settings) -> list[CheckLine]:
    return [*wiring.parts(observation.parts), *wiring.inputs(observation, settings)]


def _try_out(settings: Settings, clock: Clock, open_hardware: OpenHardware) -> Observation:
    hardware = open_hardware(settings, clock)
    batches = []
    try:
        until_ns = clock.monotonic_ns() + round(LOOK_S * NS_PER_S)
        while (now_ns := clock.monotonic_ns()) < until_ns:
            batches.append(hardware.poll(min(until_ns, now_ns + NS_PER_S // 10)))
        batches.append(hardware.finish())
    finally:
        hardware.close()
    return of_batches(batches, settings, clock.monotonic_ns())
