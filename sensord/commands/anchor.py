"""`sensord anchor`: does an enclosure stand a gust, and if not, what would hold it?"""

from __future__ import annotations

import math
import re
from enum import StrEnum
from typing import Annotated, Any, NamedTuple

import typer

from sensord.commands._figures import measure
from sensord.language import Measure
from sensord.language.measure import MILE_M, POUND_KG
from sensord.language.terminal import say
from sensord.science import wind_load
from sensord.science.wind_load import AnchorAdvice, AnchorKind, Frame, Range

LENGTHS = {"m": 1.0, "cm": 0.01, "in": 0.0254, "ft": 0.3048}
MASSES = {"kg": 1.0, "g": 0.001, "lb": POUND_KG}
SPEEDS = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": MILE_M / 3600, "kn": 1852 / 3600}

HURRICANE_M_S = 32.7
"""From here on the wind is Beaufort 12 (WMO, Manual on Codes, table 1100; from memory; of the mean, here of a gust) [m/s]."""


class AnchorUnits(StrEnum):
    """Units in which bare numbers are read and results are printed."""

    METRIC = "metric"
    US = "us"


class Netting(StrEnum):
    """The state of the netting when the gust comes."""

    DRY = "dry"
    WET = "wet"
    COVERED = "covered"
    UNSURE = "unsure"


def command(
    width: Annotated[str, typer.Option(help=say("commands.anchor.option.width"))],
    height: Annotated[str, typer.Option(help=say("commands.anchor.option.height"))],
    mass: Annotated[str, typer.Option(help=say("commands.anchor.option.mass"))],
    depth: Annotated[str | None, typer.Option(help=say("commands.anchor.option.depth"))] = None,
    ballast: Annotated[str, typer.Option(help=say("commands.anchor.option.ballast"))] = "0",
    gust: Annotated[str | None, typer.Option(help=say("commands.anchor.option.gust"))] = None,
    netting: Annotated[Netting, typer.Option(help=say("commands.anchor.option.netting"))] = Netting.UNSURE,
    open_fraction: Annotated[float, typer.Option(help=say("commands.anchor.option.open_fraction"))] = 0.5,
    friction: Annotated[str, typer.Option(help=say("commands.anchor.option.friction"))] = "0.3-0.4",
    brick: Annotated[str, typer.Option(help=say("commands.anchor.option.brick"))] = "2kg",
    largest_ballast: Annotated[str, typer.Option(help=say("commands.anchor.option.largest"))] = "20kg",
    height_factor: Annotated[float, typer.Option(help=say("commands.anchor.option.exposure"))] = 0.85,
    safety_factor: Annotated[float, typer.Option(help=say("commands.anchor.option.margin"))] = 1.5,
    units: Annotated[AnchorUnits, typer.Option(help=say("commands.anchor.option.units"))] = AnchorUnits.METRIC,
    json: Annotated[bool, typer.Option("--json", help=say("commands.anchor.option.json"))] = False,
) -> None:
    """Say which gust an enclosure holds and what to add: kilograms, bricks, and against sliding or tipping.

    Ends with 0 if it holds (or no gust is given), with 1 if it does not.
    """
    us = units is AnchorUnits.US
    length, kilograms = ("in", "lb") if us else ("m", "kg")
    wrong: list[str] = []
    frame = Frame(
        _one("--width", width, LENGTHS, length, wrong),
        _one("--depth", width if depth is None else depth, LENGTHS, length, wrong if depth is not None else []),
        _one("--height", height, LENGTHS, length, wrong),
        _one("--mass", mass, MASSES, kilograms, wrong),
    )
    case = Case(
        frame,
        _one("--ballast", ballast, MASSES, kilograms, wrong),
        None if gust is None else _amount("--gust", gust, SPEEDS, "mph" if us else "m/s", wrong),
        _coefficient(open_fraction, netting, wrong),
        _amount("--friction", friction, {"": 1.0}, "", wrong),
        _one("--brick", brick, MASSES, kilograms, wrong),
        _one("--largest-ballast", largest_ballast, MASSES, kilograms, wrong),
        height_factor,
        safety_factor,
    )
    wrong += [line for line in _out_of_bounds(case) if depth is not None or not line.startswith("--depth")]
    if wrong:
        raise typer.BadParameter("\n".join(wrong))
    try:
        advice, steps = _work_out(case)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    if json:
        _print_json(case, advice, steps)
    else:
        _print_text(case, advice, steps, measure(units))
    beyond = case.gust_m_s is not None and case.gust_m_s.high >= HURRICANE_M_S
    raise typer.Exit(0 if advice.kind is AnchorKind.HOLDS and not beyond else 1)


