"""Narrow a cause where the signals allow it, in the words of procedures.toml; None where they do not."""

import numpy as np

from logger.analysis.channels.bands import WEAK_BATTERY_V
from logger.analysis.failure.episodes import Episode
from logger.event import NS_PER_S, Cause

CORNERING_G = 0.35
UNDER_LOAD = 0.6


def narrow(episode: Episode, cause: Cause) -> str | None:
    """The sub-cause that one episode's signals speak for."""
    if cause == "ignition_primary":
        return _primary(episode)
    if cause == "supply_voltage":
        return _supply(episode)
    if cause == "fuel_delivery":
        return _fuel(episode)
    if cause == "mixture":
        return "injector_drive" if episode.of("no_injection") else None
    if cause == "ignition_secondary" and episode.of("no_spark"):
        return "coil_lead"  # the clamp sits on it: the spark was gone before the cap
    if cause == "ignition_secondary" and episode.of("lame_cylinder"):
        return "one_cylinder"
    return None


def _primary(episode: Episode) -> str | None:
    """Feed where its voltage fell; else, where it was measured and held, what tells the coil to fire."""
    if episode.of("supply_dip", "ignition_feed_voltage"):
        return "feed"
    measured = episode.view.near("ignition_feed_voltage", episode.from_ns - NS_PER_S // 5, episode.to_ns).value.size
    return "trigger" if measured else None


def _supply(episode: Episode) -> str | None:
    """A slow decline is the charging, a sudden hole a contact: ground or main feed."""
    before = episode.view.near("battery_voltage", episode.from_ns - NS_PER_S, episode.from_ns).value
    if before.size and float(np.median(before)) < WEAK_BATTERY_V:
        return "charging"
    return "ground" if episode.of("supply_dip") else None


def _fuel(episode: Episode) -> str | None:
    """Surge where the car was cornering, the pump where it was pulling hard, else boiling fuel."""
    view = episode.view
    car = view.near("acceleration", episode.from_ns - NS_PER_S // 2, episode.from_ns).value
    if car.ndim == 2 and car.shape[0] > 10:
        level = np.sort(np.abs(car.mean(axis=0)))[:2]  # the largest is gravity
        if float(level.max()) > CORNERING_G:
            return "surge"
    place = int(np.searchsorted(view.firings.time_ns, episode.from_ns))
    load = view.load[max(0, place - 20) : place]
    if not load.size or not np.isfinite(load).all():
        return None
    if float(load.mean()) > UNDER_LOAD:
        return "pump"
    return "vapour_lock"
