"""The check sign of lot and jar codes: any single wrong character shows, and nearly every swap."""

from __future__ import annotations

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_MODULUS = len(ALPHABET)


def check_sign(signs: str) -> str:
    """The check sign of ISO/IEC 7064:2003, MOD 37,36, over digits and capital letters."""
    product = _MODULUS
    for sign in signs:
        total = (product + ALPHABET.index(sign)) % _MODULUS or _MODULUS
        product = total * 2 % (_MODULUS + 1)
    return ALPHABET[(_MODULUS + 1 - product) % _MODULUS]
