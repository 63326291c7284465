"""The web server around the application."""

import socket

import uvicorn
from fastapi import FastAPI

MAX_HEAD_BYTES = 16 << 10


class Server(uvicorn.Server):
    """uvicorn's server, to be run on listening sockets.

    At its end it waits for open answers; live values never end by themselves, so they are told first.
    """

    def __init__(self, app: FastAPI) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                http="h11",  # bounds the head of a request; the faster one bounds nothing
                h11_max_incomplete_event_size=MAX_HEAD_BYTES,
                ws="none",
                proxy_headers=False,  # else whoever is on this machine could name any address as their own
                server_header=False,
                log_level="warning",
                timeout_graceful_shutdown=3,
            )
        )
        self._stopping = app.state.stopping

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to listen, with what connections inherit.

        Answers go out at once: head and body are two packets, and waiting for the receipt of the first costs 40 ms
        (asyncio sees to that only on sockets that it has made itself). A phone that has left the paddock is asked
        after, or its connections would stay for good.
        """
        for listening in sockets or ():
            listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 60)
            listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 10)
            listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPCNT, 3)
        await super().startup(sockets)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Let streams end, then wait for what is still being answered."""
        self._stopping.set()
        await super().shutdown(sockets)
