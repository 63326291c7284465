"""Full-load pulls laid over each other: torque against engine speed, cold, warm and hot told apart by colour and dash.

Drawn as lines of an SVG that need no script, for the page, the bench page's last pull, and the report.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Any

from logger.store.store import Store
from web.glance import moment_href

WIDTH, HEIGHT = 640.0, 300.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 24.0, 10.0, 26.0
RPM_STEP = 1000.0


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis: where, and what it says."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class PullLine:
    """One pull. lines: points of polylines; broken: points where it broke up; href leads to its begin in the traces."""

    number: int
    recording: str
    from_s: float
    warmth: str
    coolant_degc: float | None
    gear: int
    is_best: bool
    lines: list[str]
    broken: list[tuple[float, float]]
    peak: float | None
    href: str | None


@dataclass(frozen=True, slots=True)
class PullsPicture:
    """Pulls in one drawing of WIDTH x HEIGHT. unit: N·m, or % of the highest of the best pull of the same gear."""

    pulls: list[PullLine]
    x_ticks: list[Tick]
    y_ticks: list[Tick]
    unit: str
    sentences: list[str]
    referred: str


@dataclass(frozen=True, slots=True)
class PullsPage:
    """Variables of the page of pulls; picture None: there is none."""

    event_id: str
    event_name: str
    picture: PullsPicture | None


def picture(
    found: dict[str, Any], event_id: str | None = None, only: Sequence[int] | None = None
) -> PullsPicture | None:
    """Draw the findings' pulls, all or those numbered; None without any. event_id: makes each a link."""
    chosen = [(n, one) for n, one in enumerate(found.get("pulls", ())) if only is None or n in only]
    if not chosen:
        return None
    # The way per turn holds in one gear: pulls in another have no N·m, which must not take it from the rest.
    absolute = any(one["torque_nm"] is not None for _, one in chosen)
    values = [_newton_metres(one) if absolute else _percent(one["torque"]) for _, one in chosen]
    speeds: list[float] = [rpm for _, one in chosen for rpm in one["speed_rpm"]]
    known = [value for curve in values for value in curve if value is not None]
    x_low, x_high = RPM_STEP * floor(min(speeds) / RPM_STEP), RPM_STEP * ceil(max(speeds) / RPM_STEP)
    y_step = _step(max(known, default=1.0))
    y_high = y_step * ceil(max(known, default=1.0) / y_step)
    best = set(found.get("best", {}).values())

    def x(rpm: float) -> float:
        return round(LEFT + (rpm - x_low) / max(x_high - x_low, 1.0) * (WIDTH - LEFT - RIGHT), 1)

    def y(value: float) -> float:
        return round(HEIGHT - BOTTOM - max(value, 0.0) / y_high * (HEIGHT - TOP - BOTTOM), 1)

    lines = []
    for (number, one), curve in zip(chosen, values, strict=True):
        points = list(zip(one["speed_rpm"], curve, strict=True))
        lines.append(
            PullLine(
                number=number + 1,
                recording=one["recording"],
                from_s=one["from_s"],
                warmth=one["warmth"],
                coolant_degc=one["coolant_degc"],
                gear=one["gear"],
                is_best=number in best,
                lines=[" ".join(f"{x(rpm):g},{y(v):g}" for rpm, v in part) for part in _unbroken(points)],
                broken=[(x(rpm), y(v)) for rpm, v in _at_break_ups(one, points)],
                peak=max((v for v in curve if v is not None), default=None),
                href=None if event_id is None else moment_href(event_id, one["recording"], one["from_s"]),
            )
        )
    return PullsPicture(
        pulls=lines,
        x_ticks=[Tick(x(rpm), f"{rpm:.0f}") for rpm in _range(x_low, x_high, RPM_STEP)],
        y_ticks=[Tick(y(value), f"{value:g}") for value in _range(0.0, y_high, y_step)],
        unit="N·m" if absolute else "%",
        sentences=list(found.get("sentences", ())),
        referred=found.get("referred", ""),
    )


def build(store: Store, event_id: str) -> PullsPage | None:
    """Gather the page; None while nothing is worked out."""
    found = store.findings(event_id)
    if found is None:
        return None
    return PullsPage(event_id, store.outline(event_id).name, picture(found.get("pulls") or {}, event_id))


def _newton_metres(pull: dict[str, Any]) -> list[float | None]:
    return pull["torque_nm"] or [None] * len(pull["speed_rpm"])


def _percent(shares: Sequence[float | None]) -> list[float | None]:
    return [None if share is None else 100.0 * share for share in shares]


def _unbroken(points: Sequence[tuple[float, float | None]]) -> list[list[tuple[float, float]]]:
    parts: list[list[tuple[float, float]]] = [[]]
    for rpm, value in points:
        if value is None:
            parts.append([])
        else:
            parts[-1].append((rpm, value))
    return [part for part in parts if len(part) > 1]


def _at_break_ups(one: dict[str, Any], points: Sequence[tuple[float, float | None]]) -> list[tuple[float, float]]:
    """Where on its curve a pull broke up: at the point nearest to the speed it had right before."""
    known = [(rpm, value) for rpm, value in points if value is not None]
    return [min(known, key=lambda point: abs(point[0] - rpm)) for rpm in one.get("break_ups_rpm", ()) if known]


def _step(highest: float) -> float:
    """A step of 1, 2 or 5 times a power of ten that gives four to ten marks."""
    power = 10.0 ** (len(f"{max(highest, 1.0):.0f}") - 1)
    return next((power * part for part in (0.1, 0.2, 0.5, 1.0) if highest / (power * part) <= 8), 2.0 * power)


def _range(low: float, high: float, step: float) -> list[float]:
    return [low + step * n for n in range(round((high - low) / step) + 1)]
