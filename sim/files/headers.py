"""What the words over a column mean, and how findings about a table are kept.

A header tells a quantity by its unit (`pack_mV`, `Strom [A]`), by its words (`Leistung`), or by
both; where the two contradict each other the column stays unknown, never guessed.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sim.errors import InputError, place
from sim.units import MPH_TO_M_S, SECONDS_PER_HOUR, ZERO_C_K

BASE_UNIT = {
    "power": "W",
    "current": "A",
    "speed": "m/s",
    "voltage": "V",
    "temperature": "C",
    "grade": "percent",
    "elevation": "m",
    "sun": "W",
    "sun_per_area": "W/m2",
}
LOADS = ("power", "current", "speed")  # exactly one of them drives a pack
TELLABLE = {
    "power": "power_W or power_kW",
    "current": "current_A or current_mA",
    "speed": "speed_m_s, speed_km_h or speed_mph",
    "voltage": "voltage_V or voltage_mV",
    "temperature": "temperature_C",
    "grade": "grade_percent",
    "elevation": "elevation_m",
    "sun": "sun_W",
    "sun_per_area": "sun_W_m2",
}
MOST_COMPLAINTS = 8


@dataclass(frozen=True)
class Note:
    """A warning: something done to the data that the user must be told.

    `kind` is one word (`midnight`, `gap`, `dropout`, ...), `line` the physical line from 1,
    `text` one whole sentence that begins with "<path> line N: ".
    """

    kind: str
    line: int
    text: str


@dataclass(frozen=True)
class TableOptions:
    """What a scenario may say about a raw logger export; `None` leaves it to the file.

    `discharge` is "positive" or "negative": how the file counts discharge in its power and
    current columns, or "by state" where only a column of words tells the direction. `unit` is the
    unit of the load column and also decides its quantity; `time_unit` is for a time column whose
    header does not say, `samples_per_second` for one that counts samples. `zone` names the place
    whose clock is set back in autumn, `record` which of several records one after the other is
    meant, from 1. With `flags` complaints name options of the command line.
    """

    time_column: str | None = None
    time_unit: str | None = None
    column: str | None = None
    unit: str | None = None
    discharge: str = "positive"
    thousands: str | None = None
    day_first: bool | None = None
    encoding: str | None = None
    zone: str | None = None
    samples_per_second: float | None = None
    record: int | None = None
    flags: bool = False

    def option(self, key: str, value: str | None = None) -> str:
        """Return how the user says an option: `[load] unit = "mA"`, or `--unit mA`."""
        if not self.flags:
            bare = value in ("true", "false") or (value or "x")[0].isdigit()
            told = "" if value is None else f" = {value}" if bare else f' = "{value}"'
            return f"`[load] {key}{told}`"
        if key == "day_first":
            return "`--month-first`" if value == "false" else "`--day-first`"
        told = "" if value is None else " " + value.replace(" ", "-")
        return f"`--{key.replace('_', '-')}{told}`"


@dataclass
class Findings:
    """Complaints and notes about one file, gathered so that the user sees all of them at once."""

    path: Path
    for_load: bool
    options: TableOptions = TableOptions()
    notes: list[Note] = field(default_factory=list)
    complaints: list[tuple[int, str]] = field(default_factory=list)
    background: tuple[int, str] | None = None  # told with complaints only: how it was understood

    def refuse(self, line: int, what: str, column: str | None = None) -> None:
        """Add a complaint: what was found at this line and column, and what is accepted."""
        where = place(self.path, line=line, column=column)
        self.complaints.append((line, f"{where}: {what}"))

    def warn(self, kind: str, line: int, what: str) -> None:
        """Add a note: what was done at this line."""
        self.notes.append(Note(kind, line, f"{self.path} line {line}: {what}"))

    def advise(self, option: str, otherwise: str) -> str:
        """Return the option that helps; in a scenario only a load has any, others `otherwise`."""
        return option if self.for_load or self.options.flags else otherwise

    def stop_if_refused(self) -> None:
        """Raise InputError with the complaints in the order of the file, at most eight."""
        if not self.complaints:
            return
        known = [self.background] if self.background else []
        told = [text for _, text in sorted(known + self.complaints, key=lambda item: item[0])]
        rest = len(told) - MOST_COMPLAINTS
        if rest > 0:
            told = [*told[:MOST_COMPLAINTS], f"{self.path}: and {rest} more"]
        raise InputError(told)


@dataclass(frozen=True)
class Unit:
    """A written unit: base value = written * times / over + plus, in `BASE_UNIT[quantity]`.

    Two factors because 12310 / 1000 is exactly 12.31 and 12310 * 0.001 is not. A `weak` unit
    (m, %, K) says nothing until a word of the header names the quantity too.
    """

    quantity: str
    text: str
    times: float = 1.0
    over: float = 1.0
    plus: float = 0.0
    weak: bool = False

    def to_base(self, written: np.ndarray) -> np.ndarray:
        """Return values in the base unit of the quantity, same shape."""
        return written * self.times / self.over + self.plus


def _known_units() -> dict[str, Unit]:
    table: dict[str, Unit] = {}

    def add(quantity: str, spellings: str, **factors: float) -> None:
        names = spellings.split("|")
        unit = Unit(quantity, names[0], **factors)  # type: ignore[arg-type]
        table.update(dict.fromkeys(names, unit))

    add("time", "s|sec|secs|second|seconds|sek|sekunde|sekunden")
    add("time", "ms|msec|millis|millisecond|milliseconds|millisekunden", over=1e3)
    add("time", "us|μs|usec|micros|microseconds|mikrosekunden", over=1e6)
    add("time", "ns|nanoseconds", over=1e9)
    add("time", "min|mins|minute|minutes|minuten", times=60.0)
    add("time", "h|hr|hrs|hour|hours|std|stunde|stunden", times=SECONDS_PER_HOUR)
    add("power", "W|watt|watts")
    add("power", "mW|milliwatt", over=1e3)
    add("power", "kW|kilowatt", times=1e3)
    for quantity, letter, words in (
        ("current", "A", "amp|amps|ampere|amperes"),
        ("voltage", "V", "volt|volts"),
    ):
        add(quantity, f"{letter}|{words}")
        add(
            quantity,
            "|".join([f"m{letter}", *(f"milli{word}" for word in words.split("|"))]),
            over=1e3,
        )
        add(quantity, f"u{letter}|μ{letter}", over=1e6)
        add(quantity, f"k{letter}", times=1e3)
    add("speed", "m/s|m_s|m s-1|mps")
    add("speed", "km/h|km_h|kmh|kph|km h-1", over=3.6)
    add("speed", "mph|mi/h|miles/h", times=MPH_TO_M_S)
    add("temperature", "C|°C|degC|deg C|deg_C|Grad C|Grad Celsius|celsius")
    add("temperature", "dC", over=10.0)
    add("temperature", "c|°c", weak=True)
    add("temperature", "K|kelvin", plus=-ZERO_C_K, weak=True)
    add("temperature", "F|°F|degF|deg_F|deg F|fahrenheit", over=1.8, plus=-32 / 1.8, weak=True)
    add("grade", "percent|%|pct|prozent", weak=True)
    add("elevation", "m|metre|metres|meter|meters", weak=True)
    add("sun_per_area", "W/m2|W_m2|W/m^2|W/m**2|W m-2|Wm2|W/sqm")
    add("sun_per_area", "kW/m2|kW_m2|kW/m^2", times=1e3)
    # Known so that their last letter isn't taken for a unit of its own, and nothing more.
    add("other", "Ah|mAh|Wh|kWh|mWh|ohm|mohm|mΩ|Ω|Hz|rpm|km|g|kg|N|Nm|bar|hPa|Pa|permille|‰|W/K")
    return table


UNITS = _known_units()
_BRACKETED = re.compile(r"\[([^\[\]()]*)\]|\(([^\[\]()]*)\)")
# "current_m.A" and "current_.A" are what is left of current_mA, and no ampere.
_DAMAGED = re.compile(r"(?:^|[_\s/,.:-])[mkuµμMn][_\s/,.:-]+$|_[/,.:-]$|[/,.:-]_$")
# Capital MW may be mega or, in an all-capital header, milli: nobody knows, so nobody guesses.
_ANY_CASE = {name.casefold(): unit for name, unit in UNITS.items() if name not in ("dC", "mW", "C")}

_WORDS = {
    "time": "time timestamp datetime date clock elapsed uptime epoch unix utc zeit uhrzeit datum "
    "zeitstempel zeitpunkt temps heure horodatage tiempo hora fecha",
    "power": "power leistung puissance potencia potenza",
    "current": "current strom courant intensite corriente intensidad corrente amperage",
    "voltage": "voltage spannung tension voltaje tensione",
    "speed": "speed velocity geschwindigkeit vitesse velocidad velocita",
    "temperature": "temp temperature temperatur temperatura ambient umgebung",
    "grade": "grade gradient slope incline steigung neigung pente pendiente",
    "elevation": "elevation altitude alt elev ele height hohe hoehe seehohe altitud hauteur",
    "sun": "sun solar irradiance irradiation insolation sonne strahlung soleil",
    "state": "state status mode direction zustand modus richtung etat estado",
    "charge": "charge charged discharged capacity energy distance",
    "veto": "wind soc humidity heat loss losses duration dauer interval left remaining zone limit "
    "setpoint target factor",
}
_WORD_MEANS = {word: quantity for quantity, words in _WORDS.items() for word in words.split()}
_TAILS = tuple(word for word in _WORD_MEANS if len(word) >= 5 and _WORD_MEANS[word] != "veto")


@dataclass(frozen=True)
class Meaning:
    """What one header says. `quantity` is a key of BASE_UNIT, "time", "state" or "unknown"."""

    header: str
    quantity: str
    unit: Unit | None
    by_word: bool

    @property
    def bare(self) -> bool:
        """Whether the words tell a physical quantity and nothing tells its unit."""
        return self.unit is None and self.quantity in BASE_UNIT


def find_unit(text: str) -> Unit | None:
    """Return the unit that a text such as "mA", "[°C]" or "km per h" spells, or None."""
    plain = unicodedata.normalize("NFKC", text.replace("º", "°")).strip()
    if bracketed := _BRACKETED.fullmatch(plain):
        plain = (bracketed.group(1) or bracketed.group(2) or "").strip()
    # speed_km_per_h and km/h are one spelling.
    plain = re.sub(r"[_ ]per[_ ]", "/", plain)
    if plain in UNITS:
        return UNITS[plain]
    return None if plain == "MW" else _ANY_CASE.get(plain.casefold())


def split_header(header: str) -> tuple[str, Unit | None]:
    """Return the naming part of a header and the unit in its brackets or at its end."""
    inside = re.search(r"(?<![\[(])(?:\[([^\[\]()]*)\]|\(([^\[\]()]*)\))\s*$", header)
    if inside and (unit := find_unit(inside.group(1) or inside.group(2) or "")):
        return header[: inside.start()], unit
    # The longest ending that is a unit: speed_km_h ends in "km_h", not in "h".
    starts = [0, *(cut.end() for cut in re.finditer(r"[_\s/,.:-]+", header))]
    for start in starts:
        if unit := find_unit(header[start:]):
            return (header, None) if _DAMAGED.search(header[:start]) else (header[:start], unit)
    return header, None


def words_of(name: str) -> set[str]:
    """Return which quantities the words of a name speak of, in English and a few neighbours."""
    # BatteryCurrent is two words; Höhe, Hoehe and hohe are one.
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    bare = unicodedata.normalize("NFKD", parted).casefold()
    tokens = re.findall(r"[a-z]+", "".join(c for c in bare if not unicodedata.combining(c)))
    found = {_WORD_MEANS[token] for token in tokens if token in _WORD_MEANS}
    # Batteriestrom, Zellspannung: compounds end in the word that matters.
    for token in tokens:
        tail = next((word for word in _TAILS if token != word and token.endswith(word)), None)
        if tail and token not in _WORD_MEANS:
            found.add(_WORD_MEANS[tail])
    # "charge state" is words, "state of charge" a number.
    if "state" in found and "of" not in tokens:
        found.discard("charge")
    return found


def understand(header: str, unit_row: str = "") -> Meaning:
    """Return what a header says, with the unit from a row of units below it where there is one."""
    name, unit = split_header(header)
    unit = unit or (find_unit(unit_row) if unit_row else None)
    words = words_of(name)
    quantity = "unknown" if "veto" in words else _quantity(words, unit)
    return Meaning(header, quantity, unit, quantity in words)


def _quantity(words: set[str], unit: Unit | None) -> str:
    if unit is None:
        if words == {"time", "current"}:  # "current time" is a time
            return "time"
        return next(iter(words)) if len(words) == 1 and "charge" not in words else "unknown"
    quantity = unit.quantity
    if "sun" in words and quantity in ("power", "sun_per_area"):
        return "sun" if quantity == "power" else quantity
    fits = quantity in words or (not words and not unit.weak)
    return quantity if fits and quantity != "other" else "unknown"
