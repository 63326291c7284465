"""Run by test_real_stall.py: the real lgpio reader and gpiozero pin class, fed through their real pipe by a process of
its own, while this interpreter is stopped dead for half a second. Only the calls into a GPIO chip are left out.

Prints one JSON object: what the feeder stamped, what the input recorded, and how long the stall was.
"""

import ctypes
import json
import os
import subprocess
import sys
import time

WORK_DIR = sys.argv[1]
N_PULSES = 1500
FEEDER = f"""
import json, struct, time
stamps = []
with open({os.path.join(WORK_DIR, ".lgd-nfy0")!r}, "wb", buffering=0) as pipe:
    start = time.monotonic_ns()
    for k in range({N_PULSES}):
        due = start + k * 1_000_000
        while (left := due - time.monotonic_ns()) > 0:
            time.sleep(left / 1e9)
        # The kernel stamps an edge when it happens, however late the report is written.
        stamps.append(due)
        pipe.write(struct.pack("QBBBBI", stamps[-1], 0, 17, 0, 0, 0))
print(json.dumps(stamps))
"""

os.environ["LG_WD"] = WORK_DIR
before = os.getcwd()
import lgpio  # noqa: E402

os.chdir(before)
for name in ("gpio_claim_input", "gpio_claim_alert", "gpio_get_mode", "gpio_free"):
    setattr(lgpio, name, lambda *args: 0)

from gpiozero.pins.lgpio import LGPIOFactory, LGPIOPin  # noqa: E402
from gpiozero.pins.local import LocalPiFactory  # noqa: E402

from logger.clock import SystemClock  # noqa: E402
from logger.sensors.pulse_input import PulseInput  # noqa: E402


class ChiplessFactory(LGPIOFactory):
    """gpiozero's lgpio factory without a chip to open."""

    def __init__(self) -> None:
        LocalPiFactory.__init__(self)
        self._handle, self._chip, self.pin_class = 0, 0, LGPIOPin

    def _get_revision(self) -> int:
        return 0xA02082

    def close(self) -> None:
        self._handle = None


clock = SystemClock()
factory = ChiplessFactory()
tach = PulseInput("tach_pulses", 17, "falling", "none", 200.0, factory, clock)
tach.step()
recorded: list[int] = []


def take() -> None:
    pulses: dict[str, object] = {}
    tach.take(pulses)
    recorded.extend(pulses["tach_pulses"].tolist() if pulses else [])


feeder = subprocess.Popen([sys.executable, "-c", FEEDER], stdout=subprocess.PIPE, text=True)
while len(recorded) < 300:
    clock.sleep_until_ns(clock.monotonic_ns() + 20_000_000)
    take()
# A call through PyDLL keeps the interpreter's lock, so that no other thread of it runs.
begun = time.monotonic()
ctypes.PyDLL(None).usleep(500_000)
stall_s = time.monotonic() - begun
output, _ = feeder.communicate(timeout=30)
give_up = time.monotonic() + 5.0
while len(recorded) < N_PULSES and time.monotonic() < give_up:
    clock.sleep_until_ns(clock.monotonic_ns() + 20_000_000)
    take()
tach.close()
print(json.dumps({"sent": json.loads(output), "recorded": recorded, "stall_s": stall_s}))
sys.stdout.flush()
# lgpio's reader waits in its pipe for ever.
os._exit(0)
