"""Packs and jar sizes in ordinary words, as the tables name them."""

from __future__ import annotations

import re

from monitor.tables.processes import JARS_ML

#: US fluid ounce (NIST Handbook 44, appendix C). [mL]
ML_PER_FL_OZ = 29.5735

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


def pack_of(words: str) -> str | None:
    """``hot`` or ``raw`` from ordinary words, or None."""
    return _PACK_WORDS.get(plain(words))


def jar_mL(words: str) -> float | None:
    """The volume of a jar from ordinary words: ``pint``, ``half-pint``, ``12 oz``, ``500 mL``; or None. [mL]"""
    said = plain(words).removesuffix(" jars").removesuffix(" jar")
    volume_mL = _JAR_WORDS.get(said) or _JAR_WORDS.get(said.removesuffix("s"))
    if volume_mL is None and (found := _VOLUME.match(said)):
        volume_mL = float(found[1]) * _ML_PER.get(found[2], ML_PER_FL_OZ)
        # A measure that rounds to a listed size is that size: 16 oz is the pint, 8 oz the half-pint.
        return next((float(ml) for ml in JARS_ML.values() if abs(ml - volume_mL) < 1.0), volume_mL)
    return volume_mL


def plain(words: str) -> str:
    """Small letters, one space between words, fractions written out."""
    line = re.sub(r"[_\-]+", " ", words.lower()).replace("½", "1/2").replace("¼", "1/4")
    line = re.sub(r"(?<=\d)(?=[a-z])", " ", line)
    return " ".join(line.split())
