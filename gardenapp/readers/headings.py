"""The words of tables' headings in eight languages, and what a heading says a column holds.

A heading is cut into words: at anything that is no letter or digit, where small letters meet a
capital, and without accents. Words only rule in where nothing rules out: a heading that names
another place, height, time or thing than the air outside is for a person to choose.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

# English, then Spanish, French, German, Dutch, Portuguese, Polish, Italian; accents left off.
TEMPERATURE = frozenset(
    {
        *("temp", "temps", "temperature", "tt", "tair", "t2m", "ta", "airtemp"),
        *("temperatura", "temperatur", "lufttemperatur", "aussentemperatur", "temperatuur"),
        *("buitentemperatuur", "aussentemp", "outtemp", "tempout", "temperaturen"),
    }
)
LOW = frozenset(
    {
        *("min", "minimum", "low", "lows", "lowest", "lo", "tmin", "mintemp", "tempmin", "tn"),
        *("minima", "minimo", "minimale", "minimal", "tiefst", "tiefstwert", "tiefsttemperatur"),
        *("tiefstwerte", "minimumtemperatur", "minimumtemperatuur", "minimalna", "najnizsza"),
        *("laagste", "baja", "basse"),
    }
)
HIGH = frozenset(
    {
        *("max", "maximum", "hi", "high", "highs", "highest", "tmax", "maxtemp", "tempmax", "tx"),
        *("maxima", "maximo", "maximale", "maximal", "hochst", "hochstwert", "hochsttemperatur"),
        *("maximumtemperatuur", "maksymalna", "najwyzsza", "massima", "massimo", "hoogste"),
    }
)
DEW = frozenset(
    {
        *("dew", "dewp", "dewpt", "dewpoint", "taupunkt", "rocio", "rosee", "dauwpunt"),
        *("orvalho", "rosy", "rugiada"),
    }
)
HUMIDITY = frozenset(
    {
        *("hum", "humid", "humidity", "rh", "rf", "feuchte", "luftfeuchte", "luftfeuchtigkeit"),
        *("humedad", "humidite", "luchtvochtigheid", "vochtigheid", "umidade", "humidade"),
        *("wilgotnosc", "umidita"),
    }
)
CLOUD = frozenset(
    {
        *("cloud", "clouds", "cloudcover", "cloudiness", "skycover", "sky", "bewolkung"),
        *("nubosidad", "nubes", "nebulosite", "nuages", "bewolking", "bedeckung", "nuvens"),
        *("nebulosidade", "zachmurzenie", "nuvolosita"),
    }
)
WIND = frozenset(
    {
        *("wind", "windspeed", "wspd", "windgeschwindigkeit", "viento", "vent", "windsnelheid"),
        *("vento", "wiatr", "wiatru"),
    }
)
GUST = frozenset(
    {
        *("gust", "gusts", "windgust", "windgusts", "boe", "boen", "windboen", "racha", "rachas"),
        *("rafale", "rafales", "windstoot", "windstoten", "rajada", "rajadas", "poryw", "porywy"),
        *("raffica", "raffiche"),
    }
)
CLOCK = frozenset(
    {
        *("time", "clock", "hour", "hours", "hr", "uhrzeit", "zeit", "stunde", "hora", "heure"),
        *("tijd", "uur", "godzina", "czas", "ora", "orario", "horas", "hh", "hhmm"),
    }
)
TIME = CLOCK | frozenset(
    {
        *("date", "datetime", "timestamp", "datum", "day", "dt", "tag", "fecha", "dia", "data"),
        *("jour", "dag", "dzien", "giorno", "tijdstip", "zeitpunkt", "epoch", "unix", "ts"),
        *("unixtime", "moment", "messdatum", "mess", "valid", "utc", "gmt", "night", "evening"),
    }
)
YEAR = frozenset({"year", "ano", "annee", "jahr", "jaar", "rok", "anno", "yyyy"})
MONTH = frozenset({"month", "mes", "mois", "monat", "maand", "miesiac", "mese", "mm"})
DAY = frozenset({"day", "dia", "jour", "tag", "dag", "dzien", "giorno", "dd"})
HOUR = CLOCK - {"time", "clock", "uhrzeit", "zeit", "tijd", "czas", "orario"}
UNIT = frozenset({"unit", "units", "uom", "einheit", "unidad", "unite", "eenheid", "unidade"})
OFFSET = frozenset({"offset", "utcoffset", "gmtoffset", "tz", "timezone", "zone", "zeitzone"})
# Whose low a date's is, where the heading says it.
NIGHT_BEGINS = re.compile(
    r"\b(?:night|nights?)\s+(?:of|beginning|starting|from)\b|\bevening\s+of\b", re.IGNORECASE
)
NIGHT_ENDS = re.compile(
    r"\b(?:night|nights?)\s+(?:ending|before|to)\b|\bmorning\s+of\b", re.IGNORECASE
)

# Not the air outside at screen height, or not a temperature one can plan from.
ELSEWHERE = frozenset(
    {
        *("in", "indoor", "inside", "internal", "innen", "room", "soil", "boden", "ground"),
        *("grass", "gras", "leaf", "water", "pool", "feels", "felt", "apparent", "chill", "heat"),
        *("index", "wet", "bulb", "thsw", "thw", "sensor", "station", "case", "battery", "board"),
        *("cpu", "chip", "core", "polytunnel", "tunnel", "greenhouse", "glasshouse", "frame"),
        *("conservatory", "shed", "fridge", "freezer", "garage", "compost", "heap", "house"),
        *("heating", "boiler", "radiator", "target", "setpoint", "set", "thermostat", "limit"),
        *("threshold", "offset", "correction", "calibration", "adjust", "bias", "error", "delta"),
        *("diff", "difference", "change", "trend", "rate", "normal", "normals"),
        *("climate", "climatology", "record", "anomaly", "probability", "spread", "sd", "std"),
        *("interior", "interieure", "interieur", "binnen", "wewnetrzna", "interna", "interno"),
        *("suelo", "sol", "bodem", "solo", "gleby", "suolo", "innentemperatur", "bodentemperatur"),
        *("sensacion", "ressentie", "gefuhlt", "gefuhlte", "gevoels", "sensacao", "odczuwalna"),
        *("percepita", "invernadero", "serre", "gewachshaus", "kas", "estufa", "szklarnia"),
        *("serra", "objetivo", "consigne", "soll", "sollwert", "streef", "alvo", "zadana"),
        *("upper", "aloft", "surface", "skin", "panel", "road", "sea", "lake", "extra", "aux"),
    }
)
DIRECTION = frozenset(
    {"dir", "direction", "deg", "richtung", "windrichtung", "run", "direccion", "richting"}
)
OUTSIDE = frozenset(
    {
        *("out", "outdoor", "outside", "external", "aussen", "air", "ext", "screen", "exterior"),
        *("exterieure", "exterieur", "buiten", "zewnetrzna", "esterna", "esterno", "aussenluft"),
        *("2m", "t2m", "outtemp", "tempout", "aussentemperatur", "buitentemperatuur"),
    }
)
TOTAL = frozenset({"total", "cover", "cloudcover", "skycover", "all"})
_PRESSURE = re.compile(r"\d{2,4}\s*h?pa", re.IGNORECASE)
_HEIGHT = re.compile(r"(\d+(?:\.\d+)?)\s*(m|cm|ft|in)")
_MEMBER = re.compile(r"member|ens|model|run\d|icon|gfs|ecmwf")
_UNITS = frozenset({"c", "f", "t", "degc", "degf", "celsius", "fahrenheit", "temp"})


def folded(text: str) -> str:
    """Small letters without accents, compatibility forms taken apart ("℃" to "°c")."""
    decomposed = unicodedata.normalize("NFKD", text.replace("ł", "l").replace("Ł", "L"))
    return "".join(c for c in decomposed if not unicodedata.combining(c)).lower().replace("ß", "ss")


def spaced(heading: str) -> str:
    """A heading in small letters with a blank where its words meet: "tempC" is "temp c"."""
    apart = re.sub(r"(?<=[a-zäöü])(?=[A-ZÄÖÜ])", " ", unicodedata.normalize("NFKC", heading))
    return folded(apart.replace("_", " "))


@lru_cache(maxsize=4096)
def words_of(heading: str) -> frozenset[str]:
    """The words of a heading, folded."""
    return frozenset(re.findall(r"[^\W_]+", spaced(heading)))


def names_another_level(heading: str) -> bool:
    """Whether a heading names a pressure level, or a height that is not the screen's."""
    text = folded(heading)
    if _PRESSURE.search(text):
        return True
    for found in _HEIGHT.finditer(re.sub(r"[_\-]", " ", text)):
        metres = float(found[1]) * {"m": 1.0, "cm": 0.01, "ft": 0.3048, "in": 0.0254}[found[2]]
        after = text[found.end() : found.end() + 1]
        if not after.isalpha() and not 1.2 <= metres <= 2.1:
            return True
    return False


