"""What the configuration means: one TOML file, with environment variables and secrets files over it.

Precedence, highest first: environment (`SENSORD_BROKER__PORT=8883`), secrets files (one file a value, named
`broker__password`, in the directory that $CREDENTIALS_DIRECTORY or `--secrets` names), the TOML file, the defaults here.
All mistakes are reported at once, each with where it stands, what is wrong and what is allowed: what can be read of a
document with mistakes is checked all the same.
"""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import date, datetime, time
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    SecretStr,
    TypeAdapter,
    ValidationError,
    model_validator,
)
from pydantic.fields import FieldInfo
from pydantic_settings import (
    BaseSettings,
    EnvSettingsSource,
    InitSettingsSource,
    NestedSecretsSettingsSource,
    PydanticBaseSettingsSource,
    SettingsConfigDict,
    SettingsError,
)

from sensord.model import AMBIENT, Cohort, Enclosure, Form, Kind, Probe, Quantity, Recipe, Site, Stage

PREFIX = "SENSORD_"
Parameters = Mapping[str, type[BaseModel]]
"""The parameters that each rule takes: rule name → model with bounds and defaults."""
Further = Callable[["Settings"], Iterable[str]]
"""More that may be wrong: lines that begin with the key. Of a document with mistakes it is handed what could be read:
a value is then None where it could not be, or was not given and has no default."""


class Mistakes(Exception):
    """Everything that is wrong with a configuration, one line each."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


def _clock_time(text: str) -> str:
    if text:
        try:
            if time.fromisoformat(text).strftime("%H:%M") != text:
                raise ValueError(text)
        except ValueError:
            raise ValueError('a local time like "07:15", or "" for none') from None
    return text


def _zone(name: str) -> str:
    if name not in available_timezones():
        raise ValueError('a time zone of the IANA database, like "America/Detroit"')
    return name


def _pointer(text: str) -> str:
    if text and not text.startswith("/"):
        raise ValueError('a JSON Pointer (RFC 6901): "" or "/temperature" or "/sensors/0/value"')
    return text


def _topic_filter(text: str) -> str:
    levels = text.split("/")
    if not text or any(
        ("#" in x and (x != "#" or i < len(levels) - 1)) or ("+" in x and x != "+") for i, x in enumerate(levels)
    ):
        raise ValueError("an MQTT topic filter: + stands for one whole level, # for all the rest at the end")
    return text


def _topic(text: str) -> str:
    if not text or "+" in text or "#" in text:
        raise ValueError("an MQTT topic, without + and #")
    return text


def _host(text: str) -> str:
    try:
        ip_address(text)
    except ValueError:
        if text != "localhost":
            raise ValueError(
                'an address to listen on: "127.0.0.1" (this computer only), "0.0.0.0" (all networks)'
            ) from None
    return text


def _base_url(text: str) -> str:
    if text and not re.fullmatch(r"https?://[A-Za-z0-9.:\[\]-]+", text):
        raise ValueError('how a phone reaches the page, like "http://192.0.2.7:8417" or "https://garden.example"')
    return text


def _longer_than(least: int, what: str) -> AfterValidator:
    def check(secret: SecretStr) -> SecretStr:
        if 0 < len(secret.get_secret_value()) < least:
            raise ValueError(f"{what} of at least {least} characters")
        return secret

    return AfterValidator(check)


def _password_hash(secret: SecretStr) -> SecretStr:
    text = secret.get_secret_value()
    if text and not re.fullmatch(r"\$argon2id\$v=19\$m=\d{4,6},t=\d{1,2},p=\d\$[A-Za-z0-9+/]+\$[A-Za-z0-9+/]+", text):
        raise ValueError("a hash of a password as `sensord password` makes it, beginning with $argon2id$")
    return secret


def _server_address(text: str) -> str:
    parts = urlsplit(text)
    if text and (parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.query):
        raise ValueError('an address like "https://influx.example.org:8086", or "" for none; no user or token in it')
    return text.rstrip("/")


Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,39}$")]
ClockTime = Annotated[str, AfterValidator(_clock_time)]
Pointer = Annotated[str, AfterValidator(_pointer)]
TopicFilter = Annotated[str, AfterValidator(_topic_filter)]
Topic = Annotated[str, AfterValidator(_topic)]
ServerAddress = Annotated[str, AfterValidator(_server_address)]
Amount = float | int | bool | str


class Part(BaseModel):
    """A table of the configuration: unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteSettings(Part):
    """[site]"""

    name: Name
    title: str = Field(default="", max_length=60)
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    elevation_m: float = Field(default=0, ge=-430, le=6000)
    time_zone: Annotated[str, AfterValidator(_zone)]


