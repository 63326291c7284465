"""A sensor's law from points that a person measured: the fit, what is left over, how sure it is, and what is refused.

::

    true value  <--fit--  x: pin volts (divider), volts in the car (linear, table), share of the supply (ratiometric),
                             ohms (ntc)

Everything is in the unit of the channel's settings; counts and gain stay as they are, so old recordings follow.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from logger.calibration_points import Point, check_point, ohms, reads, scale_of, x_of
from logger.channel_settings import ChannelSettings
from logger.conversion import ZERO_C_IN_K, to_si
from logger.errors import CalibrationError
from logger.event import FloatArray
from logger.store.calibrated import WIRING_KEYS

NEEDED = {"divider": 1, "ratiometric": 1, "linear": 2, "ntc": 2, "table": 2}
FAR_OFF = (0.75, 1.33)
"""New slope over old: beyond, it is not the sensor's tolerance but a wrong number in the settings."""

BENT_SHARE = 0.05
BETA_POINTS, STEINHART_POINTS = 2, 3


@dataclass(frozen=True, slots=True)
class Fitted:
    """conversion: the keys of the channel's settings that the logbook takes. residuals: true less fitted, one for each
    point. plus_minus: 95 percent, the widest of the points, from noise and residuals (`gauge_error` included).
    spare: points beyond those that the law needs; with none the residuals are zero by construction. said: what changed.
    """

    conversion: dict[str, Any]
    residuals: tuple[float, ...]
    plus_minus: float
    spare: int
    said: str


def fit(channel: str, wiring: ChannelSettings, points: Sequence[Point], gauge_error: float = 0.0) -> Fitted:
    """The conversion through these points. gauge_error: of what the true values were read from, in the same unit.

    Raises CalibrationError, saying which point and why, where they make no sense.
    """
    needed = NEEDED[wiring.convert]
    if len(points) < needed:
        raise CalibrationError(
            f"{channel}: this kind of sensor needs {needed} or more points, far apart; it got {len(points)}"
        )
    for number, point in enumerate(points):
        check_point(channel, wiring, point, points[:number])
    points = sorted(points, key=lambda point: point.true)
    _check_direction(channel, wiring, points)
    if wiring.convert == "ntc":
        return _thermistor(channel, wiring, points, gauge_error)
    if wiring.convert == "table":
        return _table(wiring, points, gauge_error)
    return _straight(channel, wiring, points, gauge_error)


def _check_direction(channel: str, wiring: ChannelSettings, points: Sequence[Point]) -> None:
    """A sensor that goes the other way than its law is not that sensor, or two points were swapped."""
    falls = wiring.convert == "ntc"
    if wiring.convert in ("linear", "ratiometric"):
        falls = bool(_present_slope(wiring) < 0.0)
    rises = [x_of(wiring, later) > x_of(wiring, earlier) for earlier, later in pairwise(points)]
    if wiring.convert == "table":
        falls = not rises[0]
    for (earlier, later), rise in zip(pairwise(points), rises, strict=True):
        if rise == falls:
            why = "a hotter NTC has fewer ohms" if wiring.convert == "ntc" else "the reading goes the wrong way"
            raise CalibrationError(
                f"{channel}: between {earlier.true:g} and {later.true:g} {wiring.unit} {why}; were two points swapped?"
            )


def _present_slope(wiring: ChannelSettings) -> float:
    """Value for each unit of x by the settings as they are."""
    if wiring.convert == "divider":
        return wiring.ratio
    if wiring.convert == "ratiometric":
        assert wiring.full_scale is not None
        return wiring.full_scale / wiring.span_fraction
    assert wiring.per_volt is not None
    return wiring.per_volt


def _straight(channel: str, wiring: ChannelSettings, points: Sequence[Point], gauge_error: float) -> Fitted:
    """Least squares: through zero for a divider, of the zero alone for a ratiometric sensor's single point."""
    x = np.array([x_of(wiring, point) for point in points])
    true = np.array([point.true for point in points])
    slope = _present_slope(wiring)
    if wiring.convert == "divider":
        terms, known = x[:, None], np.zeros_like(true)
    elif len(points) == 1:
        terms, known = np.ones((1, 1)), slope * x
    else:
        terms, known = np.column_stack([x, np.ones_like(x)]), np.zeros_like(true)
    found = np.linalg.lstsq(terms, true - known, rcond=None)[0]
    residuals = true - known - terms @ found
    if wiring.convert == "divider" or len(points) > 1:
        _check_slope(channel, wiring, float(found[0]) / slope)
        slope = float(found[0])
    _check_residuals(channel, wiring, points, residuals)
    per_pin_v = slope if wiring.convert == "divider" else slope * wiring.ratio
    if wiring.convert == "ratiometric":
        per_pin_v /= points[0].supply
    noise = max(point.error_v for point in points) * abs(per_pin_v)
    spare = len(points) - len(found)
    sigma = max(noise, float(np.sqrt(residuals @ residuals / spare)) if spare else 0.0)
    covariance = sigma**2 * np.linalg.inv(terms.T @ terms)
    widest = float(np.sqrt(np.einsum("ij,jk,ik->i", terms, covariance, terms).max()))
    keys, said = _straight_keys(wiring, slope, found)
    return _fitted(wiring, keys, residuals, 2.0 * widest, gauge_error, spare, said)


