"""Packs and jar sizes in ordinary words, as the tables name them."""

from __future__ import annotations

import re

from monitor.tables.jar_sizes import JAR_SIZES, JarSize

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
    "half pint": "half_pint",
    "1/2 pint": "half_pint",
    "quarter pint": "quarter_pint",
    "1/4 pint": "quarter_pint",
    "pint": "pint",
    "pint and a half": "pint_and_half",
    "pint and half": "pint_and_half",
    "1 1/2 pint": "pint_and_half",
    "1.5 pint": "pint_and_half",
    "quart": "quart",
    "half gallon": "half_gallon",
    "1/2 gallon": "half_gallon",
}

_VOLUME = re.compile(r"^(\d+(?:\.\d+)?)\s*(ml|cl|dl|l|litre|liter|oz|fl oz|ounce|fluid ounce)s?$")
_ML_PER = {"ml": 1.0, "cl": 10.0, "dl": 100.0, "l": 1000.0, "litre": 1000.0, "liter": 1000.0}


def pack_of(words: str) -> str | None:
    """``hot`` or ``raw`` from ordinary words, or None."""
    return _PACK_WORDS.get(plain(words))


def jar_mL(words: str) -> float | None:
    """The volume of a jar from ordinary words: ``pint``, ``half-pint``, ``12 oz``, ``500 mL``; or None. [mL]"""
    said = plain(words).removesuffix(" jars").removesuffix(" jar")
    name = _JAR_WORDS.get(said) or _JAR_WORDS.get(said.removesuffix("s"))
    if name is not None:
        return next(float(size.volume_mL) for size in JAR_SIZES if size.name == name)
    if found := _VOLUME.match(said):
        volume_mL = float(found[1]) * _ML_PER.get(found[2], ML_PER_FL_OZ)
        # A measure that rounds to a listed size is that size: 16 oz is the pint, 8 oz the half-pint.
        listed = (float(size.volume_mL) for size in JAR_SIZES if size.listed)
        return next((ml for ml in listed if abs(ml - volume_mL) < 1.0), volume_mL)
    return None


def jar_size(words: str | None) -> JarSize | None:
    """The size that a jar is called by or measures, in ordinary words; None for a volume between two, and for none."""
    volume_mL = jar_mL(words or "")
    return next((size for size in JAR_SIZES if size.volume_mL == volume_mL), None)


def plain(words: str) -> str:
    """Small letters, one space between words, fractions written out."""
    line = re.sub(r"(?<=\d)(?=[½¼])|[_\-]+", " ", words.lower()).replace("½", "1/2").replace("¼", "1/4")
    line = re.sub(r"(?<=\d)(?=[a-z])", " ", line)
    return " ".join(line.split())
