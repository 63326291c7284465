"""Coolant, engine bay and the fan that the coolant switches."""

import math
from dataclasses import dataclass

FAN_ON_DEGC, FAN_OFF_DEGC = 96.0, 92.0


@dataclass(slots=True)
class Heat:
    """Lumped coolant: a third of the fuel's heat goes in, the radiator behind the thermostat lets it out."""

    litres: float
    thermostat_degc: float
    ambient_degc: float
    coolant_degc: float
    bay_degc: float
    fan_a: float
    fan: bool = False
    fan_since: float = 0.0

    def step(self, t: float, dt: float, burn_gps: float, speed_mps: float, key: bool) -> None:
        """Advance by dt under that fuel flow and air speed."""
        fan = key and self.coolant_degc > (FAN_OFF_DEGC if self.fan else FAN_ON_DEGC)
        self.fan_since = t if fan and not self.fan else self.fan_since
        self.fan = fan
        over_ambient = self.coolant_degc - self.ambient_degc
        flow = min(1.0, max(0.04, (self.coolant_degc - self.thermostat_degc) / 9.0))
        wind = min(1.4, 0.25 + 0.05 * speed_mps + (0.45 if fan else 0.0))
        out_kw = (0.01 + 0.31 * self.litres**0.7 * wind * flow) * over_ambient
        in_kw = 14.0 * burn_gps  # a third of 43 kJ/g
        # water, block and head: 3.9 kJ/(kg K) times about half of 9 kg + 5 kg per litre
        self.coolant_degc += (in_kw - out_kw) * dt / (3.9 * 0.55 * (9.0 + 5.0 * self.litres))
        goal = self.ambient_degc + 0.55 * over_ambient * (1.25 if speed_mps < 2.0 else 0.85)
        self.bay_degc += (goal - self.bay_degc) * min(1.0, dt / 45.0)

    def fan_amps(self, t: float) -> float:
        """Current of the fan, four times as much while it runs up."""
        return self.fan_a * (1.0 + 3.0 * math.exp(-(t - self.fan_since) / 0.15)) if self.fan else 0.0
