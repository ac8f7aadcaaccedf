"""Writing to real servers: what is accepted, which point is refused, and what each trouble is called.

InfluxDB 1.6 stands behind a proxy that maps the writing interface of InfluxDB 2 to its own; VictoriaMetrics takes that
interface itself. What InfluxDB 2 adds (organisations, buckets, tokens with rights) can't be had here: the proxy refuses a
wrong token and answers statuses as that server does, no more.
"""

from __future__ import annotations

import math
import random
import ssl
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from sensord.adapters.influx_lines import Lines, PointLine
from sensord.adapters.influx_reads import InfluxStore
from sensord.adapters.influx_writer import InfluxWriter, Later
from sensord.config import InfluxSettings
from sensord.model import Quantity
from sensord.ports import Transient
from sensord.ports.tail import Mark, Parked
from tests.adapters.broker import make_certificates
from tests.adapters.influx_servers import Front, Influxd, Victoria
from tests.store_promises import NEVER, START

START_MS = 1_787_198_400_000


def line(number: int, value: str = "", series: int = 0) -> PointLine:
    """A point of its own."""
    text = f"reading,probe=p{series},quantity=temperature,site=s value={value or number / 4},doubts=0.0,delay_s=0.0"
    return PointLine(f"{text} {START_MS + number}", Mark(0, series, START_MS + number))


def deliver(writer: InfluxWriter, lines: Sequence[PointLine]) -> list[Parked]:
    """Of any points, whatever they stand for."""
    return writer.deliver(Lines([], [], list(lines)))


@contextmanager
def writing(url: str, bucket: str, **options: Any) -> Iterator[InfluxWriter]:
    """A writer to a bucket."""
    with closing(InfluxWriter(InfluxSettings(url=url, bucket=bucket, timeout_s=1, **options))) as writer:
        yield writer


def stored(influxd: Influxd, database: str) -> list[float]:
    """The values in the database, by time."""
    return [row[1] for row in influxd.rows("SELECT value FROM reading ORDER BY time", database)]


@pytest.mark.parametrize("compress", [False, True])
def test_points_are_written_once(front: Front, influxd: Influxd, database: str, compress: bool) -> None:
    """Written twice, and corrected: there once, as they were sent last."""
    lines = [line(i) for i in range(500)]
    with writing(front.url, database, compress=compress) as writer:
        assert deliver(writer, lines) == []
        assert deliver(writer, lines) == []
        assert deliver(writer, [line(7, "99.5")]) == []
    assert stored(influxd, database) == [99.5 if i == 7 else i / 4 for i in range(500)]


@pytest.mark.parametrize("wrong", [[0], [4999], [17, 18, 2500], "half", "a probe"])
def test_what_is_refused_is_found(front: Front, influxd: Influxd, database: str, wrong: Any) -> None:
    """Points of a wrong type are handed back one by one with the server's words, and all others are stored."""
    count = 5000
    bad = {"half": set(range(0, count, 2)), "a probe": set(range(3, count, 20))}.get(str(wrong)) or set(wrong)
    lines = [line(i, '"warm"' if i in bad else "", series=i % 20) for i in range(count)]
    with writing(front.url, database) as writer:
        deliver(writer, [line(-1 - i, series=i) for i in range(20)])
        refused = deliver(writer, lines)
    assert {p.mark.at - START_MS for p in refused} == bad
    assert all("conflict" in p.words and p.line.startswith("reading,") for p in refused)
    assert len(stored(influxd, database)) == 20 + count - len(bad)
    requests = front.seen[""]
    assert requests < 30 * min(len(bad), 200) + 20, "halving, not trying each"


def test_a_bad_line_is_found_by_its_syntax_too(front: Front, influxd: Influxd, database: str) -> None:
    """A line that is no line at all."""
    lines = [line(i) for i in range(1000)]
    lines[321] = PointLine(f"reading,probe= value=1 {START_MS}", Mark(0, 1, 321))
    with writing(front.url, database) as writer:
        (refused,) = deliver(writer, lines)
    assert refused.mark == Mark(0, 1, 321)
    assert "400" in refused.words
    assert len(stored(influxd, database)) == 999


def test_what_no_server_can_keep_is_not_sent(front: Front, influxd: Influxd, database: str) -> None:
    """A time beyond 64 bits of nanoseconds is refused here; the others go."""
    far = PointLine("reading,probe=p,quantity=temperature,site=s value=1.0 9999999999999999", Mark(0, 1, 2))
    with writing(front.url, database) as writer:
        (refused,) = deliver(writer, [far, line(1)])
    assert (refused.mark, "2262" in refused.words) == (Mark(0, 1, 2), True)
    assert stored(influxd, database) == [0.25]


def test_what_the_bucket_is_too_young_for(front: Front, influxd: Influxd, database: str) -> None:
    """Points older than the bucket keeps them are handed back in few requests, and don't block what follows."""
    influxd.query(f'ALTER RETENTION POLICY "autogen" ON "{database}" DURATION 1h SHARD DURATION 1h')
    old = [line(i - 10**10) for i in range(3000)]
    with writing(front.url, database) as writer:
        refused = deliver(writer, old)
    assert len(refused) == 3000
    assert all("retention" in p.words for p in refused)
    assert front.seen[""] == 1


def test_a_server_that_refuses_everything_is_in_trouble(front: Front, influxd: Influxd, database: str) -> None:
    """Where not one point is accepted it is not the points: nothing is given up."""
    with writing(front.url, database) as writer:
        front.fault = "400"
        with pytest.raises(Transient, match="everything is refused: 400 as told"):
            deliver(writer, [line(i) for i in range(5000)])
        assert front.seen["400"] <= 128
        with pytest.raises(Transient, match="everything is refused"):
            deliver(writer, [line(1)])
        front.fault = ""
        assert deliver(writer, [line(1)]) == []


