"""Telling the service manager how we are, by its datagram protocol (sd_notify(3)); without one, silence."""

import os
import socket
from collections.abc import Mapping

from logger.event import NS_PER_S
from logger.recorder.health import RecorderHealth

SAMPLES_WITHIN_NS = 2 * NS_PER_S


class Notifier:
    """Sends READY, WATCHDOG, STOPPING and a line of status to the socket named in the environment, if any.

    A service manager that has gone away must not stop recording: what cannot be sent is counted in `lost`.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        self.lost = 0
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._socket: socket.socket | None = None
        if self._address:
            # A leading @ stands for the NUL byte of Linux's abstract socket names.
            self._address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK)

    def ready(self, status: str) -> None:
        """The first second has been stored."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self, status: str) -> None:
        """Samples arrive and commits happen."""
        self._send(f"WATCHDOG=1\nSTATUS={status}")

    def status(self, status: str) -> None:
        """A line for `systemctl status`, without feeding the watchdog."""
        self._send(f"STATUS={status}")

    def stopping(self) -> None:
        """Draining and closing."""
        self._send("STOPPING=1\nSTATUS=closing the recording")

    def _send(self, text: str) -> None:
        if self._socket is None:
            return
        try:
            self._socket.sendto(text.encode(), self._address)
        except OSError:
            self.lost += 1

    def close(self) -> None:
        """Close the socket. May be called twice."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None


class Watchdog:
    """Feeds the service manager's watchdog only while samples really arrive and commits really happen.

    A card that stalls is ridden out in memory: commits may pause for as long as the buffer lasts.
    """

    def __init__(self, notifier: Notifier, buffer_s: float) -> None:
        self._notifier = notifier
        self._buffer_ns = round(buffer_s * NS_PER_S)
        self._is_ready = False
        self._gained = 0
        self._gained_ns = 0
        self._committed = 0
        self._committed_ns = 0

    def feed(self, health: RecorderHealth, why_stopped: str, now_ns: int) -> None:
        """Call once a second."""
        gained = health.samples + health.pulses
        if gained > self._gained:
            self._gained, self._gained_ns = gained, now_ns
        committed = health.commit.committed
        if committed != self._committed:  # less in a new recording
            self._committed, self._committed_ns = committed, now_ns
        is_sampling = now_ns - self._gained_ns < SAMPLES_WITHIN_NS
        is_committing = committed > 0 and now_ns - self._committed_ns < self._buffer_ns
        if why_stopped or not is_sampling or not is_committing:
            self._notifier.status(why_stopped or health.commit.problem or "waiting for samples to arrive and be stored")
            return
        if not self._is_ready:
            self._is_ready = True
            self._notifier.ready("recording")
        self._notifier.alive(f"recording, {committed} s stored")