class KeeperSettings(Part):
    """[keeper]"""

    units: Literal["metric", "us"] = "metric"
    quiet_from: ClockTime = "22:00"
    quiet_until: ClockTime = "06:30"
    pushes_per_day: int = Field(default=8, ge=1, le=100)
    morning_line_at: ClockTime = "07:15"
    stand_in_after_minutes: float = Field(default=30, ge=5, le=24 * 60)
    brick_kg: float = Field(default=2.0, gt=0.2, le=25)
    texts: str = ""


class PushSettings(Part):
    """[push]"""

    phone: tuple[SecretStr, ...] = ()
    stand_in: tuple[SecretStr, ...] = ()
    timeout_s: float = Field(default=10, ge=1, le=60)


class BrokerSettings(Part):
    """[broker]"""

    host: str = "localhost"
    port: int = Field(default=1883, ge=1, le=65535)
    client_id: str = Field(default="", max_length=64)
    user: str = ""
    password: SecretStr = SecretStr("")
    protocol: Literal["3.1.1", "5"] = "3.1.1"
    tls: bool = False
    ca_file: str = ""
    certificate_file: str = ""
    key_file: str = ""
    keepalive_s: int = Field(default=60, ge=5, le=3600)
    session_expiry_h: float = Field(default=168, gt=0, le=24 * 365)
    entry_topic: Topic = "sensord/entry"


class PageSettings(Part):
    """[page]"""

    enabled: bool = False
    host: Annotated[str, AfterValidator(_host)] = "127.0.0.1"
    port: int = Field(default=8417, ge=1, le=65535)
    base_url: Annotated[str, AfterValidator(_base_url)] = ""
    password_hash: Annotated[SecretStr, AfterValidator(_password_hash)] = SecretStr("")
    token: Annotated[SecretStr, _longer_than(20, "a random text")] = SecretStr("")
    secret: Annotated[SecretStr, _longer_than(32, "a random text")] = SecretStr("")
    session_days: float = Field(default=30, ge=0.01, le=400)
    link_hours: float = Field(default=24, ge=1, le=24 * 14)

    @property
    def is_local(self) -> bool:
        """Whether only this computer can reach it."""
        return self.host == "localhost" or ip_address(self.host).is_loopback

    @property
    def is_guarded(self) -> bool:
        """Whether a password or a token is asked for."""
        return bool(self.password_hash.get_secret_value() or self.token.get_secret_value())


class StoreSettings(Part):
    """[store]"""

    path: str = Field(default="sensord.sqlite3", min_length=1)
    refusals_kept: int = Field(default=1000, ge=10, le=100_000)


class InfluxSettings(Part):
    """[influx]: where everything is shipped to as well; nothing is while `url` is empty."""

    url: ServerAddress = ""
    organisation: str = Field(default="", max_length=200)
    bucket: str = Field(default="sensord", min_length=1, max_length=200)
    token: SecretStr = SecretStr("")
    database: str = Field(default="", max_length=200)
    ca_file: str = ""
    timeout_s: float = Field(default=10, ge=1, le=300)
    every_s: float = Field(default=30, ge=1, le=3600)
    points_at_once: int = Field(default=5000, ge=100, le=50_000)
    compress: bool = False
    raw_days_kept: int = Field(default=400, ge=30, le=36_500)

    @property
    def destination(self) -> str:
        """What tells one destination from another, without its token; empty while nothing is shipped."""
        return " ".join((self.url, self.organisation, self.bucket)) if self.url else ""


class ReviewSettings(Part):
    """[review]: when the week's picture is pushed; never while `at` is empty. The season counts from `season_start`."""

    day: Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"] = "sunday"
    at: ClockTime = ""
    season_start: date | None = None  # None: since the first cohort


