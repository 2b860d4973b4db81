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
    (6.0, "mPa", "bar", "'mPa' is not known", "did you mean 'MPa'"),
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