class Case(NamedTuple):
    """What was asked, in SI."""

    frame: Frame
    ballast_kg: float
    gust_m_s: Range | None
    force_coefficient: Range
    friction: Range
    brick_kg: float
    largest_ballast_kg: float
    height_factor: float
    safety_factor: float


class BallastStep(NamedTuple):
    """With so much ballast it holds at least such a gust."""

    ballast_kg: float
    gust_m_s: float


def _work_out(case: Case) -> tuple[AnchorAdvice, list[BallastStep]]:
    """The advice, and a few steps of more ballast up to the largest."""
    loads = (case.force_coefficient, case.friction, case.height_factor, case.safety_factor)
    advice = wind_load.advise(
        case.frame, case.ballast_kg, case.gust_m_s or 0.0, *loads, case.brick_kg, case.largest_ballast_kg
    )
    quarters = (case.largest_ballast_kg * i / 4 for i in range(1, 5))
    amounts = (case.ballast_kg, *(kg for kg in quarters if kg > case.ballast_kg))
    return advice, [BallastStep(kg, wind_load.gust_held(case.frame, kg, *loads).gust_m_s) for kg in amounts]


def _out_of_bounds(case: Case) -> list[str]:
    """What can be read but makes no sense, each amount tried alone with usual ones for the others."""
    usual = Case(Frame(0.6, 0.6, 0.9, 1.0), 0.0, None, Range(1.0, 1.0), Range(0.3, 0.3), 2.0, 20.0, 0.85, 1.5)
    trials: list[tuple[str, Case]] = [
        *(
            (f"--{option}", usual._replace(frame=usual.frame._replace(**{field: getattr(case.frame, field)})))
            for option, field in zip(("width", "depth", "height", "mass"), Frame._fields, strict=False)
        ),
        *(
            (f"--{option}", usual._replace(**{field: getattr(case, field)}))
            for option, field in (
                ("ballast", "ballast_kg"),
                ("gust", "gust_m_s"),
                ("friction", "friction"),
                ("brick", "brick_kg"),
                ("largest-ballast", "largest_ballast_kg"),
                ("height-factor", "height_factor"),
                ("safety-factor", "safety_factor"),
            )
        ),
    ]
    wrong: dict[str, str] = {}
    for option, trial in trials:
        try:
            _work_out(trial)
        except ValueError as error:
            wrong.setdefault(str(error), f"{option}: {error}")
    return list(wrong.values())


def _one(option: str, text: str, factors: dict[str, float], unit: str, wrong: list[str]) -> float:
    """One amount, in SI; a line in `wrong` where it is none."""
    amount = _amount(option, text, factors, unit, wrong)
    if amount.low != amount.high:
        wrong.append(say("commands.anchor.range", option=option, text=f"{text!r}"))
    return amount.low


def _amount(option: str, text: str, factors: dict[str, float], unit: str, wrong: list[str]) -> Range:
    """One amount or a range, with a unit of its own or the usual one, in SI; a line in `wrong` where it is none."""
    number = r"(\d+(?:\.\d*)?|\.\d+)"
    match = re.fullmatch(rf"\s*{number}(?:\s*(?:-|–|\.\.)\s*{number})?\s*([a-z/]*)\s*", text)
    if match is None or (match[3] or unit) not in factors:
        known = ", ".join(filter(None, factors))
        wrong.append(say("commands.anchor.no_amount", option=option, text=repr(text), units=known or None))
        return Range(1.0, 1.0)
    factor = factors[match[3] or unit]
    low, high = float(match[1]) * factor, float(match[2] or match[1]) * factor
    return Range(min(low, high), max(low, high))


def _coefficient(open_fraction: float, netting: Netting, wrong: list[str]) -> Range:
    wet = {Netting.DRY: False, Netting.WET: True, Netting.COVERED: None, Netting.UNSURE: None}[netting]
    try:
        return wind_load.force_coefficient(open_fraction, wet, covered=netting is Netting.COVERED)
    except ValueError as error:
        wrong.append(f"--open-fraction: {error}")
        return Range(1.0, 1.0)


def _speed(metres_per_second: float, by: Measure) -> str:
    if by.us:
        return by.wind(metres_per_second)
    return say("commands.anchor.speed", forecast=by.metres_a_second(metres_per_second), wind=by.wind(metres_per_second))


