"""How often somebody may try a pass-phrase.

From one address: five tries at once, then one every ten seconds; never longer, so nobody can lock the owner out for
good. A right one clears the address. Neither devices that are logged in nor the address shown with the pass-phrase
are held up at all.
"""

import ipaddress
import time
from collections import OrderedDict
from collections.abc import Callable

AT_ONCE = 5
EVERY_S = 10.0
MOST_ADDRESSES = 1024


class Tries:
    """Counts tries by address, in bounded memory: beyond MOST_ADDRESSES the one that tried longest ago is forgotten.

    Whoever has that many addresses gains little: hashing is done one at a time.
    """

    def __init__(self, ticks: Callable[[], float] = time.monotonic) -> None:
        self._ticks = ticks
        self._free_at: OrderedDict[str, float] = OrderedDict()

    def wait_s(self, address: str) -> float:
        """Count a try; seconds to wait where it is one too many (then it does not count), else 0."""
        now, source = self._ticks(), _source(address)
        free_at = max(self._free_at.get(source, now), now)  # when all five are free again
        wait_s = free_at - now - (AT_ONCE - 1) * EVERY_S
        if wait_s > 0:
            return wait_s
        self._free_at[source] = free_at + EVERY_S
        self._free_at.move_to_end(source)
        if len(self._free_at) > MOST_ADDRESSES:
            self._free_at.popitem(last=False)
        return 0.0

    def forgive(self, address: str) -> None:
        """Forget an address, after a right try."""
        self._free_at.pop(_source(address), None)

    def __len__(self) -> int:
        return len(self._free_at)


def _source(address: str) -> str:
    """A device picks its IPv6 address within 64 bits as it likes, so all of them count as one."""
    try:
        known = ipaddress.ip_address(address.split("%")[0])
    except ValueError:
        return address[:64]
    if known.version == 4:
        return str(known)
    return str(ipaddress.ip_network((int(known) >> 64 << 64, 64)))