class EnclosureSettings(Part):
    """[[enclosure]]"""

    name: Name
    title: str = Field(default="", max_length=40)
    kind: Kind = Kind.OPEN_MESH
    width_m: float = Field(gt=0.05, le=10)
    depth_m: float = Field(gt=0.05, le=10)
    height_m: float = Field(gt=0.05, le=5)
    own_mass_kg: float = Field(gt=0, le=500)
    ballast_kg: float = Field(default=0, ge=0, le=1000)
    pegged: bool = False
    open_fraction: float = Field(default=0.5, ge=0, le=0.95)
    friction: float = Field(default=0.3, gt=0, le=1.5)
    shaded: bool = False
    covered: bool = False
    rules: dict[str, dict[str, Amount]] = Field(default_factory=dict)


class TimeSettings(Part):
    """Where a JSON payload carries its time."""

    pointer: Pointer
    form: Literal["rfc3339", "unix", "unix-ms"] = "rfc3339"


class ReadSettings(Part):
    """[[probe.reads]]: one quantity of the probe."""

    quantity: Quantity
    unit: str = ""
    pointer: Pointer = ""
    name: str = ""
    topic: TopicFilter | None = None
    form: Form | None = None


class ProbeSettings(Part):
    """[[probe]]"""

    name: Name
    place: Name
    sensor: str = "generic"
    every_s: float = Field(default=60, ge=1, le=3600)
    topic: TopicFilter | None = None
    form: Form = Form.JSON
    time: TimeSettings | None = None
    reads: tuple[ReadSettings, ...] = Field(min_length=1)


class CohortSettings(Part):
    """[[cohort]]"""

    name: Name
    species: str = "monarch"
    enclosure: Name
    stage: Stage
    stage_since: AwareDatetime
    count: int = Field(ge=0, le=100_000)


class Settings(BaseSettings):
    """The whole configuration."""

    model_config = SettingsConfigDict(extra="forbid", frozen=True, env_prefix=PREFIX, env_nested_delimiter="__")

    site: SiteSettings
    keeper: KeeperSettings = KeeperSettings()
    push: PushSettings = PushSettings()
    broker: BrokerSettings = BrokerSettings()
    page: PageSettings = PageSettings()
    store: StoreSettings = StoreSettings()
    influx: InfluxSettings = InfluxSettings()
    review: ReviewSettings = ReviewSettings()
    rules: dict[str, dict[str, Amount]] = Field(default_factory=dict)
    enclosure: tuple[EnclosureSettings, ...] = Field(min_length=1)
    probe: tuple[ProbeSettings, ...] = Field(min_length=1)
    cohort: tuple[CohortSettings, ...] = ()
    species_directory: str = ""

    # What the core works with, in the words of `model`.

    @property
    def place_on_earth(self) -> Site:
        """The site."""
        s = self.site
        return Site(s.name, s.latitude_deg, s.longitude_deg, s.elevation_m, s.time_zone, s.title or s.name)

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.site.time_zone)

    @property
    def enclosures(self) -> tuple[Enclosure, ...]:
        """The enclosures as they stand at the start."""
        return tuple(
            Enclosure(
                site=self.site.name,
                title=e.title or e.name.capitalize(),
                **{k: getattr(e, k) for k in ENCLOSURE_KEYS},
            )
            for e in self.enclosure
        )

    @property
    def probes(self) -> tuple[Probe, ...]:
        """The probes."""
        return tuple(
            Probe(self.site.name, p.name, p.place, p.sensor, frozenset(r.quantity for r in p.reads), p.every_s)
            for p in self.probe
        )

    @property
    def recipes(self) -> tuple[Recipe, ...]:
        """How each quantity of each probe is read."""
        return tuple(
            Recipe(
                site=self.site.name,
                probe=p.name,
                topic=r.topic or p.topic or "",
                form=r.form or p.form,
                quantity=r.quantity,
                unit=r.unit,
                pointer=r.pointer,
                time_pointer=p.time.pointer if p.time else None,
                time_form=p.time.form if p.time else "rfc3339",
                name=r.name,
            )
            for p in self.probe
            for r in p.reads
        )

    @property
    def cohorts(self) -> tuple[Cohort, ...]:
        """The cohorts as they were at the start."""
        return tuple(
            Cohort(self.site.name, c.name, c.species, c.enclosure, c.stage, c.stage_since, c.count) for c in self.cohort
        )


