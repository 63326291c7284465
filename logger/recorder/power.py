"""Power hold: on a permanent feed, recording goes on through key-off, and after some minutes the machine is shut down.

Who reads the page in the paddock does so with the key off, so the shutdown waits while the page is in use: until it
has been left alone for as long, but no longer than the settings say, for the car's battery must start it again.

The recorder may not switch anything off itself. It closes its file, then leaves a request in the run directory, which
`stumblelog-power-off.path` answers with a clean shutdown.
"""

from pathlib import Path

from logger.sensors.batch import Batch

REQUEST = "power-off"
_NS_PER_MIN = 60_000_000_000


class PowerHold:
    """Tells when the key has been off, the engine still and the page unused for `after_min`; the page counts up to
    `at_latest_min`. after_min 0 or no key sense: never."""

    def __init__(self, after_min: float, at_latest_min: float = 0.0) -> None:
        self.after_min = after_min
        self._after_ns = round(after_min * _NS_PER_MIN)
        self._at_latest_ns = round(at_latest_min * _NS_PER_MIN)
        self._off_since_ns: int | None = None

    def is_over(self, batch: Batch, now_ns: int, used_ns: int | None = None) -> bool:
        """Take in a batch; whether it is time to shut down. used_ns: when the page was last used, None: never."""
        if "key_sense" in batch.states:
            time_ns, state = batch.states["key_sense"]
            if state[-1]:
                self._off_since_ns = None
            elif self._off_since_ns is None:
                self._off_since_ns = int(time_ns[-1])
        if self._off_since_ns is None or not self._after_ns:
            return False
        pulses = batch.pulses.get("tach_pulses")
        if pulses is not None and pulses.size:
            # An engine that runs with the key off has a broken key-sense wire.
            self._off_since_ns = max(self._off_since_ns, int(pulses[-1]))
        is_read = used_ns is not None and now_ns - used_ns < self._after_ns
        return now_ns - self._off_since_ns >= (max(self._after_ns, self._at_latest_ns) if is_read else self._after_ns)


def request_power_off(run_dir: Path) -> None:
    """Ask for a clean shutdown. Raises OSError where the run directory cannot be written."""
    (run_dir / REQUEST).touch()


def withdraw_request(run_dir: Path) -> None:
    """Take back what an earlier run asked for."""
    (run_dir / REQUEST).unlink(missing_ok=True)
