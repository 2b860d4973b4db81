"""Units of readings: conversions from their definitions, and what is refused."""

from __future__ import annotations

import math

import pytest

from pitwise.trade.units import UnitError, accepted_units, canonical_units, to_canonical

# From the definitions: inch 25.4 mm, US gallon 231 in3, pound 0.45359237 kg, g 9.80665 m/s2.
PSI_PA = 0.45359237 * 9.80665 / 0.0254**2
CONVERTED = [
    (250.0, "kPa", "bar", 2.5),
    (0.6, "MPa", "bar", 6.0),
    (100.0, "psi", "bar", PSI_PA / 1000),
    (100.0, "PSI", "bar", PSI_PA / 1000),
    (-1.0, "bar", "bar", -1.0),
    (212.0, "°F", "°C", 100.0),
    (-40.0, "F", "°C", -40.0),
    (273.15, "K", "°C", 0.0),
    (6.0, "m3/h", "l/min", 100.0),
    (240.0, "l/h", "l/min", 4.0),
    (1.0, "gal/min", "l/min", 231 * 0.254**3),
    (1.0, "gpm", "l/min", 231 * 0.254**3),
    (12.0, "cfh", "l/min", 12 * 0.3048**3 * 1000 / 60),
    (12.5, "uS/cm", "µS/cm", 12.5),
    (12.5, "μS/cm", "µS/cm", 12.5),  # Greek mu, as some keyboards type it
    (1.25, "mS/m", "µS/cm", 12.5),
    (0.5, "mS/cm", "µS/cm", 500.0),
    (-12.0, "V", "V", -12.0),
    (0.25, "in", "mm", 6.35),
    (40.0, "thou", "mm", 1.016),
    (100.0, "in/min", "mm/min", 2540.0),
    (0.5, "ppm", "%", 5e-5),
    (3.0, "per 100 starts", "%", 3.0),
    (0.1, "mg/m³", "mg/m3", 0.1),
    (7.0, "count", "count", 7.0),
    (90.0, "s", "min", 1.5),
    (2.0, "degrees", "deg", 2.0),
    (100.0, "mm/100mm", "deg", 45.0),
    (0.5, "mm per 100 mm", "deg", math.degrees(math.atan(0.005))),
    (0.2, "Ω", "ohm", 0.2),
    (200.0, "mohm", "ohm", 0.2),
    (4.0, " l / min ", "l/min", 4.0),
    (250_000.0, "Pa", "bar", 2.5),
    (5.0, "kgf/cm2", "bar", 5 * 0.980665),
    (5.0, "kgf/cm²", "bar", 5 * 0.980665),
    (0.1, "l/s", "l/min", 6.0),
    (500.0, "ml/min", "l/min", 0.5),
    (0.2, "Mohm", "ohm", 2e5),
    (0.2, "MΩ", "ohm", 2e5),
    (0.2, "mΩ", "ohm", 2e-4),
    (120.0, "mV", "V", 0.12),
    (40.0, "µm", "mm", 0.04),
    (40.0, "um", "mm", 0.04),
]


@pytest.mark.parametrize(("value", "unit", "canonical", "wanted"), CONVERTED)
def test_conversion(value: float, unit: str, canonical: str, wanted: float) -> None:
    assert to_canonical(value, unit, canonical) == pytest.approx(wanted, rel=1e-12, abs=1e-12)


def test_every_kept_unit_accepts_itself_first_and_changes_nothing() -> None:
    for unit in canonical_units():
        assert accepted_units(unit)[0] == unit
        assert to_canonical(1.5, unit, unit) == 1.5
        for other in accepted_units(unit):
            assert math.isfinite(to_canonical(300.0, other, unit))


REFUSED = [
    (math.nan, "bar", "bar", "is no number", "plain number"),
    (math.inf, "bar", "bar", "is no number", "plain number"),
    (True, "bar", "bar", "is no number", "plain number"),
    ("4", "bar", "bar", "is no number", "plain number"),
    (4.0, "baar", "bar", "'baar' is not known", "did you mean 'bar'"),
    (4.0, "", "bar", "'' is not known", "use one of"),
    (4.0, "furlong", "bar", "'furlong' is not known", ""),
    (6.0, "mPa", "bar", "'mPa' is not known", "use one of bar, mbar, Pa"),
    (6.0, "hPa", "bar", "'hPa' is not known", "use one of bar"),
    (6.0, "GΩ", "ohm", "'GΩ' is not known", "use one of ohm"),
    (6.0, "m", "mm", "'m' is not known", "use one of mm"),
    (6.0, "1/min", "count", "'1/min' is not known", "use one of count"),
    (6.0, "µS/cn", "bar", "'µS/cn' is not known", "use one of bar"),
    (6.0, "l/mim", "l/min", "'l/mim' is not known", "did you mean 'l/min'"),
    (4.0, "l/min", "bar", "'l/min' measures flow, 'bar' measures pressure", "one of bar"),
    (4.0, "V", "mm", "'V' measures voltage, 'mm' measures length", "one of mm"),
    (-300.0, "°C", "°C", "no temperature is below -273.15 °C", "sign"),
    (-5.0, "K", "°C", "no temperature is below", "sign"),
    (-2.0, "bar", "bar", "no pressure is below", "sign"),
    (-1.0, "l/h", "l/min", "no flow is below 0", "sign"),
    (-1.0, "mS/m", "µS/cm", "no conductivity is below 0", "sign"),
    (1e308, "MPa", "bar", "can't be", "look at the number"),
    (4.0, "psi", "psi", "not kept in 'psi'", "use 'bar'"),
]


@pytest.mark.parametrize(("value", "unit", "canonical", "problem", "mend"), REFUSED)
def test_refused(value: float, unit: str, canonical: str, problem: str, mend: str) -> None:
    with pytest.raises(UnitError) as caught:
        to_canonical(value, unit, canonical)
    assert problem in caught.value.problem
    assert mend in caught.value.mend


def test_no_unit_is_proposed_that_differs_by_its_prefix_alone() -> None:
    for typed, kept in (("nV", "V"), ("dm", "mm"), ("GPa", "bar"), ("hPa", "bar"), ("nm", "mm")):
        with pytest.raises(UnitError) as caught:
            to_canonical(1.0, typed, kept)
        assert caught.value.mend.startswith("use one of ")
        for name in caught.value.mend.removeprefix("use one of ").split(", "):
            assert name in accepted_units(kept)