ENCLOSURE_KEYS = tuple(sorted(set(EnclosureSettings.model_fields) - {"title", "rules"}))


def load(
    path: Path,
    parameters: Parameters,
    environment: Mapping[str, str] = os.environ,
    secrets: Path | None = None,
    further: Further = lambda _: (),
) -> Settings:
    """Read the configuration, or raise Mistakes with every mistake in it; `further` finds more of them."""
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise Mistakes([f"{path}: there is no such file; config/minimal.toml is one to start from"]) from None
    except OSError as error:
        raise Mistakes([f"{path}: can't be read: {error.strerror or error}"]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise Mistakes([f"{path}: not a TOML file that can be read: {error}"]) from None
    if secrets is None and environment.get("CREDENTIALS_DIRECTORY"):
        secrets = Path(environment["CREDENTIALS_DIRECTORY"])
    if secrets is not None and not secrets.is_dir():
        raise Mistakes([f"{secrets}: the directory of secrets is not there"])
    lines = list(_unknown_variables(environment))
    merged: dict[str, Any] = {}
    try:
        found = _build(document, environment, secrets, merged)
    except ValidationError as error:
        lines += [_line(path, environment, secrets, item) for item in _worth_saying(error, environment)]
        found = _salvaged(Settings, merged)
    except SettingsError as error:  # names the table and the source, never the value
        lines.append(f'environment or secrets: {error}; a list is written as JSON, like ["one", "two"]')
        lines += [_line(path, {}, None, item) for item in _wrong_in(document) if item["type"] != "missing"]
        found = _salvaged(Settings, document)
    more = [
        f"{_source(path, environment, secrets, re.split(r'[.:[]', line)[:2])}: {line}"
        for line in dict.fromkeys((*_disagreements(found, parameters), *further(found)))
    ]
    better = {line.split(": ")[1] for line in more}  # a value of a rule that is no value at all is said by its rule
    lines = [line for line in lines if not ("rules." in line and line.split(": ")[1] in better)] + more
    if lines:
        raise Mistakes(lines)
    return found


def _wrong_in(document: dict[str, Any]) -> list[Any]:
    try:
        _build(document, {}, None)
    except ValidationError as error:
        return _worth_saying(error, {})
    return []


def _salvaged(kind: type[BaseModel], raw: Any) -> Any:
    """What can be read of a table; None in the place of what can't be, and of what is not there and has no default."""
    given = raw if isinstance(raw, dict) else {}
    values = {
        name: _salvaged_value(field.annotation, field, given[name])
        if name in given
        else None
        if field.is_required()
        else field.get_default(call_default_factory=True)
        for name, field in kind.model_fields.items()
    }
    return kind.model_construct(**values)


def _salvaged_value(kind: Any, field: FieldInfo, raw: Any) -> Any:
    tables = [k for k in (kind, *get_args(kind)) if _is_table(k)]
    if tables and get_origin(kind) is tuple:
        return tuple(_salvaged(tables[0], item) for item in raw) if isinstance(raw, list | tuple) else None
    if tables:
        return _salvaged(tables[0], raw) if isinstance(raw, dict) else None
    try:
        return TypeAdapter(Annotated[kind, *field.metadata, None]).validate_python(raw)
    except ValidationError:
        is_tables = get_origin(kind) is dict and isinstance(raw, dict)
        if is_tables:
            return {k: v for k, v in raw.items() if isinstance(v, dict)}
        return "" if field.default is None else None  # so that a wrong one is not taken for one left out


def _build(
    document: dict[str, Any],
    environment: Mapping[str, str],
    secrets: Path | None,
    merged: dict[str, Any] | None = None,
) -> Settings:
    """The settings, or ValidationError; then `merged` is what all sources together say."""

    class Sourced(Settings):
        @model_validator(mode="before")
        @classmethod
        def _note(cls, values: Any) -> Any:
            if merged is not None and isinstance(values, dict):
                merged.update(values)
            return values

        @classmethod
        def settings_customise_sources(
            cls,
            settings_cls: type[BaseSettings],
            init_settings: PydanticBaseSettingsSource,
            env_settings: PydanticBaseSettingsSource,
            dotenv_settings: PydanticBaseSettingsSource,
            file_secret_settings: PydanticBaseSettingsSource,
        ) -> tuple[PydanticBaseSettingsSource, ...]:
            variables = EnvSettingsSource(settings_cls)
            variables.env_vars = {k.lower(): v for k, v in environment.items() if k.startswith(PREFIX)}
            sources: list[PydanticBaseSettingsSource] = [variables]
            if secrets is not None:
                files = NestedSecretsSettingsSource(
                    file_secret_settings, secrets_dir=secrets, secrets_prefix="", secrets_nested_delimiter="__"
                )
                files.env_vars = {k: _listed(k, v) for k, v in files.env_vars.items() if v}  # empty: not given yet
                sources.append(files)
            return (*sources, InitSettingsSource(settings_cls, init_kwargs=document))

    return Sourced()  # type: ignore[call-arg]  # every value comes from the sources


def _listed(name: str, text: str) -> str:
    """The addresses of a push may stand one a line in their file."""
    is_plain = name in ("push__phone", "push__stand_in") and not text.startswith("[")
    return json.dumps(text.split()) if is_plain else text


def _unknown_variables(environment: Mapping[str, str]) -> Iterator[str]:
    known = set(Settings.model_fields)
    nested = {name for name, field in Settings.model_fields.items() if _is_table(field.annotation)}
    for variable in sorted(environment):
        if not variable.startswith(PREFIX):
            continue
        head, *rest = variable.removeprefix(PREFIX).lower().split("__")
        table = Settings.model_fields[head].annotation if head in known else None
        if head in nested and len(rest) == 1 and rest[0] in getattr(table, "model_fields", ()):
            continue
        if head in known and not rest:
            continue
        allowed = ", ".join(f"{PREFIX}{t.upper()}__…" for t in sorted(nested))
        yield f"environment: {variable}: no such setting; allowed are {allowed} with a key of that table"


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _worth_saying(error: ValidationError, environment: Mapping[str, str]) -> list[Any]:
    """Without what only follows from another mistake, and without unknown variables, which were named already."""
    items = [_as_one(item) for item in error.errors(include_url=False)]
    return [
        item
        for i, item in enumerate(items)
        if not (
            item["type"] == "too_short" and any(o["loc"][: len(item["loc"])] == item["loc"] != o["loc"] for o in items)
        )
        and not (item["type"] == "extra_forbidden" and PREFIX + "__".join(map(str, item["loc"])).upper() in environment)
        and not (item["type"] == "amount" and item["loc"] in [o["loc"] for o in items[:i]])
    ]


def _as_one(item: Any) -> Any:
    """A rule's value may be of four kinds; what is none of them is one mistake, not four."""
    if "rules" in item["loc"][:3] and item["loc"][-1] in ("float", "int", "bool", "str"):
        return {**item, "type": "amount", "loc": item["loc"][:-1]}
    return item


def _key(loc: Iterable[Any]) -> str:
    """A place in the document as a reader of it would write it, lists counted from 1."""
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in loc).lstrip(".")


