"""Ordinary words made comparable: case, accents, plurals and filler words out of the way."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

#: Words that never tell one food from another.
_FILLERS = """
    a an and the of in into or with for my some our home homemade canned canning jarred jars jar bottled
    fresh ripe organic style packed pack
"""
FILLERS = frozenset(_FILLERS.split())

#: Words about the cut: they tell foods apart only sometimes, so a search may drop them.
_CUTS = "halve halved half slice sliced piece whole peeled pitted chopped diced plain cut"
CUTS = frozenset(_CUTS.split())

#: Two words that are one thing, so that crab apples are not crab.
_JOINED = {
    "crab apple": "crabapple",
    "apple sauce": "applesauce",
    "ketch up": "ketchup",
    "sweet corn": "corn",
}


@lru_cache(maxsize=4096)
def tokens(text: str) -> frozenset[str]:
    """The telling words of a name, singular and plain: ``Crab-apples, spiced`` → {crabapple, spiced}.

    Words in any script count: one that the tables cannot know must not be passed over.
    """
    plain = unicodedata.normalize("NFKD", text.lower())
    plain = "".join(sign for sign in plain if not unicodedata.combining(sign))
    words = [singular(word) for word in re.findall(r"[^\W_]+", plain)]
    line = " ".join(words)
    for parted, joined in _JOINED.items():
        line = re.sub(rf"\b{parted}\b", joined, line)
    return frozenset(line.split()) - FILLERS


def singular(word: str) -> str:
    """An English plural's singular, near enough for comparing names."""
    if len(word) > 4 and word.endswith("ies"):
        return word[:-3] + "y"
    if len(word) > 4 and word.endswith(("oes", "ches", "shes", "xes", "sses")):
        return word[:-2]
    if len(word) > 3 and word.endswith("s") and not word.endswith(("ss", "us", "is")):
        return word[:-1]
    return word
