"""Enclosures in sun and wind: offsets from ambient, what shade and covers change, what a gust does."""

from __future__ import annotations

import math
import statistics
from datetime import UTC, datetime
from typing import Any

import pytest

from sensord.model import Enclosure, Kind
from sensord.science import sun
from simulators import faults
from simulators.enclosures import AFTERNOON, ALL_DAY, MORNING, Cage
from simulators.garden import Garden
from simulators.scenario import larkfield, typical
from simulators.sky import Sky, saturation_hpa, shares_of_sun

NOON = datetime(2026, 8, 20, 17, tzinfo=UTC)


def sky(**changes: Any) -> Sky:
    """A clear August noon, with changes."""
    elevation = changes.pop("sun_elevation_deg", 55.0)
    cloud = changes.get("cloud", 0.0)
    clear = sun.clear_sky_irradiance_w_m2(elevation)
    beam, diffuse = shares_of_sun(clear, cloud, 1.0 - cloud)
    fields = {
        "at": NOON,
        "temperature_c": 30.0,
        "vapour_pressure_hpa": 18.0,
        "pressure_pa": 99_000.0,
        "wind_speed_m_s": 2.0,
        "wind_gust_m_s": 3.0,
        "beam_w_m2": beam,
        "diffuse_w_m2": diffuse,
        "sun_elevation_deg": elevation,
        "sun_azimuth_deg": 180.0,
        "cloud": cloud,
        "rain_mm_h": 0.0,
        "thunder": False,
    }
    return Sky(**(fields | changes))


def cage(kind: Kind = Kind.OPEN_MESH, **changes: Any) -> Cage:
    """A cage of the demonstration garden."""
    fields: dict[str, Any] = {
        "site": "field", "name": "alder", "title": "Alder", "kind": kind, "width_m": 0.6, "depth_m": 0.6, "height_m": 0.9,
        "own_mass_kg": 0.8, "ballast_kg": 4.0, "pegged": False, "open_fraction": 0.5, "friction": 0.4, "shaded": False,
        "covered": False,
    }  # fmt: skip
    if kind is Kind.CLEAR_BOX:
        fields |= {"width_m": 0.4, "depth_m": 0.4, "height_m": 0.6, "open_fraction": 0.0, "own_mass_kg": 1.6}
    return Cage(Enclosure(**(fields | changes)), ALL_DAY)


def settled(one: Cage, under: Sky) -> float:
    """The offset from ambient [K] after an hour of this sky."""
    for _ in range(60):
        one.warm(under, 60.0)
    assert one.temperature_c is not None
    return one.temperature_c - under.temperature_c


def offsets(garden: Garden, days: int) -> dict[str, list[tuple[float, Sky]]]:
    """Offsets of each enclosure [K] at every minute of some days, with the sky of the minute."""
    garden.keeper = None
    found: dict[str, list[tuple[float, Sky]]] = {name: [] for name in garden.cages}
    for _ in range(days * 1440):
        garden.step(garden.now + garden.step_length)
        for name, one in garden.cages.items():
            one.fallen = False
            assert one.temperature_c is not None
            found[name].append((one.temperature_c - garden.sky.temperature_c, garden.sky))
    return found


@pytest.fixture(scope="module", params=["larkfield", "typical"])
def month(request: pytest.FixtureRequest) -> dict[str, list[tuple[float, Sky]]]:
    """Twenty days in invented and in measured weather."""
    make = larkfield if request.param == "larkfield" else typical
    return offsets(make(7, faults=faults.NONE), 20)


def in_the_sun(rows: list[tuple[float, Sky]], exposure: Any) -> list[tuple[float, Sky]]:
    """Rows with twenty minutes of direct and strong sun behind them."""
    kept, minutes = [], 0
    for offset, one in rows:
        sunny = one.beam_w_m2 > 300 and one.irradiance_w_m2 > 500 and exposure.open_to(one.sun_azimuth_deg) == 1.0
        minutes = minutes + 1 if sunny else 0
        if minutes > 20:
            kept.append((offset, one))
    return kept