def _source(path: Path, environment: Mapping[str, str], secrets: Path | None, names: list[str]) -> str:
    """Where the value of a key comes from."""
    for n in (2, 1):
        variable = PREFIX + "__".join(names[:n]).upper()
        if variable in environment:
            return f"environment {variable}"
        file = None if secrets is None else secrets / "__".join(names[:n])
        if file is not None and "/" not in file.name and file.is_file():
            return str(file)
    return str(path)


def _line(path: Path, environment: Mapping[str, str], secrets: Path | None, item: Any) -> str:
    """One mistake in the keeper's words; never the value itself, which may be a secret."""
    loc = item["loc"]
    where = f"{_source(path, environment, secrets, [str(part) for part in loc if isinstance(part, str)])}: {_key(loc)}"
    field = _field_at(loc)
    if item["type"] == "extra_forbidden":
        return f"{where}: no such key{_neighbours(loc)}"
    if item["type"] == "too_short":
        lists = f"[[{_key(loc)}]]" if len(loc) == 1 else f"{loc[-1]} = [{{ … }}]"
        return f"{where}: at least one must be given, as {lists}"
    if item["type"] in ("tuple_type", "list_type") and field is not None:
        table = next((a for a in get_args(field.annotation) if _is_table(a)), None)
        if table is not None and len(loc) == 1:
            return f"{where}: must be a list of tables, each headed [[{_key(loc)}]] in two pairs of brackets"
        kinds = '["one", "two"]' if table is None else f"[{{ {next(iter(table.model_fields))} = … }}]"
        return f"{where}: must be a list in brackets, like {kinds}"
    if item["type"] == "string_pattern_mismatch" and loc[-1] in ("name", "place", "enclosure"):
        return f"{where}: must be lower-case letters, digits, - and _, at most 40, starting with a letter or digit"
    return f"{where}: {plain_words(item, field)}"


