"""Packs and jars in ordinary words."""

from __future__ import annotations

import re
from dataclasses import dataclass

from monitor.plan.refusal import UNKNOWN_JAR, UNKNOWN_PACK, Refusal
from monitor.tables.processes import JARS_ML

#: US fluid ounce (NIST Handbook 44, appendix C). [mL]
ML_PER_FL_OZ = 29.5735

JAR_NAMES = {"half_pint": "half-pint", "pint": "pint", "quart": "quart", "half_gallon": "half-gallon"}

_PACK_WORDS = {
    "hot": "hot",
    "hot pack": "hot",
    "raw": "raw",
    "raw pack": "raw",
    "cold": "raw",
    "cold pack": "raw",
}

_JAR_WORDS = {
    "half pint": 237.0,
    "1/2 pint": 237.0,
    "quarter pint": 118.0,
    "1/4 pint": 118.0,
    "pint": 473.0,
    "pint and a half": 710.0,
    "1 1/2 pint": 710.0,
    "1.5 pint": 710.0,
    "quart": 946.0,
    "half gallon": 1893.0,
    "1/2 gallon": 1893.0,
}

_VOLUME = re.compile(r"^(\d+(?:\.\d+)?)\s*(ml|cl|dl|l|litre|liter|oz|fl oz|ounce|fluid ounce)s?$")
_ML_PER = {"ml": 1.0, "cl": 10.0, "dl": 100.0, "l": 1000.0, "litre": 1000.0, "liter": 1000.0}


@dataclass(frozen=True, slots=True)
class Jar:
    """One size of jar. ``name`` is the table's size that is not smaller; ``volume_mL`` what was said."""

    name: str
    volume_mL: float
    said: str

    @property
    def words(self) -> str:
        """For a sentence: ``pint`` or ``355 mL``."""
        exact = JARS_ML[self.name] == round(self.volume_mL)
        return JAR_NAMES[self.name] if exact else f"{self.volume_mL:.0f} mL"


def parse_pack(words: str) -> str | Refusal:
    """``hot`` or ``raw`` from ordinary words."""
    plain = _plain(words)
    if plain in _PACK_WORDS:
        return _PACK_WORDS[plain]
    return Refusal(
        UNKNOWN_PACK, f"“{plain[:40]}” is not a style of pack.", "Say hot or raw.", guidance=("G16",)
    )


def parse_jar(words: str) -> Jar | Refusal:
    """A jar size from ordinary words: ``pint``, ``half-pint``, ``12 oz``, ``500 mL``."""
    plain = _plain(words).removesuffix(" jars").removesuffix(" jar")
    volume_mL = _JAR_WORDS.get(plain) or _JAR_WORDS.get(plain.removesuffix("s"))
    if volume_mL is None and (found := _VOLUME.match(plain)):
        unit = found[2]
        volume_mL = float(found[1]) * _ML_PER.get(unit, ML_PER_FL_OZ)
        # A measure that rounds to a listed size is that size: 16 oz is the pint, 8 oz the half-pint.
        volume_mL = next((float(ml) for ml in JARS_ML.values() if abs(ml - volume_mL) < 1.0), volume_mL)
    if volume_mL is None or volume_mL < 20.0:
        return Refusal(
            UNKNOWN_JAR,
            f"“{plain[:40]}” is not a jar size that is known here.",
            "Say half-pint, pint, quart or half-gallon, or a volume such as 12 oz or 500 mL.",
            guidance=("G24",),
        )
    name = next((jar for jar, listed in JARS_ML.items() if volume_mL <= listed), None)
    if name is None:
        return Refusal(
            UNKNOWN_JAR,
            f"A jar of {volume_mL:.0f} mL is larger than any that the tables list (half-gallon, 1893 mL).",
            "Use smaller jars: a process is never stretched to a larger one.",
            guidance=("G24",),
        )
    return Jar(name=name, volume_mL=volume_mL, said=words.strip())


def _plain(words: str) -> str:
    line = re.sub(r"[_\-]+", " ", words.lower()).replace("½", "1/2").replace("¼", "1/4")
    line = re.sub(r"(?<=\d)(?=[a-z])", " ", line)
    return " ".join(line.split())
