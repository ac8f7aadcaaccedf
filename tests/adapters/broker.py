"""A real mosquitto for tests: on a free loopback port, with our limits; plain, with passwords, with TLS by a throw-away CA."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

PATIENCE_S = 10.0


def free_port() -> int:
    """A loopback port that nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def program(name: str) -> str:
    """A program's path; without it the test must fail, not be skipped."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
    assert found, f"{name} is not installed; tests/run installs it"
    return found


class Mosquitto:
    """A broker in `directory`. It may be stopped, killed and started again on the same port, with what it had saved."""

    def __init__(
        self,
        directory: Path,
        password: tuple[str, str] | None = None,
        tls: bool = False,
        acl: str = "",
        extra: str = "",
    ) -> None:
        self.directory, self.port, self.tls = directory, free_port(), tls
        self._process: subprocess.Popen[bytes] | None = None
        directory.mkdir(parents=True, exist_ok=True)
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {'false' if password else 'true'}",
            "persistence true",
            f"persistence_location {directory}/",
            "autosave_interval 1",
            "max_queued_messages 0",
            "max_queued_bytes 0",
            "max_inflight_messages 1000",
            "set_tcp_nodelay true",
            "log_dest file " + str(directory / "log"),
            "user root",
            extra,
        ]
        if password:
            passwords = directory / "passwords"
            subprocess.run([program("mosquitto_passwd"), "-b", "-c", passwords, *password], check=True)
            lines.append(f"password_file {passwords}")
        if acl:
            (directory / "acl").write_text(acl)
            lines.append(f"acl_file {directory / 'acl'}")
        if tls:
            self.ca_file = make_certificates(directory)
            lines += [f"cafile {self.ca_file}", f"certfile {directory}/broker.pem", f"keyfile {directory}/broker.key"]
        self._configuration = directory / "mosquitto.conf"
        self._configuration.write_text("\n".join(lines) + "\n")

    def start(self) -> Mosquitto:
        """Run it, and wait until it listens."""
        self._process = subprocess.Popen([program("mosquitto"), "-c", self._configuration])
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            assert self._process.poll() is None, (self.directory / "log").read_text()
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.2).close()
                return self
            except OSError:
                time.sleep(0.02)
        raise AssertionError("mosquitto does not listen")

    def stop(self) -> None:
        """End it in an orderly way: it saves what it keeps."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """kill -9."""
        self._end(signal.SIGKILL)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(PATIENCE_S)
            self._process = None

    def __enter__(self) -> Mosquitto:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()


def make_certificates(directory: Path) -> Path:
    """A throw-away authority, and a certificate for 127.0.0.1 and localhost that it has signed; returns the authority's."""

    def openssl(*arguments: str) -> None:
        subprocess.run([program("openssl"), *arguments], check=True, capture_output=True, cwd=directory)

    openssl("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2",
            "-subj", "/CN=throw-away authority", "-addext", "basicConstraints=critical,CA:TRUE",
            "-addext", "keyUsage=critical,keyCertSign,cRLSign",
            "-keyout", "ca.key", "-out", "ca.pem")  # fmt: skip
    openssl("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj", "/CN=localhost",
            "-keyout", "broker.key", "-out", "broker.csr")  # fmt: skip
    (directory / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    openssl("x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2",
            "-extfile", "names", "-out", "broker.pem")  # fmt: skip
    return directory / "ca.pem"