_KINDS = {
    "missing": "must be given",
    "amount": "must be a number, true or false, or a text",
    "string_type": "must be a text in quotes",
    "bool": "must be true or false",
    "int": "must be a whole number",
    "float": "must be a number, without quotes and unit",
    "finite": "must be an ordinary number",
    "timezone": "must be a time with its offset from UTC, like 2026-08-19T07:30:00-04:00, or Z for UTC itself",
    "datetime": "must be a time with its offset from UTC, like 2026-08-19T07:30:00-04:00, or Z for UTC itself",
    "date": "must be a date, like 2026-06-01",
    "tuple": "must be a list in brackets",
    "list": "must be a list in brackets",
    "model": "must be a table",
    "dict": "must be a table",
}
"""What is said of a mistake whose type, as pydantic names it, begins like this."""


def plain_words(item: Any, field: FieldInfo | None) -> str:
    """What is wrong with one value and what is allowed, of an error as pydantic describes it."""
    kind = str(item["type"])
    if kind == "value_error":
        return f"must be {item['ctx']['error']}"
    if kind.startswith(("greater_than", "less_than")):
        return f"must be {_bounds(field) or item['msg'].removeprefix('Input should be ')}"
    if kind in ("enum", "literal_error"):
        return f"must be {item['ctx']['expected']}"
    if kind == "string_too_long":
        return f"must have at most {item['ctx']['max_length']} characters"
    if kind == "string_too_short":
        return "must not be empty"
    for begin, words in _KINDS.items():
        if kind.startswith(begin):
            bounds = _bounds(field) if begin in ("int", "float", "finite") else ""
            return f"{words}{', ' if bounds else ''}{bounds}"
    message: str = item["msg"]
    return message.replace("Input should be", "must be").replace("Value", "must", 1)


def _bounds(field: FieldInfo | None) -> str:
    """What a number may be."""
    inner = () if field is None else (m for a in get_args(field.annotation) for m in getattr(a, "__metadata__", ()))
    limits: dict[str, str] = {}
    for each in (*(field.metadata if field is not None else ()), *inner):
        for name, words in (("ge", "at least"), ("gt", "above"), ("le", "at most"), ("lt", "below")):
            if getattr(each, name, None) is not None:
                limits[name] = f"{words} {getattr(each, name):g}"
    return " and ".join(limits[name] for name in ("ge", "gt", "le", "lt") if name in limits)


def _field_at(loc: tuple[Any, ...]) -> FieldInfo | None:
    """The field that a place in the document belongs to."""
    table: Any = Settings
    field: FieldInfo | None = None
    for part in loc:
        if isinstance(part, int):
            continue
        field = table.model_fields.get(part) if table is not None else None
        if field is None:
            return None
        table = next((k for k in (field.annotation, *get_args(field.annotation)) if _is_table(k)), None)
    return field


