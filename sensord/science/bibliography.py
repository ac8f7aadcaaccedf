"""Every source that the science, the species files and their tests cite, by key; and the table of units by name.

A docstring cites by key: `Source: [Zalom1983] table 7`. Each citation ends with what of it was read; what was not
read is never called published by a figure that leans on it. A name says its unit by its ending (`temperature_c` is in
°C), and a public docstring repeats it in brackets behind the argument's name (`temperature_c: of the air [°C]`).
"""

from __future__ import annotations

CITATIONS: dict[str, str] = {
    # Degree-days and development
    "Allen1976": (
        "Allen JC (1976) A modified sine wave method for calculating degree days. Environmental Entomology 5(3): "
        "388–396. Formulas read as implemented by others."
    ),
    "BaskervilleEmin1969": (
        "Baskerville GL, Emin P (1969) Rapid estimation of heat accumulation from maximum and minimum "
        "temperatures. Ecology 50: 514–517. Formula and check value read as implemented by others."
    ),
    "BrabyLyonns2003": (
        "Braby MF, Lyonns KA (2003) Effect of temperature on development and survival in Delias nigrina "
        "(Lepidoptera: Pieridae). Australian Journal of Entomology 42(2). Abstract read."
    ),
    "Bryant1997": (
        "Bryant SR, Thomas CD, Bale JS (1997) Nettle-feeding nymphalid butterflies: temperature, development and "
        "distribution. Ecological Entomology 22: 390–398. Figures read in [Buckley2022]."
    ),
    "Bryant2002": (
        "Bryant SR, Thomas CD, Bale JS (2002) The influence of thermal ecology on the distribution of three "
        "nymphalid butterflies. Journal of Applied Ecology, doi 10.1046/j.1365-2664.2002.00688.x. Abstract read."
    ),
    "Buckley2022": (
        "Buckley LB et al., Seasonality database of insect thermal development, Appendix S3 of the data set "
        "ICBseasonality (public repository lbuckley/ICBseasonality, commit 8dd2b5b5). Data file read; year from "
        "memory."
    ),
    "DavidGardiner1962": (
        "David WAL, Gardiner BOC (1962) Oviposition and the hatching of the eggs of Pieris brassicae in a "
        "laboratory culture. Bulletin of Entomological Research 53: 91–109. Figures read in [Buckley2022]; title "
        "from memory."
    ),
    "DegdayR": (
        "degday, an R package by the University of California Agriculture and Natural Resources Informatics and "
        "GIS programme (public repository UCANR-IGIS/degday). Read: code, tests and worked example."
    ),
    "DegreeDayChallenge": (
        "Degree day challenge, daily results of the University of California IPM degree-day calculator for "
        "Esparto 2020, 50/70 °F, all methods and cut-offs (public repository UCANR-IGIS/degree-day-challenge, "
        "commit 1766f1c8). Data file read."
    ),
    "GodinBoivin1998": (
        "Godin C, Boivin G (1998) Seasonal occurrence of lepidopterous pests of cruciferous crops in southwestern "
        "Quebec in relation to degree-day accumulations. The Canadian Entomologist 130: 173–185. Abstract read."
    ),
    "GoehringOberhauser2002": (
        "Goehring L, Oberhauser KS (2002) Effects of photoperiod, temperature, and host plant age on induction of "
        "reproductive diapause and development time in Danaus plexippus. Ecological Entomology 27(6): 674–685, "
        "doi 10.1046/j.1365-2311.2002.00454.x. Abstract read."
    ),
    "Grant2020": (
        "Grant TJ, Flockhart DTT, Blader TR, Hellmich RL, Pitman GM, Tyner S, Norris DR, Bradbury SP (2020) "
        "Estimating arthropod survival probability from field counts: a case study with monarch butterflies; code "
        "at commit 4f2408be of the public repository tgrant7/arthropod-survival-estimation. Code read, which "
        "carries figures of [Zalucki1982]."
    ),
    "Hartstack1976": (
        "Hartstack AW, Witz JA, Hollingsworth JP, Ridgway RL, Lopez JD (1976), corn earworm phenology, as given "
        "by the University of California Statewide IPM Program, Degree-days: corn earworm. Web page read, in "
        "°C-days and °F-days."
    ),
    "IchinoseIwasaki1979": (
        "Ichinose T, Iwasaki Y (1979), development of Papilio protenor. Kontyu 47: 272–280. Figures read in "
        "[Buckley2022]."
    ),
    "Ito2001": "Ito K (2001), thermal development of Argyreus hyperbius, Japan. Figures read in [Buckley2022].",
    "James1999": (
        "James DG (1999), development of Danaus plexippus. Australian Entomologist 26(3): 83–86; states a "
        "developmental zero of 11–12 °C, citing Rawlins & Lederhouse 1981 and [Zalucki1982]. Text read."
    ),
    "LentzTaylor2005": (
        "Lentz R, Taylor OR (2005) Monarch Watch Update of 29 September 2005, table 1: accumulated degree-days "
        "and generations at five cities. Text read; the unit (°F-days) is inferred from the magnitude."
    ),
    "McMasterWilhelm1997": (
        "McMaster GS, Wilhelm WW (1997) Growing degree-days: one equation, two interpretations. Agricultural and "
        "Forest Meteorology 87: 291–300. Table 1 read in the tests of [DegdayR]."
    ),
    "OhioDegreeDays": "Ohio State University, teaching slides on degree-days, two worked days. Read.",
    "OregonDegreeDays": (
        "Oregon State University Integrated Plant Protection Center, degree-day questions and answers. Read."
    ),
    "ParkChanSaddleback": (
        "Park and Chan, student report on development of Vanessa cardui at 22.2 and 27.7 °C, Saddleback College. "
        "Read; two temperatures only."
    ),
    "TrenchR": (
        "TrenchR, an R package of environmental physiology (public repository trenchproject/TrenchR, commit "
        "ca58d440): daily series of station Ojai, California, 2016, lower 12 °C, upper 33 °C. Data files read."
    ),
    "UCIPM": (
        "University of California Statewide IPM Program, Degree-days: methods and cut-offs; citrus example. Web "
        "pages read."
    ),
    "Zalom1983": (
        "Zalom FG, Goodell PB, Wilson LT, Barnett WW, Bentley WJ (1983) Degree-days: the calculation and use of "
        "heat units in pest management. University of California Leaflet 21373. Tables 3–7 read in the code and "
        "tests of [DegdayR]."
    ),
    "Zalucki1982": (
        "Zalucki MP (1982) Temperature and rate of development in Danaus plexippus L. and D. chrysippus L. "
        "(Lepidoptera: Nymphalidae). Journal of the Australian Entomological Society 21: 241–246, doi "
        "10.1111/j.1440-6055.1982.tb01803.x. Not read itself; figures come through [Grant2020]."
    ),
    # Heat, cold and stage durations
    "JonesRE1987": (
        "Jones RE et al. (1987), temperature and survival of tropical pierids. Australian Journal of Zoology 35: "
        "235–246. Abstract read."
    ),
    "Kingsolver2000": (
        "Kingsolver JG (2000) Feeding, growth, and the thermal environment of cabbage white caterpillars, Pieris "
        "rapae L. Physiological and Biochemical Zoology 73: 621–628. Abstract read."
    ),
    "LSUBugBiz": "Louisiana State University AgCenter, Bug Biz: monarch, egg 3–8 days. Read.",
    "MonarchBuddies": "Duluth Monarch Buddies, life cycle: egg 3–5, larva 11–18, pupa 8–14 days. Web page read.",
    "MonarchJointVenture": ("Monarch Joint Venture, life cycle: pupa 8–15 days, larva about two weeks. Web page read."),
    "NailOberhauser2013": (
        "Nail KR, Oberhauser KS (2013) cold tolerance of immature monarchs. Ecological Society of America "
        "meeting, COS 111-8. Abstract read."
    ),
    "Ragonese2024": (
        "Ragonese IG, Sarkar M, Hall RJ, Altizer S (2024), heat and infection in monarchs at 18–34 °C. "
        "Proceedings of the Royal Society B. Summary read."
    ),
    "XercesMonarch": "Xerces Society, monarch life cycle: total 20–35 days, longer if cool. Web page read.",
    "YorkOberhauser2002": (
        "York HA, Oberhauser KS (2002) Effects of duration and timing of heat stress on monarch butterfly (Danaus "
        "plexippus) development. Journal of the Kansas Entomological Society 75(4): 290–298. Abstract read."
    ),
    # Season, sun and migration
    "Haurwitz1945": (
        "Haurwitz B (1945) Insolation in relation to cloudiness and cloud density. Journal of Meteorology 2: "
        "154–166. Formula read as implemented in pvlib."
    ),
    "IneichenPerez2002": (
        "Ineichen P, Perez R (2002) A new airmass independent formulation for the Linke turbidity coefficient. "
        "Solar Energy 73: 151–157. Formula read as implemented in pvlib."
    ),
    "Meeus1998": ("Meeus J (1998) Astronomical algorithms, 2nd edition. Willmann-Bell. Read as implemented by others."),
    "NOAASolar": (
        "NOAA Global Monitoring Laboratory, Solar calculation details (after [Meeus1998]). Read as implemented in "
        "astral."
    ),
    "RedaAndreas2004": (
        "Reda I, Andreas A (2004) Solar position algorithm for solar radiation applications. Solar Energy 76: "
        "577–589; NREL/TP-560-34302. Example values from memory, reproduced by pvlib."
    ),
    "Reno2012": (
        "Reno MJ, Hansen CW, Stein JS (2012) Global horizontal irradiance clear sky models: implementation and "
        "analysis. Sandia National Laboratories, SAND2012-2389. Formula read as implemented in pvlib."
    ),
    "Spencer1971": (
        "Spencer JW (1971) Fourier series representation of the position of the sun. Search 2: 172. Formula read "
        "second-hand."
    ),
    "Taylor2019": (
        "Taylor OR, Lovett JP, Gibo DL, Weiser EL, Thogmartin WE, Semmens DJ, Diffendorfer JE, Pleasants JM, "
        "Pecoraro SD, Grundel R (2019) Is the timing, pace, and success of the monarch migration associated with "
        "sun angle? Frontiers in Ecology and Evolution 7: 442, doi 10.3389/fevo.2019.00442. Abstract read."
    ),
    "TengerTrolander2019": (
        "Tenger-Trolander A, Lu W, Noyes M, Kronforst MR (2019) Contemporary loss of migration in monarch "
        "butterflies. PNAS 116(29): 14671–14676, doi 10.1073/pnas.1904690116. Abstract read."
    ),
    # Moist air
    "ASHRAE2017": (
        "ASHRAE (2017) Handbook of fundamentals (SI), chapter 1, Psychrometrics. Tables and example read in the "
        "tests of psychrolib."
    ),
    "Buck1996": (
        "Buck Research Instruments (1996) Model CR-1A hygrometer operating manual, appendix: saturation vapour "
        "pressure. Constants from memory."
    ),
    "FAO56": (
        "Allen RG, Pereira LS, Raes D, Smith M (1998) Crop evapotranspiration. FAO Irrigation and Drainage Paper "
        "56. Equations and examples read second-hand."
    ),
    "HylandWexler1983": (
        "Hyland RW, Wexler A (1983) Formulations for the thermodynamic properties of the saturated phases of H2O "
        "from 173.15 K to 473.15 K. ASHRAE Transactions 89(2A): 500–519. Read as implemented in psychrolib."
    ),
    "Psychrolib": (
        "Meyer D, Thevenard D (2019) PsychroLib: a library of psychrometric functions. Journal of Open Source "
        "Software 4(33): 1137. Code and tests read."
    ),
    "Sonntag1990": (
        "Sonntag D (1990) Important new values of the physical constants of 1986, vapour pressure formulations. "
        "Zeitschrift für Meteorologie 40: 340–344. Constants from memory."
    ),
    "Stull2011": (
        "Stull R (2011) Wet-bulb temperature from relative humidity and air temperature. Journal of Applied "
        "Meteorology and Climatology 50: 2267–2269. Abstract read; formula read second-hand."
    ),
    # Pressure and wind
    "AFMAN15-111": (
        "US Air Force Manual 15-111 (12 March 2019) Surface weather observations, page 117: pressure falling "
        "rapidly. Text read."
    ),
    "ASCE7": (
        "American Society of Civil Engineers, ASCE/SEI 7 Minimum design loads: velocity pressure. Standard not "
        "read; formula and worked example read on calculation pages."
    ),
    "EN12195-1": (
        "EN 12195-1 Load restraining on road vehicles: friction factors. Read second-hand in a load-securing guide."
    ),
    "EN1991-1-4": "EN 1991-1-4 Eurocode 1: Actions on structures, wind actions. Equations read second-hand.",
    "Marchand2024": (
        "Marchand OC, Ramananarivo S, Duprat C, Josserand C (2024), flow past fibre screens. Journal of Fluid "
        "Mechanics. Abstract read."
    ),
    "MetOfficeTendency": (
        "UK marine forecast terms for pressure tendency over 3 hours. Read second-hand, several pages that agree."
    ),
    "RichardsRobinson1999": (
        "Richards PJ, Robinson M (1999) Wind loads on porous structures. Journal of Wind Engineering and "
        "Industrial Aerodynamics 83: 455–465. Abstract read."
    ),
    "TG20-13": (
        "National Access and Scaffolding Confederation (2013) TG20:13 Design guide, table 4.5: force coefficients "
        "of sheeting and netting (after EN 12811-1). Page read."
    ),
    # Probes and the enclosure's own climate
    "BME280": "Bosch Sensortec, BME280 data sheet. Read.",
    "DS18B20": "Maxim Integrated, DS18B20 data sheet: accuracy, resolution, power-on value. Read.",
    "Gitz2015": (
        "Gitz DC et al. (2015) Pollination bag type affects temperature inside. American Journal of Plant "
        "Sciences 6(2). Abstract read."
    ),
    "Harmanto2006": (
        "Harmanto, Tantau HJ, Salokhe VM, microclimate and air exchange with insect nets of 40, 52 and 78 mesh. "
        "Abstract read; year from memory."
    ),
    "Huber1964": (
        "Huber PJ (1964) Robust estimation of a location parameter. Annals of Mathematical Statistics 35: 73–101. "
        "From memory."
    ),
    "Maclean2021": (
        "Maclean IMD et al. (2021) On the measurement of microclimate. Methods in Ecology and Evolution. Abstract read."
    ),
    "Woodford1973": (
        "Woodford JAT (1973), the climate within a large aphid-proof field cage. Entomologia Experimentalis et "
        "Applicata 16. Abstract read."
    ),
    # Standards of exchange
}
"""Key → full citation. The key is AuthorYear, or the name of a standard."""

UNITS: dict[str, str] = {
    "c": "°C",
    "f": "°F",
    "k": "K",
    "pa": "Pa",
    "hpa": "hPa",
    "kpa": "kPa",
    "pa_h": "Pa/h",
    "m": "m",
    "m2": "m²",
    "mm": "mm",
    "s": "s",
    "m_s": "m/s",
    "kg": "kg",
    "kg_m3": "kg/m³",
    "g_m3": "g/m³",
    "kg_kg": "kg/kg",
    "j_kg": "J/kg",
    "n": "N",
    "n_m": "N·m",
    "deg": "°",
    "w_m2": "W/m²",
    "hours": "h",
    "minutes": "min",
    "days": "d",
    "degree_days": "°C·d",
    "degree_days_f": "°F·d",
    "degree_hours": "°C·h",
    "c_m2_w": "°C·m²/W",
    "relative_humidity": "0–1",
    "fraction": "1",
}
"""Nomenclature: the ending of a name → its unit. The longest that fits counts (`wind_speed_m_s` is m/s, not s)."""
