"""Units as people write them, and their conversion to the unit of a column."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

__all__ = ["Conversion", "conversion", "is_unit", "unit_key"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """Value in the column's unit = value as written x multiply / divide + offset.

    Multiplication and division are kept apart so that 9812 mA are 9.812 A to the last digit.
    """

    multiply: float = 1.0
    divide: float = 1.0
    offset: float = 0.0

    @property
    def factor(self) -> float:
        """The one number that multiplies a value as written."""
        return self.multiply / self.divide


@dataclass(frozen=True, slots=True)
class _Unit:
    quantity: str
    scale: Fraction = Fraction(1)
    offset: float = 0.0


def _decimal(text: str) -> Fraction:
    return Fraction(text)


_EXACT: Final[dict[str, _Unit]] = {}
_FOLDED: Final[dict[str, _Unit]] = {}


def _add(quantity: str, scale: str, spellings: str, *, offset: float = 0.0) -> None:
    unit = _Unit(quantity, _decimal(scale), offset)
    for spelling in spellings.split():
        _EXACT[spelling] = unit


def _add_folded(quantity: str, scale: str, spellings: str, *, offset: float = 0.0) -> None:
    unit = _Unit(quantity, _decimal(scale), offset)
    for spelling in spellings.split():
        _FOLDED[spelling] = unit


_add("voltage", "1", "V v Vdc VDC Vd.c.")
_add("voltage", "1/1000", "mV mv")
_add("voltage", "1000", "kV KV kv")
_add_folded("voltage", "1", "volt volts voltios")
_add("current", "1", "A a Adc ADC")
_add("current", "1/1000", "mA ma")
_add("current", "1000", "kA KA ka")
_add_folded("current", "1", "ampere amperes amp amps amperios")
_add_folded("current", "1/1000", "milliampere milliamperes milliamp milliamps miliamperios")
_add("power", "1", "W w Wp wp WP Wpk")
_add("power", "1000", "kW KW kw kWp KWp kwp KWP")
_add("power", "1/1000", "mW")
_add("power", "1000000", "MW MWp")
_add_folded("power", "1", "watt watts vatios wattpeak")
_add_folded("power", "1000", "kilowatt kilowatts")
_add("ratio", "1", "1 - p.u. pu")
_add("ratio", "1/100", "%")
_add("ratio", "1/1000", "‰")
_add_folded("ratio", "1/100", "percent pct prozent porciento porcentaje percentage v.h.")
_add("irradiance", "1", "W/m2 w/m2 Wm-2 Wm2 W/sqm W/qm W/m**2 Wp/m2")
_add("irradiance", "1000", "kW/m2 KW/m2 kw/m2 kWm-2 kW/qm kW/sqm")
_add("irradiance", "10", "mW/cm2 mWcm-2")
_add("speed", "1", "m/s ms-1 M/S")
_add("speed", "5/18", "km/h kmh kph KM/H km/hr Km/h")
_add("speed", "0.44704", "mph MPH mi/h")
_add("speed", "1852/3600", "kn kt knots knoten nudos")
_add("length", "1", "m M")
_add("length", "1/1000", "mm MM")
_add("length", "1/100", "cm CM")
_add("length", "1000", "km KM")
_add("length", "0.3048", "ft")
_add_folded("length", "1", "metre metres meter meters metros")
_add("resistance", "1", "Ω ohm Ohm OHM ohms Ohms ohmios Ohmios")
_add("resistance", "1000", "kΩ KΩ kohm kOhm KOhm KOHM kohms kOhms kiloohm")
_add("resistance", "1000000", "MΩ Mohm MOhm MOHM Mohms MOhms Megohm megohm MegOhm Megaohm")
_add("resistance", "1000000", "megohms Megohms megaohm megaohmios Megohmios")
_add("resistance", "1000000000", "GΩ Gohm GOhm GOHM Gohms gigaohm Gigaohm gigohm")
_add("resistance", "1000000000000", "TΩ Tohm TOhm")
_add("resistance", "1/1000", "mΩ mohm mOhm milliohm Milliohm")
_add("temperature", "1", "°C degC C ºC degreesC DegC deg.C ℃ DEGC")
_add("temperature", "5/9", "°F degF F ºF degreesF DegF deg.F ℉ DEGF", offset=-160.0 / 9.0)
_add("temperature", "1", "K °K degK", offset=-273.15)
_add_folded("temperature", "1", "celsius kelvincelsius gradcelsius")
_add_folded("temperature", "5/9", "fahrenheit", offset=-160.0 / 9.0)
_add_folded("temperature", "1", "kelvin", offset=-273.15)
_add("time", "1", "s sec")
_add("time", "1/1000", "ms msec")
_add_folded("time", "1", "second seconds sekunde sekunden segundo segundos")
_add("angle", "1", "° º deg Deg DEG")
_add_folded("angle", "1", "degree degrees grad grados")
_add("count", "1", "pcs Pcs PCS pc Stk Stk. stk Stück Stck St. uds uds. ud pz pzs ea EA #")
_add_folded("count", "1", "pieces units stück modules module módulos piezas unidades")

_COLUMN_QUANTITY: Final[dict[str, tuple[str, Fraction]]] = {
    "V": ("voltage", Fraction(1)),
    "A": ("current", Fraction(1)),
    "W": ("power", Fraction(1)),
    "1": ("ratio", Fraction(1)),
    "W/m2": ("irradiance", Fraction(1)),
    "m/s": ("speed", Fraction(1)),
    "m": ("length", Fraction(1)),
    "ohm": ("resistance", Fraction(1)),
    "Mohm": ("resistance", Fraction(1_000_000)),
    "degC": ("temperature", Fraction(1)),
    "K": ("temperature", Fraction(1)),
    "deg": ("angle", Fraction(1)),
    "s": ("time", Fraction(1)),
    "": ("count", Fraction(1)),
}

_DROPPED: Final = re.compile(r"[\s^·⋅*_\[\](){}]")


def unit_key(text: str) -> str:
    """Give a unit as written without spaces, brackets and raised digits."""
    plain = unicodedata.normalize("NFKC", text.replace("º", "°").replace("⁻", "-"))
    return _DROPPED.sub("", plain.replace("−", "-").replace("Ω", "Ω"))


def _find(text: str) -> _Unit | None:
    key = unit_key(text)
    return _EXACT.get(key) or _FOLDED.get(key.casefold())


def is_unit(text: str) -> bool:
    """Tell whether a text is a unit that is known, whatever its quantity."""
    return _find(text) is not None


def conversion(text: str, unit: str) -> Conversion | None:
    """Give how a value in the unit ``text`` becomes one in the column's unit, None if unknown.

    A unit of another quantity is None too: a voltage in amperes is never guessed at. For the
    unit ``K`` a temperature difference is meant, so no offset applies; a resistance written in
    thousandths of an ohm is refused for a column in megohms, where the capital was surely lost.
    """
    if unit_key(text) == "":
        return Conversion()
    found = _find(text)
    wanted = _COLUMN_QUANTITY.get(unit)
    if found is None or wanted is None or found.quantity != wanted[0]:
        return None
    scale = found.scale / wanted[1]
    if unit == "Mohm" and scale < Fraction(1, 1_000_000):
        return None
    offset = 0.0 if unit == "K" else found.offset
    return Conversion(
        multiply=float(scale.numerator), divide=float(scale.denominator), offset=offset
    )