def role_of(heading: str) -> str:
    """The role a heading's words speak for, empty where they speak for none.

    Times are told by what the cells hold, not here.
    """
    words = words_of(heading)
    if words & CLOCK and words & (LOW | HIGH):
        return "low_time" if words & LOW else ""
    if words and words <= UNIT:
        return "unit"
    if words and words <= OFFSET | {"utc", "gmt", "time", "from"} and words & OFFSET:
        return "zone"
    if words & ELSEWHERE or names_another_level(heading):
        return ""
    if words & GUST:
        return "" if words & DIRECTION else "gust"
    if words & WIND:
        return "" if words & (DIRECTION | HIGH) else "wind"
    for role, role_words in (("dew_point", DEW), ("humidity", HUMIDITY), ("cloud", CLOUD)):
        if words & role_words:
            return "" if words & (LOW | HIGH) else role
    named = bool(words & TEMPERATURE)
    for role, role_words in (("low", LOW), ("high", HIGH)):
        if words & role_words and not words & (HIGH if role == "low" else LOW):
            rest = words - role_words - _UNITS - {"daily", "day", "overnight", "night", "the"}
            if named or not rest:
                return role
    if named or ("t" in words and words & {"air", "out", "outside", "2m"}):
        return "temperature"
    return ""


def is_several(heading: str) -> bool:
    """Whether a heading is one of several members or models."""
    return bool(_MEMBER.search(folded(heading)))
