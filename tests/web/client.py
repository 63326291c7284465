"""Requests straight into the application, without a socket."""

import asyncio
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
from fastapi import FastAPI


class Client:
    """`client.get(path)` and the like, each answered before it returns. `raises`: unforeseen errors come through."""

    def __init__(self, app: FastAPI, *, raises: bool = True) -> None:
        self.transport = httpx.ASGITransport(app, raise_app_exceptions=raises)

    def request(self, method: str, path: str, **options: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            async with httpx.AsyncClient(transport=self.transport, base_url="http://127.0.0.1") as client:
                return await client.request(method, path, **options)

        # In a thread of its own: the browser tests of the same run keep an event loop going in this one.
        with ThreadPoolExecutor(1) as thread:
            return thread.submit(lambda: asyncio.run(ask())).result()

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.request("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self.request("POST", path, **options)
