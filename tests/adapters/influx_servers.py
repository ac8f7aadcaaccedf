"""Real time-series servers for tests, on free loopback ports and in directories of their own, never as services.

`Influxd` is Debian's InfluxDB 1.6: strict about types, overwrites a point sent twice, read by InfluxQL. It has not got the
interface that InfluxDB 2 and 3 are written through, so `Front` stands before it and maps /api/v2/write to /write. `Front`
can also behave badly on demand. `Victoria` is Debian's VictoriaMetrics, which takes /api/v2/write itself.
"""

from __future__ import annotations

import http.client
import json
import signal
import socket
import ssl
import subprocess
import threading
import time
import urllib.request
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote, urlencode, urlsplit

from tests.adapters.broker import PATIENCE_S, free_port, program


class Server:
    """A program that listens; it may be killed and started again on the same port with what it had."""

    def __init__(self, directory: Path) -> None:
        self.directory, self.port = directory, free_port()
        self._process: subprocess.Popen[bytes] | None = None
        directory.mkdir(parents=True, exist_ok=True)

    def command(self) -> list[str]:
        """What to run."""
        raise NotImplementedError

    def is_ready(self) -> bool:
        """Whether it answers."""
        raise NotImplementedError

    def start(self) -> Any:
        """Run it, and wait until it answers."""
        with (self.directory / "log").open("ab") as log:
            self._process = subprocess.Popen(self.command(), stdout=log, stderr=log)
        deadline = time.monotonic() + PATIENCE_S * 3
        while time.monotonic() < deadline:
            assert self._process.poll() is None, (self.directory / "log").read_text()[-2000:]
            try:
                if self.is_ready():
                    return self
            except OSError:
                pass
            time.sleep(0.05)
        raise AssertionError((self.directory / "log").read_text()[-2000:])

    def stop(self, number: signal.Signals = signal.SIGTERM) -> None:
        """End it."""
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(PATIENCE_S * 3)
            self._process = None

    def kill(self) -> None:
        """kill -9."""
        self.stop(signal.SIGKILL)

    def get(self, path: str, **fields: str) -> bytes:
        """What it answers."""
        address = f"http://127.0.0.1:{self.port}{path}?{urlencode(fields)}"
        with urllib.request.urlopen(address, timeout=PATIENCE_S) as answer:
            return answer.read()

    def rss_mb(self) -> float:
        """Its resident memory [MB]."""
        import psutil

        assert self._process is not None
        return psutil.Process(self._process.pid).memory_info().rss / 1e6

    def __enter__(self) -> Any:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.kill()


class Influxd(Server):
    """InfluxDB 1.6."""

    def command(self) -> list[str]:
        configuration = self.directory / "influxd.conf"
        configuration.write_text(
            f"""reporting-disabled = true
bind-address = "127.0.0.1:{free_port()}"
[meta]
  dir = "{self.directory}/meta"
[data]
  dir = "{self.directory}/data"
  wal-dir = "{self.directory}/wal"
  query-log-enabled = false
  cache-snapshot-write-cold-duration = "2s"
  compact-full-write-cold-duration = "4s"
[http]
  bind-address = "127.0.0.1:{self.port}"
  log-enabled = false
[monitor]
  store-enabled = false
"""
        )
        return [program("influxd"), "-config", str(configuration)]

    def is_ready(self) -> bool:
        self.get("/ping")
        return True

    def query(self, text: str, database: str = "") -> list[dict[str, Any]]:
        """Results of an InfluxQL statement; POST, as statements that change something want it."""
        address = f"http://127.0.0.1:{self.port}/query?epoch=ms&db={quote(database)}"
        data = urlencode({"q": text}).encode()
        with urllib.request.urlopen(address, data=data, timeout=60) as answer:
            results: list[dict[str, Any]] = json.load(answer)["results"]
        assert all("error" not in r for r in results), results
        return results

    def make(self, database: str) -> str:
        """A new, empty database."""
        self.query(f'CREATE DATABASE "{database}"')
        return database

    def rows(self, text: str, database: str) -> list[list[Any]]:
        """All rows of a query."""
        return [row for r in self.query(text, database) for s in r.get("series", ()) for row in s["values"]]