def test_smaller_batches_where_large_ones_are_refused(front: Front, influxd: Influxd, database: str) -> None:
    """After 413 the writer sends less at once, and remembers."""
    front.largest = 20_000
    with writing(front.url, database) as writer:
        assert deliver(writer, [line(i) for i in range(3000)]) == []
        assert writer.at_once < 250
        before = front.seen.total()
        deliver(writer, [line(i) for i in range(3000, 3000 + writer.at_once)])
        assert front.seen.total() == before + 1
        front.largest = 10
        with pytest.raises(Transient, match="not even a single point"):
            deliver(writer, [line(1)])
    assert len(stored(influxd, database)) == 3000 + writer.at_once


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("401", "token is not accepted"),
        ("403", "may not write to this bucket"),
        ("404", "no such bucket"),
        ("500", "500 as told"),
        ("302", "302 as told"),
        ("200", "answers 200"),
        ("hang", "[Tt]imeout"),
        ("cut", "Protocol|Remote|Connection"),
        ("half", "IncompleteRead|answers 200"),
        ("deaf", "Protocol|Remote|Connection"),
    ],
)
def test_troubles_are_called_by_name(front: Front, database: str, fault: str, words: str) -> None:
    """Each is Transient with words that say what is wrong; afterwards the same writer goes on."""
    with writing(front.url, database, token=SecretStr("s3cret")) as writer:
        front.fault = fault
        with pytest.raises(Transient, match=words) as raised:
            deliver(writer, [line(1)])
        assert "s3cret" not in str(raised.value)
        front.fault = ""
        assert deliver(writer, [line(1)]) == []


@pytest.mark.parametrize("fault", ["429", "503"])
def test_a_server_may_ask_for_time(front: Front, database: str, fault: str) -> None:
    """Retry-After is heard."""
    with writing(front.url, database) as writer:
        front.fault = fault
        with pytest.raises(Later) as raised:
            deliver(writer, [line(1)])
        assert raised.value.after_s == 0


def test_nobody_there() -> None:
    """A dead port and a name that no one knows are troubles, at once."""
    for url in ("http://127.0.0.1:9", "http://nowhere.invalid:8086"):
        with writing(url, "b") as writer, pytest.raises(Transient, match=r"Connection|Resol"):
            deliver(writer, [line(1)])


def test_the_token(influxd: Influxd, database: str) -> None:
    """It goes in the header that InfluxDB 2 reads, for writing and for reading."""
    with Front(influxd.port, token="right") as front:
        with writing(front.url, database, token=SecretStr("wrong")) as writer, pytest.raises(Transient, match="token"):
            deliver(writer, [line(1)])
        with writing(front.url, database, token=SecretStr("right")) as writer:
            assert deliver(writer, [line(1)]) == []
        for token in ("wrong", "right"):
            store = InfluxStore(InfluxSettings(url=front.url, bucket=database, token=SecretStr(token)))
            if token == "wrong":
                with pytest.raises(Transient, match="401 unauthorized access"):
                    store.of("s").readings.series("p0", Quantity.TEMPERATURE, START, NEVER)
            else:
                assert store.of("s").readings.series("p0", Quantity.TEMPERATURE, START, NEVER).values == [0.25]
            store.close()


def test_tls(influxd: Influxd, database: str, tmp_path: Path) -> None:
    """A certificate of the authority that is named is accepted, and no other."""
    authority = make_certificates(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(tmp_path / "broker.pem", tmp_path / "broker.key")
    with Front(influxd.port, tls=context) as front:
        with writing(front.url, database, ca_file=str(authority)) as writer:
            assert deliver(writer, [line(1)]) == []
        store = InfluxStore(InfluxSettings(url=front.url, bucket=database, ca_file=str(authority)))
        assert store.of("s").readings.series("p0", Quantity.TEMPERATURE, START, NEVER).values == [0.25]
        store.close()
        with writing(front.url, database) as writer, pytest.raises(Transient, match=r"(?i)certificate"):
            deliver(writer, [line(2)])
        stranger = InfluxStore(InfluxSettings(url=front.url, bucket=database))
        with pytest.raises(Transient, match=r"(?i)certificate"):
            stranger.sites()
        stranger.close()
    assert stored(influxd, database) == [0.25]


def test_the_interface_of_influxdb_2_as_another_server_has_it(victoria: Victoria) -> None:
    """VictoriaMetrics takes what influxdb-client sends to /api/v2/write, without anything between."""
    chance = random.Random(5)
    values = [round(chance.uniform(-10, 45), 2) for _ in range(2000)]
    with writing(f"http://127.0.0.1:{victoria.port}", "any") as writer:
        assert deliver(writer, [line(1000 * i, repr(v)) for i, v in enumerate(values)]) == []
    (found,) = victoria.export('{__name__="reading_value",probe="p0"}')
    assert found["metric"] == {
        "__name__": "reading_value",
        "probe": "p0",
        "quantity": "temperature",
        "site": "s",
    }
    assert found["timestamps"] == [START_MS + 1000 * i for i in range(2000)]
    assert all(math.isclose(a, b, abs_tol=1e-9) for a, b in zip(found["values"], values, strict=True))


def test_no_thread_is_left(front: Front, database: str) -> None:
    """The synchronous interface starts none: nothing that could hold points back, or the end of the program."""
    before = set(threading.enumerate())
    with writing(front.url, database) as writer:
        deliver(writer, [line(1)])
        ours = {t for t in set(threading.enumerate()) - before if "process_request_thread" not in t.name}
    assert ours == set()
