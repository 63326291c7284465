"""The driver: pedals, gears and key, written as a script that yields once per step of the car."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from logger.virtualcar.controls import Controls
from logger.virtualcar.plan import Plan, Section

Script = Iterator[None]


class _GaveUp(Exception):
    """The engine would not start again; the driver switches off."""


@dataclass(slots=True, kw_only=True)
class Driver(Controls):
    """Somebody who carries out a plan."""

    plan: Plan
    random: Random
    idle_rpm: float
    redline_rpm: float
    top_gear: int

    def script(self) -> Script:
        """The whole power-up; ends when the recording does."""
        try:
            yield from self._power_up()
        except _GaveUp:
            yield from self._wait(1.5, recover=False)
        self.starter, self.pedal, self.gear, self.clutch, self.brake = False, 0.0, 0, 0.0, 4.0
        self.key, self.running, self.phase = False, False, "off"
        self.note("ignition_off")
        yield from self._wait(self.random.uniform(1.5, 3.0), recover=False)

    def _power_up(self) -> Script:
        plan = self.plan
        yield from self._wait(self.random.uniform(0.5, 1.5), recover=False)
        self.key = True
        self.note("key_on")
        yield from self._wait(plan.prime_s, recover=False)
        yield from self._start()
        self.phase = "idle"
        yield from self._idle(plan.warm_s, plan.blips)
        for rpm in plan.holds_rpm:
            yield from self._hold(rpm, self.random.uniform(3.0, 7.0))
        if plan.course:
            yield from self._launch(plan.stall_at_start)
            self.phase = "run"
            for section in plan.course:
                yield from self._drive(section)
            yield from self._finish()
        self.phase = "idle"
        yield from self._idle(plan.cool_s, 0)

    def _tick(self, recover: bool = True) -> Script:
        yield
        if recover and self.running and self.rpm < 30.0:
            yield from self._recover()

    def _wait(self, seconds: float, recover: bool = True) -> Script:
        end = self.t + seconds
        while self.t < end:
            yield from self._tick(recover)

    def _start(self) -> Script:
        """Crank until it runs; three tries of a few seconds, then give up."""
        began = self.t
        for _ in range(3):
            self.note("cranking")
            self.starter, self.clutch, self.pedal = True, 0.0, self.random.uniform(0.0, 0.06)
            end, caught = self.t + self.random.uniform(3.0, 5.0), 0.0
            while self.t < end and not caught:
                yield
                if self.rpm > max(0.6 * self.idle_rpm, 420.0):
                    caught = self.t
            self.starter = False
            if caught:
                yield from self._wait(0.8, recover=False)
                self.pedal = 0.0
                if self.rpm > 300.0:
                    self.running = True
                    return
            yield from self._wait(self.random.uniform(0.8, 2.0), recover=False)
        self.failed_starts.append((began, self.t))
        raise _GaveUp

    def _recover(self) -> Script:
        """The engine died with the key on: declutch, notice, and try the starter."""
        self.running, self.clutch, self.brake = False, 0.0, 2.0
        self.note("engine_stopped")
        self.stops += 1
        if self.stops > 4:
            raise _GaveUp
        yield from self._wait(self.random.uniform(0.7, 2.2), recover=False)
        self.pedal = 0.0
        yield from self._start()
        self.brake = 0.0
        if self.gear:
            self.gear = 1 if self.speed_mps < 6.0 else self.gear
            yield from self._engage(0.9, 0.6)

    def _idle(self, seconds: float, blips: int) -> Script:
        self.gear, self.clutch, self.pedal = 0, 1.0, 0.0
        end = self.t + seconds
        times = sorted(self.t + self.random.uniform(0.35, 0.9) * seconds for _ in range(blips))
        for at in times:
            while self.t < at:
                yield from self._tick()
            yield from self._blip(self.random.uniform(0.15, 0.45))
        while self.t < end:
            yield from self._tick()

    def _blip(self, pedal: float) -> Script:
        self.note("blip")
        self.pedal = pedal
        end = self.t + self.random.uniform(0.15, 0.5)
        while self.t < end and self.rpm < 0.75 * self.redline_rpm:
            yield from self._tick()
        self.pedal = 0.0
        yield from self._wait(self.random.uniform(0.9, 1.6))

    def _hold(self, rpm: float, seconds: float) -> Script:
        self.gear, self.clutch = 0, 1.0
        end = self.t + seconds
        while self.t < end:
            self._seek(rpm)
            yield from self._tick()
        self.note("throttle_lift")
        self.pedal = 0.0
        yield from self._wait(2.0)

    def _seek(self, rpm: float) -> None:
        """Foot on a free-revving engine: a little throttle near the speed wanted."""
        self.pedal = min(0.5, max(0.0, 0.02 + 0.04 * rpm / self.redline_rpm * 3.0 + (rpm - self.rpm) / 9000.0))

    def _launch(self, stall: bool) -> Script:
        self.clutch, self.gear = 0.0, 1
        if stall:
            yield from self._stall()
        hold = self.random.uniform(0.35, 0.6) * self.redline_rpm
        end = self.t + self.random.uniform(1.0, 2.2)
        while self.t < end:
            self._seek(hold)
            yield from self._tick()
        self.note("launch")
        yield from self._engage(self.random.uniform(0.5, 1.1), 1.0)

    def _stall(self) -> Script:
        """Drops the clutch on too few revs; the brake lights see the car barely move."""
        self.pedal = 0.0
        yield from self._wait(0.6, recover=False)
        self.note("driver_stall")
        self.brake, self.clutch = 6.0, 1.0
        end = self.t + 2.5
        while self.rpm > 30.0 and self.t < end:
            yield
        self.running, self.clutch, self.brake = False, 0.0, 0.0
        yield from self._wait(self.random.uniform(0.8, 1.6), recover=False)
        yield from self._start()

    def _engage(self, seconds: float, pedal: float) -> Script:
        began = self.t
        self.pedal = max(self.pedal, 0.35 * pedal)
        while self.clutch < 1.0:
            share = (self.t - began) / seconds
            self.clutch = (
                min(1.0, 0.25 + 0.75 * share) if self.rpm > 1.1 * self.idle_rpm else max(0.1, self.clutch - 0.1)
            )
            self.pedal = min(pedal, 0.35 + share)
            yield from self._tick()
            if self.t > began + 4.0:
                self.clutch = 1.0

    def _drive(self, section: Section) -> Script:
        if section.kind == "lift":
            self.note("throttle_lift")
            self.pedal = 0.0
            yield from self._rolling(section.seconds, 0.0)
        elif section.kind == "corner":
            yield from self._corner(section)
        elif section.kind == "handbrake":
            yield from self._handbrake(section)
        elif section.kind == "jump":
            yield from self._jump(section)
        else:
            self.brake, self.lateral_g = 0.0, 0.0
            yield from self._rolling(section.seconds, section.pedal if section.kind == "part" else 1.0)

    def _rolling(self, seconds: float, pedal: float) -> Script:
        """Keep the pedal there, change gear when the speed asks for it, ease off when the wheels spin for long."""
        end, spun = self.t + seconds, 0.0
        self.pedal = pedal
        while self.t < end:
            last = self.t
            yield from self._tick()
            spun = spun + self.t - last if self.spinning else 0.0
            foot = pedal + 0.03 * math.sin(2.1 * self.t) * (0.0 < pedal < 1.0)
            self.pedal = 0.45 * foot if spun > 0.4 else foot
            if self.rpm > self.plan.shift_share * self.redline_rpm and self.gear < self.top_gear and not self.spinning:
                yield from self._shift(self.gear + 1, pedal)
            elif self.rpm < 1.15 * self.idle_rpm and self.clutch > 0.9 and self.gear > 1:
                yield from self._shift(self.gear - 1, pedal)
            elif self.rpm < 0.8 * self.idle_rpm and self.clutch > 0.9:
                self.clutch = 0.0
                yield from self._wait(0.25)
                yield from self._engage(0.7, max(pedal, 0.4))

    def _shift(self, gear: int, pedal: float) -> Script:
        self.note("gear_change")
        flat = self.random.random() < self.plan.flat_shift
        self.pedal = 0.7 if flat else 0.0
        yield from self._wait(self.random.uniform(0.03, 0.09))
        self.clutch = 0.0
        down = gear < self.gear
        if down and self.random.random() < 0.7:
            self.pedal = self.random.uniform(0.3, 0.6)
        yield from self._wait(self.random.uniform(0.12, 0.3))
        self.gear = gear
        if not flat:
            self.pedal = 0.15
        began, seconds = self.t, self.random.uniform(0.1, 0.28)
        while self.t < began + seconds:
            self.clutch = (self.t - began) / seconds
            yield from self._tick()
        self.clutch, self.pedal = 1.0, pedal

    def _corner(self, section: Section) -> Script:
        """Brake to the corner's speed, change down, then feed the throttle round it."""
        self.pedal = 0.0
        if self.speed_mps > section.speed_mps:
            self.note("throttle_lift")
        self.brake = self.random.uniform(3.5, 6.5)
        end = self.t + 4.0
        while self.speed_mps > section.speed_mps and self.t < end:
            yield from self._tick()
            if self.rpm < 1.2 * self.idle_rpm and self.gear > 1:
                yield from self._shift(self.gear - 1, 0.0)
        self.brake = 0.0
        if self.gear > 2 and self.rpm < 0.45 * self.redline_rpm:
            yield from self._shift(self.gear - 1, 0.0)
        end, ramp = self.t + section.seconds, self.t
        while self.t < end:
            self.lateral_g = section.lateral_g * min(1.0, (self.t - ramp) / 0.3)
            pedal = min(0.7, max(0.05, 0.25 + 0.08 * (section.speed_mps - self.speed_mps)))
            self.pedal = pedal
            yield from self._tick()
        self.lateral_g = 0.0

    def _handbrake(self, section: Section) -> Script:
        self.note("handbrake_turn")
        self.pedal, self.brake = 0.0, 5.0
        yield from self._wait(0.4)
        self.clutch, self.brake = 0.0, 7.0
        self.lateral_g = section.lateral_g
        yield from self._wait(section.seconds)
        self.lateral_g, self.brake, self.gear = 0.0, 0.0, 1
        self.pedal = 0.4
        yield from self._wait(0.25)
        yield from self._engage(0.5, 1.0)

    def _jump(self, section: Section) -> Script:
        self.airborne = True
        self.note("jump")
        yield from self._wait(section.seconds)
        self.airborne = False
        self.note("landing")
        self.landings.append(self.t)
        yield from self._rolling(0.5, 1.0)

    def _finish(self) -> Script:
        self.note("throttle_lift")
        self.pedal, self.lateral_g, self.brake = 0.0, 0.0, 2.5
        end = self.t + 12.0
        while self.speed_mps > 1.0 and self.t < end:
            if self.rpm < 1.4 * self.idle_rpm:
                self.clutch = 0.0
            yield from self._tick()
        self.clutch, self.gear, self.brake = 0.0, 0, 5.0
        yield from self._wait(1.0)
