"""Requests straight into the application, without a socket."""

import asyncio
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

        return asyncio.run(ask())

    def get(self, path: str, **options: Any) -> httpx.Response:
        return self.request("GET", path, **options)

    def post(self, path: str, **options: Any) -> httpx.Response:
        return self.request("POST", path, **options)