@pytest.mark.outside
@pytest.mark.parametrize(("name", "exposure"), [("alder", MORNING), ("birch", AFTERNOON)])
def test_a_ventilated_mesh_cage_runs_half_a_degree_warm(month: Any, name: str, exposure: Any) -> None:
    """In sun, with air moving: nine minutes of ten within 0.2–1.0 °C, the median within 0.3–0.8 °C above ambient.

    Common practice, no source: 0.3–0.8 °C for a well-ventilated mesh tent.
    """
    airy = sorted(offset for offset, one in in_the_sun(month[name], exposure) if one.wind_speed_m_s >= 2.0)
    assert len(airy) > 300
    assert 0.3 <= statistics.median(airy) <= 0.8
    assert airy[len(airy) // 20] > 0.2
    assert airy[-len(airy) // 20] < 1.0


@pytest.mark.outside
def test_a_clear_box_in_the_sun_runs_three_to_five_degrees_warm(month: Any) -> None:
    """In direct sun: median and nine minutes of ten within 2.8–5 °C above ambient, give or take 0.4 °C at the ends.

    Common practice, no source: 2.8–5 °C for a closed clear plastic box.
    """
    warm = sorted(offset for offset, _ in in_the_sun(month["cedar"], ALL_DAY))
    assert len(warm) > 500
    assert 2.8 <= statistics.median(warm) <= 5.0
    assert warm[len(warm) // 20] > 2.4
    assert warm[-len(warm) // 20] < 5.4


def test_nights_are_near_ambient(month: Any) -> None:
    """Without sun nothing heats: mesh within 0.3 °C of ambient, and a box within 0.5 °C but while a storm cools the air."""
    for name, rows in month.items():
        dark = sorted(abs(offset) for offset, one in rows if one.sun_elevation_deg < -6.0)
        limit = 0.5 if name == "cedar" else 0.3
        assert dark[int(0.99 * len(dark))] < limit
        assert dark[-1] < 3.0


def test_nothing_cooks_beyond_reason(month: Any) -> None:
    """Largest offsets of all: mesh 4 °C (calm and sun), box 7 °C; nowhere much below ambient by day."""
    for name, rows in month.items():
        assert max(offset for offset, _ in rows) < (7.0 if name == "cedar" else 4.0)
        assert min(offset for offset, one in rows if one.sun_elevation_deg > 10.0) > -2.5


def test_calm_and_strong_sun_warm_mesh_by_up_to_three_degrees() -> None:
    """Without wind, ventilation is left to warm air alone."""
    assert 1.5 < settled(cage(), sky(wind_speed_m_s=0.1)) < 3.5
    assert settled(cage(), sky(wind_speed_m_s=0.1)) > 3 * settled(cage(), sky(wind_speed_m_s=3.0))


def test_shade_takes_seven_tenths_of_the_sun_s_heat() -> None:
    """A shaded cage absorbs three tenths of what an unshaded one does, and its offset falls accordingly."""
    bare, shaded = cage(), cage(shaded=True)
    assert shaded.absorbed_w(sky()) == pytest.approx([0.3 * x for x in bare.absorbed_w(sky())])
    assert 0.2 < settled(shaded, sky()) / settled(bare, sky()) < 0.35


def test_a_cover_keeps_air_out_and_warms_although_it_shades() -> None:
    """A cover cuts the airflow more than the sun."""
    assert settled(cage(covered=True), sky()) > 1.3 * settled(cage(), sky())


def test_an_opened_box_is_cooler_and_a_sheltered_one_has_no_sun() -> None:
    """What the keeper can do for a box."""
    opened = cage(Kind.CLEAR_BOX)
    opened.opened = True
    sheltered = cage(Kind.CLEAR_BOX)
    sheltered.sheltered = True
    assert settled(opened, sky()) < 0.5 * settled(cage(Kind.CLEAR_BOX), sky())
    assert abs(settled(sheltered, sky())) < 0.1


def test_kinds_warm_in_the_expected_order() -> None:
    """Porch, open mesh, fine mesh, clear box."""
    order = [settled(cage(kind), sky()) for kind in (Kind.PORCH, Kind.OPEN_MESH, Kind.FINE_MESH, Kind.CLEAR_BOX)]
    assert order == sorted(order)


def test_morning_sun_ends_at_noon_and_afternoon_sun_begins() -> None:
    """Exposure by azimuth: the east side has its sun before noon, the west side after it."""
    assert MORNING.open_to(100.0) == 1.0
    assert MORNING.open_to(240.0) == 0.0
    assert AFTERNOON.open_to(100.0) == 0.0
    assert AFTERNOON.open_to(240.0) == 1.0


def test_the_time_constant_does_not_depend_on_the_step() -> None:
    """One step of ten minutes ends where ten of a minute do."""
    coarse, fine = cage(Kind.CLEAR_BOX), cage(Kind.CLEAR_BOX)
    for one in (coarse, fine):
        one.temperature_c = 25.0
    coarse.warm(sky(), 600.0)
    for _ in range(10):
        fine.warm(sky(), 60.0)
    assert coarse.temperature_c == pytest.approx(fine.temperature_c)


def test_air_inside_is_never_supersaturated() -> None:
    """Plants give off vapour, but not beyond saturation."""
    inside = cage(Kind.CLEAR_BOX).warm(sky(vapour_pressure_hpa=saturation_hpa(30.0)), 60.0)
    assert inside.vapour_pressure_hpa <= saturation_hpa(inside.temperature_c)


def test_a_gust_beyond_what_it_holds_tips_it_over_and_ballast_holds_it() -> None:
    """A cage with 2 kg goes over in 16 m/s; with 14 kg it neither tips nor slides; pegged it stays anyway."""
    storm = sky(wind_gust_m_s=16.0)
    light = cage(ballast_kg=2.0)
    assert light.push(storm, wet=False) == "tipped over"
    assert light.fallen
    assert light.push(storm, wet=False) == ""  # it lies already
    assert cage(ballast_kg=14.0).push(storm, wet=False) == ""
    assert cage(ballast_kg=0.0, pegged=True).push(storm, wet=False) == ""
    assert cage(ballast_kg=2.0).push(sky(wind_gust_m_s=5.0), wet=False) == ""


def test_a_cover_and_wet_netting_catch_more_wind() -> None:
    """Both close the mesh: the held gust falls by the square root of two."""
    dry, covered, wet = cage(), cage(covered=True), cage()
    assert covered.held(False).tipping_m_s == pytest.approx(dry.held(False).tipping_m_s / math.sqrt(2))
    assert wet.held(True).tipping_m_s == pytest.approx(dry.held(False).tipping_m_s / math.sqrt(2))
    assert wet.held(True).sliding_m_s < covered.held(False).sliding_m_s