class Victoria(Server):
    """VictoriaMetrics."""

    def command(self) -> list[str]:
        return [
            program("victoria-metrics"),
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-storageDataPath={self.directory}/data",
            "-retentionPeriod=100y",
            "-search.latencyOffset=0s",
        ]

    def is_ready(self) -> bool:
        return self.get("/health") == b"OK"

    def export(self, match: str) -> list[dict[str, Any]]:
        """Every stored sample of the series that match: each with `metric`, `timestamps` [ms] and `values`."""
        self.get("/internal/force_flush")
        lines = self.get("/api/v1/export", **{"match[]": match}).splitlines()
        return [json.loads(line) for line in lines]


FAULTS = ("401", "413", "429", "500", "503", "400", "hang", "slow", "cut", "half", "deaf")


class Front:
    """Stands before a server: maps the writing interface of InfluxDB 2 to that of 1 where `maps`, else passes on.

    `fault` makes it misbehave: a number is answered as a status without passing anything on; "hang" takes the request and
    never answers; "slow" passes on late; "cut" passes on and closes the connection without an answer; "half" passes on and
    answers with half a body; "deaf" closes at once. `largest` refuses longer bodies with 413, `token` other tokens with 401.
    """

    def __init__(
        self,
        port: int,
        maps: bool = True,
        largest: int = 2**40,
        token: str = "",
        tls: ssl.SSLContext | None = None,
    ) -> None:
        front = self
        self.fault, self.largest, self.token = "", largest, token
        self.seen: Counter[str] = Counter()
        self.tokens: set[str] = set()
        self.holds = False  # a request at this moment, without answering
        self._released = threading.Event()

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"
            timeout = 30

            def log_message(self, *_: object) -> None:
                pass

            def _pass(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                fault = front.fault if "write" in self.path else ""
                front.seen[fault] += 1
                front.tokens.add(self.headers.get("Authorization", ""))
                if front.token and self.headers.get("Authorization") != f"Token {front.token}":
                    return self._say(401, b'{"code":"unauthorized","message":"unauthorized access"}')
                if len(body) > front.largest:
                    return self._say(413, b'{"code":"request too large","message":"too large"}')
                if fault.isdigit():
                    extra = {
                        "429": {"Retry-After": "0"},
                        "503": {"Retry-After": "0"},
                        "302": {"Location": "/sign-in"},
                    }.get(fault)
                    return self._say(int(fault), b'{"error":"as told"}', extra)
                if fault in ("hang", "deaf"):
                    if fault == "hang":
                        front.holds = True
                        front._released.wait(20)
                        front.holds = False
                    return self._hang_up()
                if fault == "slow":
                    time.sleep(0.15)
                try:
                    status, answer = self._forward(body)
                except (OSError, http.client.HTTPException):
                    return self._say(502, b"nobody there")
                if fault == "cut":
                    return self._hang_up()
                if fault == "half":
                    self.send_response(status if status != 204 else 200)
                    self.send_header("Content-Length", "1000")
                    self.end_headers()
                    self.wfile.write(b'{"half": ')
                    return self._hang_up()
                return self._say(status, answer)

            do_GET = do_POST = _pass

            def _forward(self, body: bytes) -> tuple[int, bytes]:
                path = self.path
                parts = urlsplit(path)
                if maps and parts.path == "/api/v2/write":
                    asked = parse_qs(parts.query)
                    precision = {"ns": "n", "us": "u"}.get(asked["precision"][0], asked["precision"][0])
                    path = "/write?" + urlencode({"db": asked["bucket"][0], "precision": precision})
                connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
                headers = {k: v for k, v in self.headers.items() if k in ("Content-Encoding", "Content-Type")}
                connection.request(self.command, path, body or None, headers)
                answer = connection.getresponse()
                said = answer.status, answer.read()
                connection.close()
                return said

            def _say(self, status: int, body: bytes, extra: dict[str, str] | None = None) -> None:
                self.send_response(status)
                for name, value in (extra or {}).items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                if status != 204:
                    self.wfile.write(body)

            def _hang_up(self) -> None:
                self.close_connection = True
                self.connection.shutdown(socket.SHUT_RDWR)

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True, do_handshake_on_connect=False)
            self.url = self.url.replace("http:", "https:")

    def __enter__(self) -> Front:
        threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._released.set()
        self._server.shutdown()
        self._server.server_close()