def _held(metres_per_second: float, by: Measure) -> str:
    """A gust that is held, rounded down."""
    step = SPEEDS["mph"] if by.us else 0.1
    return _speed(math.floor(metres_per_second / step + 1e-9) * step, by)


def _needed(kilograms: float, by: Measure) -> str:
    """A mass that is needed, rounded up."""
    step = 0.1 * (POUND_KG if by.us else 1.0)
    return by.mass(math.ceil(kilograms / step - 1e-9) * step)


def _spread(low: str, high: str) -> str:
    return low if low == high else say("commands.anchor.spread", low=low, best=high)


def _print_text(case: Case, advice: AnchorAdvice, steps: list[BallastStep], by: Measure) -> None:
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False)
    held = _spread(_held(advice.gust_held_m_s.low, by), _held(advice.gust_held_m_s.high, by))
    console.print(say("commands.anchor.as_it_stands", gust=held, how=_how(advice)))
    if case.gust_m_s is not None:
        console.print(_answer(case.gust_m_s.high, case.brick_kg, advice, by), style="bold")
        if case.gust_m_s.high < HURRICANE_M_S:
            console.print(_ballast(case, advice, by))
    table = Table(say("commands.anchor.head.ballast"), say("commands.anchor.head.holds"), box=None, pad_edge=False)
    for step in steps:
        table.add_row(by.mass(step.ballast_kg), _held(step.gust_m_s, by))
    console.print(table)
    console.print(say("commands.anchor.gusts_of_10_m", caution=say("commands.anchor.caution")))


def _ballast(case: Case, advice: AnchorAdvice, by: Measure) -> str:
    """How much it takes in all, in the worst and in the best case; where that is beyond sense, that it is."""
    worst, best = _needed(advice.needed_kg.high, by), _needed(advice.needed_kg.low, by)
    if advice.kind is not AnchorKind.PEG_OR_SHELTER:
        return say("commands.anchor.takes", mass=_spread(worst, best))
    most = by.mass(case.largest_ballast_kg)
    other = None if worst == best else best
    return say("commands.anchor.by_ballast_alone", worst=worst, best=other, most=most)


def _answer(gust_m_s: float, brick_kg: float, advice: AnchorAdvice, by: Measure) -> str:
    gust = _speed(gust_m_s, by)
    if gust_m_s >= HURRICANE_M_S:
        return say("commands.anchor.indoors_gust", gust=gust)
    if advice.kind is AnchorKind.HOLDS:
        return say("commands.anchor.holds", gust=gust)
    if advice.kind is AnchorKind.PEG_OR_SHELTER:
        return say("commands.anchor.not_the_answer", gust=gust, shelter=say("commands.anchor.shelter"))
    return say(
        "commands.anchor.add",
        gust=gust,
        how=_how(advice),
        mass=_needed(advice.add_kg, by),
        bricks=say("commands.anchor.bricks", count=advice.bricks, mass=by.mass(brick_kg)),
        all=by.mass(advice.ballast_kg),
    )


def _how(advice: AnchorAdvice) -> str:
    """How it fails."""
    return say(f"commands.anchor.fails.{advice.by}")


def _print_json(case: Case, advice: AnchorAdvice, steps: list[BallastStep]) -> None:
    import json

    gust, caution = case.gust_m_s, say("commands.anchor.caution")
    answer: dict[str, Any] = {
        "enclosure": {**case.frame._asdict(), "ballast_kg": case.ballast_kg},
        "gust_m_s": gust and gust._asdict(),
        "force_coefficient": case.force_coefficient._asdict(),
        "friction": case.friction._asdict(),
        "holds": advice.kind is AnchorKind.HOLDS and gust.high < HURRICANE_M_S if gust else None,
        "advice": None if gust is None else advice.kind if gust.high < HURRICANE_M_S else "take indoors",
        "add_kg": advice.add_kg,
        "bricks": advice.bricks,
        "ballast_kg": advice.ballast_kg,
        "fails_by": advice.by,
        "ballast_needed_kg": advice.needed_kg._asdict() if gust else None,
        "gust_held_m_s": advice.gust_held_m_s._asdict(),
        "holds_with": [step._asdict() for step in steps],
        "caution": say("commands.anchor.indoors_caution", caution=caution)
        if gust and gust.high >= HURRICANE_M_S
        else caution,
    }
    typer.echo(json.dumps(answer, ensure_ascii=False, indent=2))
