"""The demonstration's own broker: amqtt on a free port of the loopback, in a process of its own.

It serves the demonstration and nothing else: MQTT 3.1.1 only, no passwords, nothing kept for a client that is away, and a
message that its subscriber does not acknowledge within five seconds is given up. A garden that is really watched needs a
real broker. The process ends with the one that started it, however that ends: it watches its standard input.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import subprocess
import sys
from tempfile import TemporaryFile
from types import TracebackType
from typing import Any

HOST = "127.0.0.1"
STARTS_WITHIN_S = 30.0
STOPS_WITHIN_S = 5.0
TRIES = 5
READY = b"ready\n"


class BrokerDidNotStart(RuntimeError):
    """Why there is no broker; with what it said on standard error."""


class EmbeddedBroker:
    """A broker for as long as the `with` block runs; `host` and `port` say where."""

    def __init__(self) -> None:
        self.host, self.port = HOST, 0
        self._process: subprocess.Popen[bytes] | None = None
        self._said = TemporaryFile()  # noqa: SIM115 - closed when the broker has ended
        self._last_words = ""

    def __enter__(self) -> EmbeddedBroker:
        for _ in range(TRIES):  # a free port may be taken by somebody else before it is ours
            self.port = _free_port()
            self._process = subprocess.Popen(  # noqa: S603 - our own module, no shell
                [sys.executable, "-m", "simulators.broker", str(self.port)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._said,  # a file: a pipe that nobody reads would fill up and stop it
            )
            assert self._process.stdout is not None  # it is a pipe
            if self._process.stdout.readline() == READY:  # or nothing, when it has ended instead
                return self
            self._end_process()
        self._end()
        raise BrokerDidNotStart(f"the demonstration's broker did not start: {self.said() or 'it said nothing'}")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    def _end(self) -> None:
        self._end_process()
        self.said()
        self._said.close()

    def _end_process(self) -> None:
        if self._process is not None:
            try:
                self._process.communicate(b"", timeout=STOPS_WITHIN_S)  # closes its standard input
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.communicate()
        self._process = None

    def said(self) -> str:
        """What it wrote on standard error; nothing, as long as all goes well."""
        if not self._said.closed:  # read in place: the process shares the position
            self._last_words = os.pread(self._said.fileno(), 10_000, 0).decode("utf-8", "replace").strip()
        return self._last_words

    @property
    def running(self) -> bool:
        """Whether its process is alive."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int | None:
        """Its process, while it runs."""
        return self._process.pid if self._process else None


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


# --- in its own process -----------------------------------------------------------------------------------------------


def _report(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """Connections that ended while they were written to are no news; everything else is."""
    if not isinstance(context.get("exception"), OSError | TimeoutError):
        loop.default_exception_handler(context)


async def _serve(port: int) -> None:
    from amqtt.broker import Broker

    configuration: dict[str, Any] = {
        "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(_report)
    broker = Broker(configuration)
    await asyncio.wait_for(broker.start(), STARTS_WITHIN_S)
    sys.stdout.buffer.write(READY)
    sys.stdout.flush()
    parent_gone = asyncio.Event()
    loop.add_reader(sys.stdin.fileno(), lambda: None if os.read(sys.stdin.fileno(), 64) else parent_gone.set())
    await parent_gone.wait()


def _main() -> None:
    logging.basicConfig(stream=sys.stderr, level=logging.CRITICAL, format="%(message)s")
    logging.getLogger("amqtt").setLevel(logging.CRITICAL)  # it reports every disconnect as an error, with a traceback
    logging.getLogger("transitions").setLevel(logging.CRITICAL)
    try:
        asyncio.run(_serve(int(sys.argv[1])))
    except ImportError as error:
        sys.stderr.write(f"{error}; install it with: pip install 'sensord[demo]'\n")
        sys.exit(2)
    except Exception as error:  # noqa: BLE001 - told to whoever started it, who raises it
        sys.stderr.write(f"{error}\n")
        sys.exit(1)
    os._exit(0)  # connections that are still open need no farewell


if __name__ == "__main__":
    _main()
