"""What shook before each stumble, and which firings went: a worked analysis to copy from.

    python -m logger.examples.before_stumbles hollow-quarry.zip pictures/

For each stumble it draws two pictures side by side (needs `pip install matplotlib`):

* the spectrum of the vibration in the two seconds before the onset, over that of the whole recording, with the
  frequency of the tach pulses and half of it marked. What stands out only before is not the engine's usual shaking.
* the engine firing by firing: each interval between tach pulses over the usual one, so that a lost pulse stands at 2,
  two lost ones at 3, and combustion lost without a missing pulse shows as a slow rise.

It prints one line for each stumble. Any event that `logger.store.open_event` takes will do.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import welch

from logger.analysis.findings import Stumble
from logger.errors import StumblelogError
from logger.event import NS_PER_S, FloatArray
from logger.store import open_event
from logger.store.door import OpenEvent

BEFORE_S = 2.0
AROUND_S = 1.0
SEGMENT = 256
"""Samples in each piece of a spectrum: at 400 Hz it then tells 1.6 Hz apart."""

LEAST_HZ = 2.0
N_NEIGHBOURS = 15


@dataclass(frozen=True, slots=True)
class Shaking:
    """Power of the vibration, g^2/Hz, at each frequency, Hz, shape (n,): before a stumble, and usually."""

    frequency_hz: FloatArray
    before: FloatArray
    usual: FloatArray

    @property
    def stands_out(self) -> tuple[float, float]:
        """The frequency at which it shook most beyond what is usual, and by which factor."""
        ratio = np.where(self.frequency_hz >= LEAST_HZ, self.before / np.maximum(self.usual, 1e-12), 0.0)
        place = int(np.argmax(ratio))
        return float(self.frequency_hz[place]), float(ratio[place])


@dataclass(frozen=True, slots=True)
class Firings:
    """Intervals between tach pulses around a stumble.

    at_s: end of each, seconds from the onset, shape (n,). ratio: each over the median of its neighbours. usual_hz: the
    frequency of firings before the onset.
    """

    at_s: FloatArray
    ratio: FloatArray
    usual_hz: float

    @property
    def n_lost(self) -> int:
        """Pulses that are missing between those that came."""
        return int(np.sum(np.maximum(np.rint(self.ratio) - 1.0, 0.0)))


def shaking(event: OpenEvent, stumble: Stumble) -> Shaking | None:
    """The vibration before a stumble; None where acceleration was not recorded, or not for long enough."""
    if "acceleration" not in event.channels(stumble.recording):
        return None
    trace = event.trace(stumble.recording, "acceleration")
    if trace.time_ns.size < SEGMENT:
        return None
    rate_hz = NS_PER_S / float(np.median(np.diff(trace.time_ns)))
    onset_ns = round(stumble.onset_s * NS_PER_S)
    first, last = np.searchsorted(trace.time_ns, [onset_ns - round(BEFORE_S * NS_PER_S), onset_ns])
    if last - first < SEGMENT:
        return None
    frequency_hz, usual = _spectrum(trace.value, rate_hz)
    return Shaking(frequency_hz, _spectrum(trace.value[first:last], rate_hz)[1], usual)


def firings(event: OpenEvent, stumble: Stumble) -> Firings | None:
    """The tach pulses around a stumble, one by one; None where there are too few."""
    onset_s = stumble.engine_onset_s
    pulses = event.pulses(stumble.recording, "tach_pulses", onset_s - AROUND_S, onset_s + AROUND_S)
    if pulses.size < 2 * N_NEIGHBOURS:
        return None
    interval_s = np.diff(pulses) / NS_PER_S
    at_s = pulses[1:] / NS_PER_S - onset_s
    before = interval_s[at_s < 0.0]
    usual_hz = 1.0 / float(np.median(before if before.size else interval_s))
    return Firings(at_s, interval_s / _running_median(interval_s), usual_hz)


def draw(event: OpenEvent, stumble: Stumble, path: Path) -> None:
    """Draw both pictures of a stumble to a file. Raises StumblelogError where matplotlib is not installed."""
    try:
        from matplotlib.figure import Figure
    except ModuleNotFoundError as error:
        raise StumblelogError("the pictures need matplotlib; install it with: pip install matplotlib") from error
    figure = Figure(figsize=(11, 4), layout="constrained")
    left, right = figure.subplots(1, 2)
    figure.suptitle(f"{event.name}: {stumble.recording} at {stumble.onset_s:.3f} s, {stumble.cause}")
    engine, shook = firings(event, stumble), shaking(event, stumble)
    if shook is not None:
        left.semilogy(shook.frequency_hz, shook.usual, label="usual in this recording")
        left.semilogy(shook.frequency_hz, shook.before, label=f"{BEFORE_S:g} s before")
        for firing_hz in () if engine is None else (engine.usual_hz / 2, engine.usual_hz):
            left.axvline(firing_hz, linestyle=":", color="grey")
        left.set(title="Vibration", xlabel="Hz", ylabel="g²/Hz")
        left.legend()
    if engine is not None:
        right.plot(engine.at_s, engine.ratio, ".-")
        right.axvline(0.0, linestyle=":", color="grey")
        right.set(title="Firing by firing", xlabel="s from the first bad firing", ylabel="interval over the usual one")
    figure.savefig(path)


def main(arguments: list[str]) -> int:
    """Print a line and draw a picture for each stumble."""
    if len(arguments) != 2:
        print("give an event and a folder for the pictures, such as: hollow-quarry.zip pictures/", file=sys.stderr)
        return 2
    folder = Path(arguments[1])
    folder.mkdir(parents=True, exist_ok=True)
    with open_event(arguments[0]) as event:
        found = event.findings or event.analyse()
        for number, stumble in enumerate(found.stumbles, 1):
            shook, engine = shaking(event, stumble), firings(event, stumble)
            line = [f"{number:3d}  {stumble.recording} {stumble.onset_s:9.3f} s  {stumble.cause}"]
            if engine is not None:
                line.append(f"{engine.n_lost} pulses missing at {engine.usual_hz:.0f} pulses/s")
            if shook is not None:
                line.append("shook {1:.0f} times the usual at {0:.0f} Hz".format(*shook.stands_out))
            print("; ".join(line))
            draw(event, stumble, folder / f"stumble-{number:03d}.svg")
    return 0


def _spectrum(value: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Welch's spectrum (P. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73) of all three axes together."""
    known = value[np.isfinite(value).all(axis=1)]
    frequency_hz, power = welch(known, rate_hz, nperseg=min(SEGMENT, len(known)), axis=0)
    return np.asarray(frequency_hz, np.float64), np.asarray(power.sum(axis=1), np.float64)


def _running_median(interval_s: FloatArray) -> FloatArray:
    """The median of each interval and its neighbours."""
    half = N_NEIGHBOURS // 2
    padded = np.pad(interval_s, half, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, N_NEIGHBOURS), axis=1), np.float64)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