def _neighbours(loc: tuple[Any, ...]) -> str:
    """The keys that are allowed where an unknown one was found."""
    table: Any = Settings
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        info = table.model_fields.get(part) if hasattr(table, "model_fields") else None
        if info is None:
            return ""
        arguments = [info.annotation, *getattr(info.annotation, "__args__", ())]
        table = next((a for a in arguments if isinstance(a, type) and issubclass(a, BaseModel)), None)
    return f"; allowed are {', '.join(table.model_fields)}" if table is not None else ""


def _disagreements(settings: Settings, parameters: Parameters) -> Iterator[str]:
    """Mistakes between tables: names that must be unique or must exist, and what the rules take."""
    enclosures, probes, cohorts = settings.enclosure or (), settings.probe or (), settings.cohort or ()
    places = list(dict.fromkeys(e.name for e in enclosures if e.name and e.name != AMBIENT))
    for what, tables in (("enclosure", enclosures), ("probe", probes), ("cohort", cohorts)):
        names = [table.name for table in tables]
        for i, name in enumerate(names):
            if name and name in names[:i]:
                first = names.index(name) + 1
                yield f'{what}[{i + 1}].name: "{name}" is the name of {what}[{first}] already; every {what} needs its own'
            if what == "enclosure" and name == AMBIENT:
                yield f'enclosure[{i + 1}].name: "{AMBIENT}" is kept for the shaded post; choose another'
    unread = any(e.name is None for e in enclosures)
    for i, p in enumerate(probes, 1):
        if p.place and p.place not in (*places, AMBIENT):
            maybe = "" if not unread else ", and those whose names have mistakes"
            yield f'probe[{i}].place: there is no enclosure "{p.place}"; allowed are {", ".join((*places, AMBIENT))}{maybe}'
        for j, r in enumerate(p.reads or (), 1):
            where = f"probe[{i}].reads[{j}]"
            if r.topic == p.topic is None:
                yield f"{where}: no topic; give `topic` here or in probe[{i}]"
            form = r.form or p.form
            if form and form is not Form.JSON and r.pointer:
                yield f'{where}.pointer: only form = "json" takes a pointer'
    for i, c in enumerate(cohorts, 1):
        if c.enclosure and c.enclosure not in places:
            yield f'cohort[{i}].enclosure: there is no enclosure "{c.enclosure}"; allowed are {", ".join(places)}'
    if settings.page and None not in dict(settings.page).values():
        yield from _page_mistakes(settings.page)
    yield from _rule_mistakes("rules", settings.rules, parameters)
    for i, e in enumerate(enclosures, 1):
        yield from _rule_mistakes(f"enclosure[{i}].rules", e.rules, parameters)


def _page_mistakes(page: PageSettings) -> Iterator[str]:
    """Whoever can reach the page must be asked who they are; a link in a message must be signed."""
    others = page.base_url and not re.match(r"https?://(localhost|127\.\d+\.\d+\.\d+|\[::1\])(:\d+)?$", page.base_url)
    if page.enabled and not page.is_guarded and (others or not page.is_local):
        yield (
            "page: can be reached from the network, so give page.password_hash (`sensord password` makes it) or page.token; "
            'or keep it to this computer with host = "127.0.0.1" and no base_url'
        )
    if page.enabled and page.base_url and not page.secret.get_secret_value():
        yield "page.secret: must be given with page.base_url: links in messages are signed with it (32 random characters)"


def _rule_mistakes(where: str, tables: Mapping[str, Mapping[str, Any]], parameters: Parameters) -> Iterator[str]:
    for rule, keys in (tables or {}).items():
        model = parameters.get(rule)
        if model is None:
            yield f"{where}.{rule}: no such rule; allowed are {', '.join(sorted(parameters))}"
            continue
        try:
            model.model_validate(keys, strict=False)
        except ValidationError as error:
            for item in error.errors(include_url=False):
                key = ".".join(str(part) for part in item["loc"])
                if item["type"] == "extra_forbidden":
                    yield f"{where}.{rule}.{key}: no such key; allowed are {', '.join(model.model_fields)}"
                else:
                    yield f"{where}.{rule}.{key}: {plain_words(item, model.model_fields.get(key))}"


def local(settings: Settings, instant: datetime) -> datetime:
    """The site's local time of an instant: for people only."""
    return instant.astimezone(settings.zone)
