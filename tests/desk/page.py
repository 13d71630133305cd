"""A desk that really listens, and a browser that says exactly what it is told to."""

from __future__ import annotations

import json
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import uvicorn

from athwart.desk.app import desk_app
from athwart.desk.guard import COOKIE
from athwart.desk.serve import listen
from athwart.desk.state import Desk

TOKEN = "t" * 43


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Page:
    """Requests to a running desk; `cookie` as a browser would hold it."""

    port: int
    desk: Desk
    cookie: str = f"{COOKIE}={TOKEN}"

    @property
    def home(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def ask(
        self, method: str, path: str, body: Any = None, headers: dict[str, str] | None = None
    ) -> Answer:
        given = {"Host": f"127.0.0.1:{self.port}", **(headers or {})}
        if self.cookie:
            given.setdefault("Cookie", self.cookie)
        connection = HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            chunks = body if hasattr(body, "__next__") else None
            if chunks is None and body is not None and not isinstance(body, bytes):
                body = json.dumps(body).encode()
                given.setdefault("Content-Type", "application/json")
            if chunks is not None:
                given["Transfer-Encoding"] = "chunked"
            elif body is not None:
                given.setdefault("Content-Length", str(len(body)))
            for name, value in given.items():
                connection.putheader(name, value)
            connection.endheaders()
            try:
                if chunks is not None:
                    for chunk in chunks:
                        connection.send(b"%x\r\n%s\r\n" % (len(chunk), chunk))
                    connection.send(b"0\r\n\r\n")
                elif body is not None:
                    connection.send(body)
            except (BrokenPipeError, ConnectionResetError):
                pass  # the server has heard enough
            answer = connection.getresponse()
            names = {k.lower(): v for k, v in answer.getheaders()}
            return Answer(answer.status, names, answer.read())
        finally:
            connection.close()

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, headers={k.replace("_", "-"): v for k, v in headers.items()})

    def post(self, path: str, body: Any = None, **headers: str) -> Answer:
        given = {"Origin": self.home, **{k.replace("_", "-"): v for k, v in headers.items()}}
        return self.ask("POST", path, {} if body is None else body, given)

    def wait(self, job: dict[str, Any], seconds: float = 60.0) -> Any:
        """Return the result of a job."""
        end = time.monotonic() + seconds
        while not job["done"]:
            assert time.monotonic() < end, job
            time.sleep(0.02)
            job = self.get(f"/api/jobs/{job['job']}").json()
        assert not job["fault"], job["fault"]
        return job["result"]


@contextmanager
def running(book: Path | None, folder: Path | None = None, token: str = TOKEN):
    """Serve a desk while the block runs."""
    desk = Desk(book, folder)
    with listen() as server:
        port = server.getsockname()[1]
        config = uvicorn.Config(
            desk_app(desk, token=token, port=port),
            log_level="warning",
            access_log=False,
            lifespan="off",
            timeout_graceful_shutdown=1,
        )
        runner = uvicorn.Server(config)
        thread = threading.Thread(target=runner.run, kwargs={"sockets": [server]}, daemon=True)
        thread.start()
        while not runner.started:
            time.sleep(0.01)
        try:
            yield Page(port, desk)
        finally:
            runner.should_exit = True
            thread.join(10)