def _straight_keys(wiring: ChannelSettings, slope: float, found: FloatArray) -> tuple[dict[str, Any], str]:
    if wiring.convert == "divider":
        return {"ratio": round(slope, 6)}, f"ratio {wiring.ratio:g} becomes {slope:.4g}"
    offset = float(found[-1])
    if wiring.convert == "linear":
        said = f"zero {wiring.zero:g} becomes {offset:.4g}, per_volt {wiring.per_volt:g} becomes {slope:.4g}"
        return {"zero": round(offset, 6), "per_volt": round(slope, 6)}, said
    assert wiring.full_scale is not None
    zero, span = -offset / slope, wiring.full_scale / slope
    keys = {"zero_fraction": round(zero, 6), "span_fraction": round(span, 6)}
    said = f"zero_fraction {wiring.zero_fraction:g} becomes {zero:.4f}"
    return keys, said + (f", span_fraction {wiring.span_fraction:g} becomes {span:.4f}" if len(found) > 1 else "")


def _check_slope(channel: str, wiring: ChannelSettings, change: float) -> None:
    if not FAR_OFF[0] < change < FAR_OFF[1]:
        key = {"divider": "ratio", "ratiometric": "full_scale or ratio", "linear": "per_volt or ratio"}[wiring.convert]
        raise CalibrationError(
            f"{channel}: by these points it would read {change:.2f} times what it does, which is no tolerance but "
            f"another sensor: look whether the true values are in {wiring.unit}, else correct {key} in the settings"
        )


def _check_residuals(channel: str, wiring: ChannelSettings, points: Sequence[Point], residuals: FloatArray) -> None:
    worst = int(np.argmax(np.abs(residuals)))
    if abs(residuals[worst]) > BENT_SHARE * max(scale_of(channel, wiring), np.ptp([point.true for point in points])):
        raise CalibrationError(
            f"{channel}: the point at {points[worst].true:g} {wiring.unit} lies {residuals[worst]:+.3g} off the line "
            "of the others; measure it again"
        )


def _thermistor(channel: str, wiring: ChannelSettings, points: Sequence[Point], gauge_error: float) -> Fitted:
    """Two points give the beta form, three or more a Steinhart-Hart curve (see logger.conversion.Thermistor)."""
    kelvin = np.array([float(to_si(point.true, wiring.unit)) + ZERO_C_IN_K for point in points])
    resistance = np.array([ohms(wiring, point) for point in points])
    if len(points) == BETA_POINTS:
        beta = float(np.log(resistance[0] / resistance[-1]) / (1.0 / kelvin[0] - 1.0 / kelvin[-1]))
        r25 = float(resistance[0] * np.exp(beta * (1.0 / 298.15 - 1.0 / kelvin[0])))
        keys: dict[str, Any] = {"beta": round(beta, 1), "r25_ohm": round(r25, 2)}
        said = f"beta {beta:.0f} K, {r25:.0f} ohm at 25 °C; good to about a degree between the points, worse outside"
    else:
        pairs = [[point.true, round(float(ohm), 2)] for point, ohm in zip(points, resistance, strict=True)]
        keys, said = {"points": pairs}, f"a curve through {len(points)} points"
    keys = {"coefficients": None, "beta": None, "r25_ohm": None, "points": None} | keys
    new = replace(wiring, **_as_settings(keys))
    fitted = np.array([reads(new, point) for point in points])
    residuals = np.array([point.true for point in points]) - fitted
    if not np.isfinite(fitted).all():
        raise CalibrationError(f"{channel}: no thermistor goes through these points; measure them again")
    _check_residuals(channel, wiring, points, residuals)
    noise = max(abs(reads(new, replace(p, pin_v=p.pin_v + p.error_v)) - reads(new, p)) for p in points)
    spare = max(0, len(points) - STEINHART_POINTS)
    sigma = max(noise, float(np.sqrt(residuals @ residuals / spare)) if spare else 0.0)
    return _fitted(wiring, keys, residuals, 2.0 * sigma, gauge_error, spare, said)


def _as_settings(keys: dict[str, Any]) -> dict[str, Any]:
    return {name: tuple(map(tuple, value)) if name == "points" and value else value for name, value in keys.items()}


def _table(wiring: ChannelSettings, points: Sequence[Point], gauge_error: float) -> Fitted:
    """The points themselves are the law."""
    pairs = sorted([round(point.pin_v * wiring.ratio, 5), point.true] for point in points)
    slopes = [abs((b[1] - a[1]) / (b[0] - a[0])) for a, b in pairwise(pairs)]
    noise = max(point.error_v for point in points) * wiring.ratio * max(slopes)
    residuals = np.zeros(len(points))
    return _fitted(wiring, {"points": pairs}, residuals, 2.0 * noise, gauge_error, 0, f"{len(points)} points")


def _fitted(
    wiring: ChannelSettings, keys: dict[str, Any], residuals: FloatArray, plus_minus: float, gauge_error: float,
    spare: int, said: str,
) -> Fitted:  # fmt: skip
    table = {name: value for name, value in asdict(wiring).items() if name not in WIRING_KEYS}
    conversion = {name: _listed(value) for name, value in (table | keys).items() if value is not None}
    return Fitted(
        conversion, tuple(round(float(left), 9) for left in residuals), float(np.hypot(plus_minus, gauge_error)),
        spare, said,
    )  # fmt: skip


def _listed(value: Any) -> Any:
    """Tuples as lists, as JSON and TOML have them."""
    return [_listed(item) for item in value] if isinstance(value, list | tuple) else value
